"""The harness refuses what the firmware cannot do, or leaves it out and says what is then not shown."""

from dataclasses import replace

import pytest
from test_runner import Run
from test_timeline import EVERY_STEP

from harness.abilities import needs_of
from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import messages as m
from harness.errors import BenchError
from harness.plan import model as p
from harness.recording import Direction
from harness.report.live import Quiet
from mocks.settings import MockSettings

TX, RX = Role.TRANSMITTER, Role.RECEIVER
CUT = {"duration_ns": 600 * MS, "before_ns": 100 * MS, "after_ns": 100 * MS}
HARDLY = MockSettings(lacks=("disturb", "deafen", "mute acks", "restart at"))
NO_FOREIGN = MockSettings(lacks=("foreign",))


def optional(*steps):
    """A linked run with these steps, each with `ability: if present`."""
    return p.Wait(until="linked"), *(kind(**keys, ability="if present") for kind, keys in steps)


EACH = (
    (p.Cut, {**CUT, "by": "corrupted"}),
    (p.Cut, {**CUT, "by": "deaf", "times": 3}),
    (p.Mute, {"for_ns": 100 * MS}),
    (p.Interfere, {"for_ns": 100 * MS}),
    (p.Restart, {"device": RX, "clock_wraps_in_ns": S}),
)


def skipped(run):
    return [mark for mark in run.marks if mark.kind == "skipped"]


def told(run, kind):
    return [message for role in (TX, RX) for _, message in run.to(role) if isinstance(message, kind)]


class Listener(Quiet):
    def __init__(self):
        super().__init__()
        self.lines = []

    def say(self, line):
        self.lines.append(line)


def test_every_command_that_a_timeline_sends_is_needed():
    sent = {m.Disturb, m.Deafen, m.MuteAcks, m.RestartAt, m.Restart, m.Silence, m.Burst, m.Inject, m.Setting}
    assert {need.kind for action in EVERY_STEP for need in needs_of(action)} == sent


@pytest.mark.parametrize(("kind", "keys"), EACH, ids=[kind.WORD for kind, _ in EACH])
def test_a_step_that_the_firmware_lacks_is_refused_before_anything_moves(kind, keys):
    run = Run(kind(**keys), settings=HARDLY)
    assert isinstance(run.raised, BenchError)
    assert "'s firmware says that it cannot " in str(run.raised)
    assert "which steps[0]" in str(run.raised)
    assert "write `ability: if present` there, leave the step out or build" in str(run.raised)
    assert not told(run, m.Disturb | m.Deafen | m.MuteAcks | m.RestartAt | m.Silence)
    assert Run(kind(**keys)).end.why == "complete"


def test_steps_that_may_be_left_out_are_and_the_recording_says_which_and_why():
    listener = Listener()
    run = Run(*optional(*EACH), settings=HARDLY, observer=listener)
    assert run.end.why == "complete"
    assert [mark.fields["path"] for mark in skipped(run)] == [f"steps[{n}]" for n in range(1, 6)]
    assert [mark.fields["name"] for mark in skipped(run)] == ["cut", "cut", "mute", "interfere", "restart"]
    assert skipped(run)[1].fields["why"] == (
        "the receiver's firmware says that it cannot throw away what its module receives"
    )
    assert [mark.fields["path"] for mark in run.marks if mark.kind == "step"] == ["steps[0]"]
    assert not told(run, m.Disturb | m.Deafen | m.MuteAcks | m.RestartAt)
    assert listener.lines[0] == (
        "cut (steps[1]) is left out, so it is not shown: the transmitter's firmware says that it cannot send "
        "packets that are wrong, old or another transmitter's"
    )
    assert len(listener.lines) == 5


def test_steps_that_may_be_left_out_are_carried_out_where_they_can_be():
    run = Run(*optional(*EACH))
    assert run.end.why == "complete"
    assert not skipped(run)
    assert len(told(run, m.Disturb)) == 2
    assert len(told(run, m.Deafen)) == 3


def test_what_a_device_refuses_is_marked_once_and_not_asked_for_again():
    listener = Listener()
    run = Run(
        *optional((p.Cut, {**CUT, "by": "foreign", "times": 5}), (p.Cut, {**CUT, "by": "repeated"})),
        p.Settle(),
        settings=NO_FOREIGN,
        observer=listener,
    )
    assert run.end.why == "complete"
    assert [message.kind for message in told(run, m.Disturb)] == [
        m.Disturbance.FOREIGN, m.Disturbance.REPEATED,
    ]  # fmt: skip
    (mark,) = skipped(run)
    assert mark.fields == {"path": "steps[1]", "name": "cut", "why": "the transmitter does not do this"}
    assert len(listener.lines) == 1
    steps = [(mark.kind, mark.fields["path"]) for mark in run.marks if mark.kind.startswith("step")]
    assert steps == [(kind, f"steps[{n}]") for n in range(4) for kind in ("step", "step end")]


def test_what_is_refused_inside_a_segment_is_not_asked_for_again_there():
    settings = MockSettings(lacks=("beside",))
    run = Run(*optional((p.Interfere, {"for_ns": 100 * MS, "times": 9})), settings=settings)
    assert len(told(run, m.Disturb)) == 1
    assert len(skipped(run)) == 1


def test_a_refused_cut_at_another_packet_rate_leaves_the_links_own_rate():
    action = (p.Cut, {**CUT, "by": "foreign", "packet_rate_mhz": 25_000, "times": 2})
    run = Run(*optional(action), p.Settle(), settings=NO_FOREIGN)
    assert [message.value for message in told(run, m.Setting)] == [25_000, 50_000]


def test_a_refusal_of_what_must_be_done_ends_the_run_and_says_how_to_go_on():
    run = Run(p.Wait(until="linked"), p.Cut(**CUT, by="foreign", times=5), settings=NO_FOREIGN)
    assert run.end.why == "step refused"
    assert run.end.step == "steps[1]"
    assert run.end.detail == (
        "the transmitter does not do this; write `ability: if present` in steps[1], or leave it out"
    )
    assert not skipped(run)
    assert len(told(run, m.Disturb)) == 1
    assert told(run, m.Sticks)[-1].pulses_us[1] == 1000
    assert isinstance(run.to(RX)[-1][1], m.Release)


def test_a_repeated_step_that_is_left_out_is_told_once():
    inner = p.PlanStep(p.Mute(for_ns=100 * MS, ability="if present"), "mute", "steps[1].repeat.steps[0]")
    rest = p.PlanStep(p.Settle(for_ns=100 * MS), "settle", "steps[1].repeat.steps[1]")
    listener = Listener()
    run = Run(
        p.Wait(until="linked"), p.Repeat(times=4, steps=(inner, rest)), settings=HARDLY, observer=listener
    )
    assert len(skipped(run)) == len(listener.lines) == 1
    assert [mark.fields["path"] for mark in run.marks if mark.kind == "step"].count(rest.path) == 4


@pytest.mark.parametrize(
    ("action", "role", "key", "words"),
    [
        (p.Cut(**CUT, burst=8), TX, "burst", "send bursts"),
        (p.Restart(device=RX, silent_ns=S), TX, "silent", "be silent"),
        (p.Restart(device=TX, packets_wrap_in=5), TX, "", "restart with its counters near"),
    ],
)
def test_a_key_that_needs_more_is_named(action, role, key, words):
    lacks = {"burst": "burst", "silent": "silence", "": "restart at"}[key]
    run = Run(action, settings=MockSettings(lacks=(lacks,)))
    named = f"steps[0] with `{key}`" if key else "steps[0]"
    assert f"the {role}'s firmware says that it cannot {words}" in str(run.raised)
    assert f"which {named} needs" in str(run.raised)


def test_a_firmware_that_does_not_know_the_command_at_all_is_believed(monkeypatch):
    """An identity may promise more than its firmware keeps."""
    settings = MockSettings(lacks=("deafen",))
    unpacked = m.Identity.unpack.__func__
    monkeypatch.setattr(
        m.Identity, "unpack", classmethod(lambda cls, data: replace(unpacked(cls, data), abilities=0xFFFF))
    )
    run = Run(*optional((p.Cut, {**CUT, "by": "deaf", "times": 3})), settings=settings)
    (mark,) = skipped(run)
    assert mark.fields["why"] == "the receiver does not know the command"
    replies = [message for _, message in run.messages(RX, Direction.TO_PC) if isinstance(message, m.Reply)]
    assert m.Result.UNKNOWN in {reply.result for reply in replies}
    assert len(told(run, m.Deafen)) == 1

"""The harness takes power or the antenna path away, marks when, and gives it back however the run ends."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from test_pace import Told
from test_runner import Run, assert_left_safe
from test_timeline import LINK

from harness.bench.protocol import Moment, Role
from harness.clock import MS, S
from harness.codec import Frame, decode_piece
from harness.codec import messages as m
from harness.errors import BenchError
from harness.outside import HAND_NS
from harness.plan import model as p
from harness.recording import Direction, parse_recording
from mocks.settings import MockSettings

TX, RX = Role.TRANSMITTER, Role.RECEIVER
LINKED = p.Wait(until="linked")
POWER = p.Cut(by="power", duration_ns=700 * MS, before_ns=300 * MS, after_ns=300 * MS)
PATH = replace(POWER, by="path")
NO_RELAYS = MockSettings(switches=False)


def switchings(run):
    return [mark for mark in run.marks if mark.kind == "switched"]


def heard(run, role):
    """What a device said, without what it was saying as its power went."""
    port = parse_recording(run.data, "x").ports[role]
    rows = zip(port.at_ns, port.direction, port.data, strict=True)
    pieces = [(at, decode_piece(data[:-1])) for at, way, data in rows if way == Direction.TO_PC]
    return [(at, m.parse(piece)) for at, piece in pieces if isinstance(piece, Frame)]


def starts(run, role):
    told = heard(run, role)
    return [(at, message.cause) for at, message in told if isinstance(message, m.Started)]


def reports(run, role, kind, begin_ns, end_ns):
    told = heard(run, role)
    return [part for at, part in told if isinstance(part, kind) and begin_ns <= at <= end_ns]


class OfHands(Told):
    """An observer, and a bench on which somebody switches what relays would; `does` says what is done."""

    def __init__(self, does=lambda words: True):
        super().__init__()
        self.does = does
        self.inner = None

    def around(self, bench):
        self.inner = bench
        return self

    def __getattr__(self, name):
        return getattr(self.inner, name)

    @property
    def means(self):
        return dict.fromkeys(self.inner.means, "hand")

    def ask(self, words):
        self.lines.append(words)
        if self.does(words):
            target = "antenna" if "antenna" in words else "transmitter power"
            self.inner.switch(target, on="back" in words or "again" in words)


def by_hand(monkeypatch, *steps, does=lambda words: True, **more):
    hands = OfHands(does)
    from harness.outside import Outside

    class Handed(Outside):
        def __init__(self, *args):
            super().__init__(*args)
            self.hand = hands

    monkeypatch.setattr("harness.runner.Outside", Handed)
    return Run(*steps, around=hands.around, observer=hands, **more), hands


def test_a_transmitter_without_power_is_silent_and_boots_again():
    run = Run(LINKED, replace(POWER, times=2), p.Settle(for_ns=500 * MS))
    assert run.end.why == "complete"
    marks = switchings(run)
    assert [mark.fields["on"] for mark in marks] == [False, True, False, True]
    assert {mark.fields["means"] for mark in marks} == {"line"}
    for off, on in zip(marks[::2], marks[1::2], strict=True):
        begin = off.at_ns - off.fields["latest_ago_ns"]
        end = on.at_ns - on.fields["earliest_ago_ns"]
        assert end - begin == POWER.duration_ns
        assert off.fields["earliest_ago_ns"] - off.fields["latest_ago_ns"] == 20 * MS
        assert not reports(run, TX, m.Sent, begin, end)
        assert reports(run, RX, m.OutputChange, begin, end)[0].reason == m.OutputReason.FAILSAFE
    causes = [cause for _, cause in starts(run, TX)]
    assert causes == [m.StartCause.POWER] * 3
    assert_left_safe(run)


def test_sticks_and_keep_alives_are_sent_while_there_is_no_power():
    run = Run(LINKED, POWER)
    times = [at for at, part in run.to(TX) if isinstance(part, m.KeepAlive)]
    assert max(after - before for before, after in pairwise(times)) < m.DEAD_MAN_MS * MS / 2.5
    off, on = (mark.at_ns for mark in switchings(run))
    shown = {part.pulses_us for at, part in run.to(TX) if isinstance(part, m.Sticks) and off < at < on}
    assert len(shown) == 2


def test_a_step_goes_on_once_the_transmitter_has_booted():
    for boots_ns in (50 * MS, 2 * S):
        run = Run(LINKED, POWER, settings=MockSettings(restart_for_ns=boots_ns))
        on, end = switchings(run)[1].at_ns, run.marks[-2].at_ns
        assert on + boots_ns <= starts(run, TX)[1][0] + 20 * MS
        assert end - starts(run, TX)[1][0] < POWER.after_ns + 50 * MS


def test_an_open_antenna_path_lets_packets_go_and_none_arrive():
    run = Run(LINKED, PATH, p.Settle(for_ns=500 * MS))
    off, on = switchings(run)
    begin, end = off.at_ns, on.at_ns - on.fields["earliest_ago_ns"]
    sent = reports(run, TX, m.Sent, begin + 20 * MS, end)
    assert len(sent) > 30
    assert not any(part.flags & m.SENT_ACKED for part in sent)
    assert not reports(run, RX, m.Applied, begin + 5 * MS, end)
    assert len(starts(run, TX)) == 1


@pytest.mark.parametrize("device", [TX, RX])
def test_a_device_restarts_by_power(device):
    step = p.Restart(device=device, by="power", unpowered_ns=300 * MS, times=2, after_ns=S)
    run = Run(LINKED, step, LINKED, p.Settle(for_ns=500 * MS))
    assert run.end.why == "complete"
    assert [mark.fields["what"] for mark in switchings(run)] == [f"{device} power"] * 4
    assert len(starts(run, device)) == 3
    assert_left_safe(run)


def test_a_restarted_transmitter_gets_the_links_packet_rate_again():
    run = Run(LINKED, POWER, p.Settle(for_ns=S), settings=MockSettings(packet_rate_mhz=100_000))
    at = starts(run, TX)[1][0]
    asked = [part for when, part in run.to(TX) if isinstance(part, m.Setting) and when >= at]
    assert [part.value for part in asked] == [LINK.packet_rate_mhz]


@pytest.mark.parametrize("step", [POWER, PATH, p.Restart(device=RX, by="power")], ids=["power", "path", "rx"])
def test_what_nothing_can_switch_is_refused_before_anything_moves(step):
    run = Run(LINKED, step, settings=NO_RELAYS)
    assert isinstance(run.raised, BenchError)
    assert str(run.raised).startswith("nothing on this rig can ")
    assert "which steps[1] needs; write `ability: if present` there" in str(run.raised)
    assert not any(mark.kind == "step" for mark in run.marks)


def test_what_nothing_can_switch_is_left_out_where_the_plan_allows_it():
    told = Told()
    run = Run(LINKED, replace(POWER, times=3, ability="if present"), settings=NO_RELAYS, observer=told)
    assert run.end.why == "complete"
    skipped = [mark.fields for mark in run.marks if mark.kind == "skipped"]
    assert [fields["why"] for fields in skipped] == [
        "nothing on this rig can take the transmitter's power away"
    ]
    assert len(told.lines) == 1
    assert not switchings(run)


@pytest.mark.parametrize("error", [KeyboardInterrupt(), RuntimeError("our bug")], ids=["Ctrl-C", "bug"])
@pytest.mark.parametrize("step", [replace(POWER, duration_ns=9 * S), replace(PATH, duration_ns=9 * S)])
def test_what_was_off_is_on_after_a_stop_and_the_throttle_was_put_to_rest_before(error, step):
    run = Run(LINKED, step, trip=error, at_ns=4 * S)
    assert [mark.fields["on"] for mark in switchings(run)] == [False, True]
    inner = run.bench.inner
    inner.advance(inner.now_ns() + S)
    assert inner.transmitter.alive
    assert not inner.transmitter.air.is_open
    rests = [at for at, part in run.to(TX) if isinstance(part, m.Sticks) and part.pulses_us == LINK.rest_us]
    assert any(at >= 4 * S for at in rests)
    if step.by == "power":
        assert rests[-1] > starts(run, TX)[-1][0] > 4 * S
    assert_left_safe(run)


class Stuck:
    """A bench whose relays stay open."""

    def __init__(self, bench):
        self.inner = bench

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def switch(self, target, *, on):
        if on:
            raise BenchError("switch port x: it is gone", role="switch", port="x")
        self.inner.switch(target, on=on)


def test_says_what_could_not_be_given_back():
    told = Told()
    run = Run(LINKED, POWER, around=Stuck, observer=told)
    assert (run.end.why, run.end.role) == ("port gone", "switch")
    assert set(told.lines) == {
        "the bench could not give the transmitter its power back: switch port x: it is gone; do it by hand"
    }
    assert_left_safe(run)


class Unsure(Stuck):
    """A bench whose second device does not answer when something is to be on again."""

    def switch(self, target, *, on):
        self.on = on
        self.inner.switch(target, on=on)

    def switched(self, target):
        if self.on:
            raise BenchError("switch port x: nothing came", role="switch", port="x")
        return self.inner.switched(target)


def test_says_what_was_not_confirmed_to_be_back():
    told = Told()
    run = Run(LINKED, POWER, around=Unsure, observer=told)
    assert (run.end.why, run.end.detail) == ("port gone", "switch port x: nothing came")
    assert told.lines == [
        "the bench could not give the transmitter its power back: switch port x: nothing came; do it by hand"
    ]
    assert run.bench.inner.transmitter.alive
    assert_left_safe(run)


class Silent(Stuck):
    """A bench that never says when it switched."""

    def switch(self, target, *, on):
        self.inner.switch(target, on=on)

    def switched(self, target):
        return None


def test_a_bench_that_never_says_when_ends_the_run():
    run = Run(LINKED, POWER, around=Silent)
    assert run.end.why == "not switched"
    assert "did not say that it could take the transmitter's power away" in run.end.detail
    assert run.bench.inner.transmitter.alive


# -- by hand -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [POWER, PATH], ids=["power", "path"])
def test_somebody_is_asked_and_the_data_say_when(monkeypatch, step):
    run, hands = by_hand(monkeypatch, LINKED, step, p.Settle(for_ns=500 * MS))
    assert run.end.why == "complete"
    assert [line.endswith("propellers still off") for line in hands.lines] == [True, True]
    off, on = switchings(run)
    moment = Moment(off.at_ns - off.fields["earliest_ago_ns"], off.at_ns - off.fields["latest_ago_ns"])
    assert 200 * MS <= moment.latest_ns - moment.earliest_ns < 300 * MS
    assert {mark.fields["means"] for mark in (off, on)} == {"hand"}
    assert_left_safe(run)


def test_nobody_who_does_it_ends_the_run_or_leaves_the_step_out(monkeypatch):
    run, _ = by_hand(monkeypatch, LINKED, POWER, does=lambda words: False)
    assert run.end.why == "not switched"
    assert run.end.detail == (
        "asked to take the transmitter's power away, and the data showed nothing of it within 120 s"
    )
    assert run.end.step == "steps[1]"
    run, hands = by_hand(
        monkeypatch, LINKED, replace(POWER, times=3, ability="if present"), p.Settle(),
        does=lambda words: False,
    )  # fmt: skip
    assert run.end.why == "complete"
    assert [mark.kind for mark in run.marks].count("skipped") == 1
    assert run.bench.inner.now_ns() < 2 * HAND_NS
    assert "give the transmitter its power back" in hands.lines[-1]


def test_nobody_at_a_terminal_is_refused():
    hands = OfHands()
    run = Run(LINKED, POWER, around=hands.around)
    assert "somebody must take the transmitter's power away, and nobody is at a terminal" in str(run.raised)

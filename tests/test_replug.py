"""The harness survives a plug that is pulled: the run ends safely, or goes on where the plan allows it."""

import pytest
from unplugging import Played, Pulled, Unplugged

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS, S
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from harness.errors import PlanError
from harness.outline import outline
from harness.plan.reader import parse_plan
from harness.plan.writing import plan_text
from harness.recording import Direction
from harness.replug import TRY_EVERY_NS
from harness.timeline import build_timeline
from harness.verdict import Verdict

T, R = Role.TRANSMITTER, Role.RECEIVER
TEXT = """\
propsoff: 1
title: Some seconds
{safety}link:
  packet_rate: 50 Hz
  channels:
    throttle: {{role: throttle, failsafe: low}}
    rudder: {{failsafe: centre}}
  failsafe: {{within: 500 ms}}
steps:
  - wait: {{until: linked, deadline: 3 s}}
  - sweep: {{channels: [throttle], shape: triangle, period: 3 s}}
{step}  - settle: {{}}
checks:
  - delivery: {{at_least: 60 %}}
  - no_glitch
  - bench
"""


def short(step="", within="10 s", name="short"):
    text = TEXT.format(safety=f"safety: {{replug_within: {within}}}\n" if within else "", step=step)
    return parse_plan(text, name, name)


def told(run, role):
    port = run.recording.ports[role]
    rows = zip(port.at_ns, port.direction, port.data, strict=True)
    return [(at, parse(decode_piece(data[:-1]))) for at, way, data in rows if way == Direction.TO_DEVICE]


def sticks(run):
    return [(at, message) for at, message in told(run, T) if isinstance(message, m.Sticks)]


def failed(run):
    return {kind: reason for kind, (verdict, reason) in run.results().items() if verdict == "fail"}


def unhappy(run):
    return {kind: why for kind, why in run.results().items() if why[0] != "pass" and kind != "pins"}


@pytest.mark.parametrize("role", DEVICES)
def test_a_port_that_goes_away_ends_the_run_as_bench_trouble_with_the_gap_marked(role):
    run = Played(short(within=""), Pulled(role, 2 * S, S))
    assert (run.end.why, run.end.role) == ("port gone", role)
    (mark,) = run.marks("port gone")
    assert mark.fields["role"] == role
    assert "steps[1]" in mark.fields["path"]
    assert not failed(run)
    assert run.results()["bench"][0] == "error"
    assert run.judgement.verdict is Verdict.ERROR
    assert run.recording.complete
    assert not run.bench.reopened


def test_a_port_that_goes_away_closes_the_throttle_through_the_one_that_is_left():
    run = Played(short(within=""), Pulled(R, 2 * S, S))
    assert sticks(run)[-1][1].pulses_us == (1000, 1500)
    assert isinstance(told(run, T)[-1][1], m.Release)


@pytest.mark.parametrize("restarts", [False, True], ids=["powered apart", "powered by the port"])
@pytest.mark.parametrize("role", DEVICES)
@pytest.mark.parametrize("at_ms", [1_050, 6_400, 17_130, 33_300])
def test_a_port_that_comes_back_lets_the_run_go_on_to_a_pass(role, restarts, at_ms):
    run = Played("first-look", Pulled(role, at_ms * MS, 3 * S, restarts=restarts), within_ns=10 * S)
    assert run.end.why == "complete"
    assert [mark.kind for mark in run.marks("port gone", "port back")] == ["port gone", "port back"]
    assert unhappy(run) == {}
    assert f"the {role}'s port was gone and came back: " in run.results()["bench"][1]
    assert any("are not judged" in note for note in run.judgement.notes)


def test_the_interrupted_step_is_played_again_from_its_start():
    run = Played(short(), Pulled(R, 2 * S, 2 * S))
    paths = [mark.fields["path"] for mark in run.marks("step")]
    assert paths == ["steps[0]", "steps[1]", "steps[1]", "steps[2]"]
    assert run.said[-1] == "every port is back, with the same devices: steps[1] is played again"


def test_cuts_in_a_row_are_played_again_from_the_first():
    step = "  - cut: {duration: 700 ms, times: 3, before: 500 ms, after: 500 ms}\n"
    whole = Played(short(step), Pulled(R, 99 * S, S))
    at_ns = whole.marks("cut")[1].at_ns + 100 * MS
    run = Played(short(step), Pulled(R, at_ns, 2 * S))
    assert len(run.marks("cut")) == 5
    assert unhappy(run) == {}


def test_the_throttle_is_closed_while_the_receivers_port_is_away():
    run = Played(short(), Pulled(R, 2 * S + 600 * MS, 3 * S))
    gone, back = (mark.at_ns for mark in run.marks("port gone", "port back"))
    meanwhile = [one.pulses_us[0] for at, one in sticks(run) if gone < at < back]
    assert len(meanwhile) >= 3 * S // TRY_EVERY_NS
    assert set(meanwhile) == {1000}
    assert any(one.pulses_us[0] > 1000 for at, one in sticks(run) if at < gone)


@pytest.mark.parametrize("restarts", [False, True])
def test_both_ports_of_one_hub_may_come_back(restarts):
    plugs = [Pulled(role, 2 * S, (2 + n) * S, restarts=restarts) for n, role in enumerate(DEVICES)]
    run = Played(short(), *plugs)
    assert run.end.why == "complete"
    assert sorted(mark.fields["role"] for mark in run.marks("port back")) == ["receiver", "transmitter"]
    assert unhappy(run) == {}


def test_a_port_that_comes_and_goes_is_waited_for_every_time():
    run = Played(short(), Pulled(R, 2 * S, S), Pulled(R, 6 * S, S))
    assert run.end.why == "complete"
    assert len(run.marks("port back")) == 2
    assert unhappy(run) == {}


@pytest.mark.parametrize("role", DEVICES)
def test_a_port_that_stays_away_ends_the_run_and_no_check_fails(role):
    run = Played(short(within="3 s"), Pulled(role, 2 * S, 60 * S))
    assert run.end.why == "port gone"
    assert "it did not come back within 3 s (safety.replug_within)" in run.end.detail
    assert not failed(run)
    assert run.judgement.verdict is Verdict.ERROR


@pytest.mark.parametrize("role", DEVICES)
def test_another_device_behind_the_same_name_is_refused_and_gets_no_sticks(role, monkeypatch):
    class Swapped(Unplugged):
        def reopen(self, role):
            super().reopen(role)
            device = self.inner._devices.ports[role].device
            monkeypatch.setattr(device, "name", lambda: "\x1b[31mstranger")

    run = Played(short(), Pulled(role, 2 * S, S), around=Swapped)
    assert run.end.why == "port gone"
    assert r"another device: firmware 'mock" in run.end.detail
    assert r"'\x1b[31mstranger' is" in run.end.detail
    reopened = run.bench.reopened[-1][1]
    if role is T:
        assert all(at < reopened for at, _ in sticks(run))
    assert isinstance(told(run, role)[-1][1], m.Release)
    assert not failed(run)


def test_a_step_that_searches_is_not_played_again():
    step = "  - back_to_back: {up_to: 60, repeats: 2}\n"
    whole = Played(short(step), Pulled(R, 99 * S, S))
    at_ns = next(mark.at_ns for mark in whole.marks("step") if mark.fields["kind"] == "back_to_back")
    run = Played(short(step), Pulled(R, at_ns + 500 * MS, S))
    assert run.end.why == "port gone"
    assert "a back_to_back step is not played again" in run.end.detail
    assert not failed(run)


@pytest.mark.parametrize("role", DEVICES)
def test_a_fault_of_the_link_is_seen_beside_an_outage(role):
    run = Played("failsafe", Pulled(role, 30 * S, 3 * S), within_ns=10 * S, defect="failsafe-late")
    assert run.results()["failsafe_entry"][0] == "fail"


def test_a_stop_while_a_port_is_away_ends_the_run_at_once():
    class Stopped(Unplugged):
        def reopen(self, role):
            raise KeyboardInterrupt

    run = Played(short(), Pulled(R, 2 * S, 9 * S), around=Stopped)
    assert run.end.why == "interrupted"
    assert sticks(run)[-1][1].pulses_us == (1000, 1500)


def test_a_bench_that_cannot_open_a_port_again_ends_the_run():
    class Plain(Unplugged):
        reopen = None

        def __getattribute__(self, name):
            if name in ("reopen", "wait"):
                raise AttributeError(name)
            return super().__getattribute__(name)

    assert Played(short(), Pulled(R, 2 * S, S), around=Plain).end.why == "port gone"


def test_a_transmitter_that_restarted_meanwhile_gets_its_packet_rate_again():
    step = "  - cut: {duration: 700 ms, times: 2, packet_rate: 25 Hz}\n"
    run = Played(short(step), Pulled(T, 5 * S, S, restarts=True))
    assert run.end.why == "complete"
    assert unhappy(run) == {}


@pytest.mark.parametrize("restarts", [False, True], ids=["powered apart", "powered by the port"])
@pytest.mark.parametrize("role", DEVICES)
@pytest.mark.parametrize("at_ms", [11_750, 29_667])
def test_a_network_port_whose_loss_is_noticed_late_hides_what_was_lost_before(role, restarts, at_ms):
    plug = Pulled(role, at_ms * MS, 6 * S, restarts=restarts, noticed_ns=4 * S)
    run = Played("first-look", plug, within_ns=10 * S)
    assert run.end.why == "complete"
    assert unhappy(run) == {}


@pytest.mark.parametrize("role", DEVICES)
def test_a_loss_that_is_noticed_late_and_lasts_fails_nothing(role):
    run = Played(short(within=""), Pulled(role, 2 * S, 60 * S, noticed_ns=2 * S))
    assert run.end.why == "port gone"
    assert not failed(run)


@pytest.mark.parametrize("within", ["0 s", "999 ms", "601 s", "10", "soon"])
def test_a_wait_that_makes_no_sense_is_refused_with_its_place(within):
    with pytest.raises(PlanError, match=r"short:3:25: safety\.replug_within: ") as caught:
        short(within=within)
    assert any(word in str(caught.value) for word in ("from 1 s to 10 min", "unit"))


def test_the_outline_says_what_becomes_of_a_run_whose_port_goes_away():
    words = outline(build_timeline(short(), 7), dict.fromkeys(DEVICES, 115_200))
    assert "A port that goes away may come back within 10 s, with the same device on it:" in words
    assert "goes away" not in outline(build_timeline(short(within=""), 7), dict.fromkeys(DEVICES, 115_200))


def test_a_plan_that_is_written_keeps_the_wait():
    plan = short()
    text = plan_text(plan.link, [{"settle": "1 s"}], ["bench"], title="x", safety=plan.safety)
    assert parse_plan(text, "x").safety.replug_within_ns == 10 * S

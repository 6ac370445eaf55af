"""The whole judgement: plan order, totals, notes, and the same answer every time."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from imaginary import RUN_NS, RX, START_NS, TX, DeviceClock, Reset, Scenario, Silence, as_reported, plan_for
from test_judge_bench import all_rules

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.judge import guard, judge, judge_evidence
from harness.judge.rules import RULES
from harness.measure import gather
from harness.plan import model as p
from harness.recording.model import Direction, PortPackets
from harness.verdict import Verdict


def test_every_kind_of_check_has_a_rule():
    assert set(RULES) == set(p.CHECK_KINDS)


def test_results_come_in_the_plans_order_with_its_names():
    plan = plan_for(p.NoGlitch(), p.BenchHealth(), p.Fidelity())
    found = judge(plan, Scenario(plan=plan).recording())
    assert [(result.name, result.kind) for result in found.results] == [
        ("no_glitch 0", "no_glitch"), ("bench 1", "bench"), ("fidelity 2", "fidelity"),
    ]  # fmt: skip
    assert found.verdict is Verdict.PASS


def test_a_healthy_link_passes_all_checks():
    rules = [rule for rule in all_rules() if not isinstance(rule, p.FailsafeEntry)]
    cuts = [Silence(RUN_NS + 8 * S + place * S, 700 * MS) for place in range(2)]
    clocks = {TX: DeviceClock(2**32 - 105 * 1_000_000, 70), RX: DeviceClock(12, -60)}
    scenario = Scenario(plan=plan_for(*rules), seconds=11.0, silences=cuts, clocks=clocks, pins=as_reported)
    scenario.inject_often()
    found = judge(scenario.plan, scenario.recording())
    assert [
        (result.kind, result.reason) for result in found.results if result.verdict is not Verdict.PASS
    ] == []


def test_totals_count_the_run():
    found = judge(plan_for(), Scenario(copies=lambda packet: 1 + (packet.index == 99)).recording())
    assert (found.link_seconds, found.packets_sent, found.packets_applied) == (4.0, 200, 200)
    assert found.devices == {
        "transmitter": "imaginary transmitter 1.0, serial 42, 4 channels, 50 Hz",
        "receiver": "imaginary receiver 1.0, serial 42, 4 channels, 50 Hz",
    }
    assert found.notes == ()


def test_nothing_asked_is_inconclusive():
    assert judge(plan_for(), Scenario().recording()).verdict is Verdict.INCONCLUSIVE


def test_judging_twice_gives_equal_answers_to_the_bit():
    cut = Silence(RUN_NS + S, 700 * MS)
    scenario = Scenario(plan=plan_for(*all_rules()), silences=[cut], pins=as_reported)
    scenario.inject_often()
    recording = scenario.recording()
    once, again = judge(scenario.plan, recording), judge(scenario.plan, recording)
    assert repr(once) == repr(again)
    assert repr(judge_evidence(gather(scenario.plan, recording))) == repr(once)


def test_what_a_device_prints_is_escaped_and_cut_short():
    scenario = Scenario()
    scenario.say(RX, b"\x1b[31mOn\xffo" + b"!" * 90 + b"\x00", START_NS + 7 * MS)
    (note,) = judge(scenario.plan, scenario.recording()).notes
    assert note.startswith("the receiver printed 99 bytes: \\x1b[31mOn\\ufffdo!!!")
    assert note.isascii()
    assert len(note) < 170


def test_restarts_that_nobody_commanded_are_noted():
    resets = [
        Reset(TX, RUN_NS + S, commanded=False, cause=wire.StartCause.BROWN_OUT),
        Reset(RX, RUN_NS + 2 * S),
    ]
    (note,) = judge(plan_for(), Scenario(resets=resets).recording()).notes
    assert note == "the transmitter restarted by itself at 1.301 s in go (brown-out)"


def test_cuts_that_did_not_happen_and_missing_pings_are_noted():
    scenario = Scenario(silences=[Silence(RUN_NS + S, 700 * MS)], silent=False, pings=False)
    notes = judge(scenario.plan, scenario.recording()).notes
    assert "1 link cut did not happen: the transmitter kept sending" in notes
    assert sum("did not answer pings" in note for note in notes) == 2


@pytest.mark.parametrize(
    ("lower", "upper", "verdict"),
    [(99.2, 99.9, Verdict.PASS), (99.1, 99.9, Verdict.PASS), (99.05, 99.9, Verdict.INCONCLUSIVE),
     (98.0, 98.95, Verdict.INCONCLUSIVE), (98.0, 98.8, Verdict.FAIL)],
)  # fmt: skip
def test_guarded_acceptance_and_rejection(lower, upper, verdict):
    """Limit 99 with an uncertainty of 0.1 either way (JCGM 106:2012 section 8.3, cited from memory)."""
    assert guard.at_least(lower, upper, 99.0, 0.1) is verdict
    assert guard.at_most(-upper, -lower, -99.0, 0.1) is verdict


@settings(max_examples=25)
@given(st.data())
def test_no_recording_upsets_it(data):
    """Frames of a healthy run doubled, turned round and mixed with junk: an answer for every check."""
    plan = plan_for(*all_rules())
    cut = Silence(RUN_NS + 100 * MS, 700 * MS)
    scenario = Scenario(plan=plan, seconds=1.0, silences=[cut], pins=as_reported)
    recording = scenario.recording()
    for port in recording.ports.values():
        for _ in range(data.draw(st.integers(0, 12))):
            place = data.draw(st.integers(0, len(port.data) - 1))
            odd = st.one_of(st.binary(max_size=140), st.sampled_from(port.data))
            port.data[place] = data.draw(odd)
            port.direction[place] = data.draw(st.sampled_from([int(each) for each in Direction]))
    found = judge(plan, recording)
    assert len(found.results) == len(plan.checks)
    assert all(result.reason for result in found.results)


def test_ports_without_a_packet_are_judged():
    recording = Scenario(plan=plan_for(*all_rules())).recording()
    for role in (TX, RX):
        recording.ports[role] = PortPackets([], [], [])
    assert judge(plan_for(*all_rules()), recording).verdict is Verdict.ERROR

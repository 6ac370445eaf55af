"""What was done on purpose excuses old sticks, and for no longer than the plan allows."""

import pytest
from scenario import RUN_NS, RX, Reset, Scenario, Silence, plan_for

from harness.clock import MS, S
from harness.measure import gather
from harness.measure.age import age_pieces
from harness.measure.excuses import excused_spans, waits_before
from harness.plan import model as p


def evidence_of(scenario):
    return gather(scenario.plan, scenario.recording())


def test_excuses_end_when_the_link_should_be_back():
    """0.2 s of `recover_within` and 0.1 s of `lost_after` behind the end of a cut."""
    cut = Silence(RUN_NS + S, 900 * MS)
    scenario = Scenario(silences=[cut], lost=lambda packet: packet.at_ns > cut.at_ns)
    evidence = evidence_of(scenario)
    assert excused_spans(evidence).tolist() == [[cut.at_ns, cut.end_ns + 300 * MS + evidence.slack_ns]]
    pieces = age_pieces(evidence)
    assert pieces.total_ns == pytest.approx(4 * S - 1.205 * S, abs=MS)
    assert pieces.low_ns[pieces.start_ns > cut.end_ns].min() > S


def test_a_cut_is_excused_to_the_first_packet_applied_after_it():
    cut = Silence(RUN_NS + S, 900 * MS)
    (span,) = excused_spans(evidence_of(Scenario(silences=[cut]))).tolist()
    assert span[0] == cut.at_ns
    assert cut.end_ns < span[1] < cut.end_ns + 25 * MS


def test_a_commanded_restart_is_excused_and_one_of_the_devices_own_is_not():
    for commanded in (True, False):
        reset = Reset(RX, RUN_NS + S, commanded=commanded)
        assert len(excused_spans(evidence_of(Scenario(resets=[reset])))) == commanded


@pytest.mark.parametrize(("back_ms", "ends_ms"), [(0, 2), (150, 162), (5_000, 300)])
def test_what_follows_a_step_that_loses_on_purpose_is_excused_for_a_while(back_ms, ends_ms):
    """Packets are sampled every 20 ms and applied 2 ms later; the step ends where one is sampled."""
    ends = RUN_NS + 2 * S
    scenario = Scenario(lost=lambda packet: ends - S < packet.at_ns < ends + back_ms * MS)
    steps = [p.PlanStep(p.Overload(), "push", "steps[0]"), p.PlanStep(p.Hold(for_ns=S), "fly", "steps[1]")]
    scenario.plan = plan_for(steps=steps)
    for place, start, stop in ((0, RUN_NS, ends), (1, ends, scenario.end_ns)):
        scenario.mark(start, "step", path=f"steps[{place}]", kind="", name="", title="")
        scenario.mark(stop, "step end", path=f"steps[{place}]")
    (span,) = excused_spans(evidence_of(scenario)).tolist()
    assert span[0] == ends
    assert span[1] - ends == pytest.approx(ends_ms * MS, abs=21 * MS)


@pytest.mark.parametrize(("up_ms", "wanted"), [(-500, None), (300, 300), (2_500, 1_000)])
def test_a_wait_for_the_link_counts_until_it_came_up(up_ms, wanted):
    """The wait is the first second of the run."""
    scenario = Scenario(lost=lambda packet: packet.at_ns < RUN_NS + up_ms * MS)
    scenario.plan = plan_for(steps=[p.PlanStep(p.Wait(until="linked"), "wait", "steps[0]")])
    scenario.mark(RUN_NS, "step", path="steps[0]", kind="", name="", title="")
    scenario.mark(RUN_NS + S, "step end", path="steps[0]")
    evidence = evidence_of(scenario)
    found = waits_before(evidence, evidence.applied.at_ns)
    lengths = (found[:, 1] - found[:, 0]) / MS
    assert lengths.tolist() == ([] if wanted is None else [pytest.approx(wanted, abs=22)])
    assert len(waits_before(evidence, evidence.applied.at_ns[:0])) == 0

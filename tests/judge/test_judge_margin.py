"""Verdicts on the link's margin: a deaf link fails, a good one passes, and a level without effect says so."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from functools import cache

import imaginary  # noqa: F401 - finds the imaginary link
import pytest
from weakened import RX, STEP, TX, Weakened, edge, falling

from harness.clock import S
from harness.codec import messages as wire
from harness.judge import judge
from harness.plan import model as p
from harness.stats import curve
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
RULE = p.LinkMargin(at_least_x10=100, delivery=Fraction(90, 100), level_error_x10=0)


@cache
def played(**fields):
    """Return the plan and the recording of a run, made once for all tests that ask for it."""
    scenario = Weakened(**fields)
    return scenario.plan, scenario.recording()


def judged(rule=RULE, scenario=None, told=None, **fields):
    """Judge a scenario, or the run with these fields; `told` is the step that its plan names instead."""
    plan, recording = (scenario.plan, scenario.recording()) if scenario else played(**fields)
    if told:
        plan = replace(plan, steps=(replace(plan.steps[0], action=told),))
    return verdict(rule, plan, recording)


def verdict(rule, plan, recording):
    plan = replace(plan, checks=(p.PlanCheck(rule, "link_margin", "checks[0]"),))
    return judge(plan, recording).results[0]


FEW = edge(-130)
"""Losses that go from none at -10 dBm to all at -16 dBm: about a tenth is lost 11 dB under normal."""


def test_a_link_with_margin_passes():
    found = judged(losing=FEW)
    assert found.verdict is PASS
    assert 10 < found.interval[0] < found.value < found.interval[1] < 12
    assert found.reason.startswith(f"margin {found.value:.1f} dB (")
    assert found.reason.endswith("at 90 % delivery, 10 dB wanted")
    assert (found.unit, found.limit, found.side, found.sample_unit) == ("dB", 10, "at least", "packets")
    assert found.counts["levels"] == 11
    assert found.samples == 1100


def limits(found):
    return [round(value, 1) for value in (found.interval[0], found.interval[1])]


def test_verdicts_are_guarded_on_both_sides_of_the_limit():
    """A limit a tenth of a dB inside the interval's ends is open; as far outside it is passed or failed."""
    low, high = limits(judged(losing=FEW))
    for limit, verdict in ((low - 0.1, PASS), (low + 0.1, OPEN), (high - 0.1, OPEN), (high + 0.1, FAIL)):
        rule = replace(RULE, at_least_x10=round(10 * limit))
        assert judged(rule, losing=FEW).verdict is verdict


def test_levels_that_may_be_off_widen_the_guard():
    low, high = limits(judged(losing=FEW))
    for limit, verdict in ((low - 1.1, PASS), (low - 0.9, OPEN), (high + 0.9, OPEN), (high + 1.1, FAIL)):
        rule = replace(RULE, at_least_x10=round(10 * limit), level_error_x10=10)
        found = judged(rule, losing=FEW)
        assert found.verdict is verdict
        assert found.uncertainty == 1


def test_levels_that_may_be_off_are_named_where_they_decide():
    """A limit just under the interval passes but for the levels' error: more packets would not help."""
    low, _ = limits(judged(losing=FEW))
    rule = replace(RULE, at_least_x10=round(10 * (low - 0.3)), level_error_x10=10)
    found = judged(rule, losing=FEW)
    assert (found.verdict, found.needed) == (OPEN, None)
    assert "levels may be 1 dB off" in found.reason
    assert "calibrate the levels" in found.advice[0]
    assert not any("raise `packets`" in line for line in found.advice)
    assert "levels may be" not in judged(RULE, losing=FEW).reason


def test_an_open_one_says_how_many_packets_would_settle_it():
    low, high = limits(judged(losing=FEW))
    found = judged(replace(RULE, at_least_x10=round(10 * (low + (high - low) / 4))), losing=FEW)
    assert found.verdict is OPEN
    assert found.needed > 0
    assert "raise `packets`" in found.advice[0]


def test_a_link_that_never_fails_has_at_least_so_much_margin():
    found = judged(signal=falling)
    assert found.verdict is PASS
    assert found.value is None
    assert found.interval[1] is None
    assert 19 < found.interval[0] < 22
    assert "(measured down to -20 dBm)" in found.reason
    more = judged(replace(RULE, at_least_x10=250), signal=falling)
    assert more.verdict is OPEN
    assert "let `to` go on" in more.advice[0]


def test_a_power_setting_without_effect_is_no_margin():
    found = judged(signal=lambda level: -60)
    assert found.verdict is OPEN
    assert found.reason == (
        "the transmit power was lowered by 20 dB, and the receiver's reported signal did not follow: the "
        "setting had no effect"
    )
    assert "see that the firmware hands the power setting on" in found.advice[0]


def test_without_losses_and_signal_nobody_can_tell():
    found = judged()
    assert found.verdict is OPEN
    assert found.reason.startswith("nothing shows that the levels had any effect: no losses over 20 dB")


def test_losses_that_no_level_changes_are_no_margin():
    """5 of 100 lost everywhere: enough to pass at any level, and nothing that the level did."""
    assert judged(losing=lambda level: 5).verdict is OPEN


def test_too_few_packets_in_normal_use_fail():
    found = judged(losing=lambda level: 50)
    assert found.verdict is FAIL
    assert found.reason.endswith("already in normal use too few packets come through")
    assert found.interval[0] is None
    dead = judged(levels=(0,), losing=lambda level: 100)
    assert dead.verdict is FAIL


def test_a_fixed_attenuator_is_added():
    plain, added = (judged(losing=FEW, told=replace(STEP, in_line_x10=each)) for each in (0, 200))
    assert added.value == pytest.approx(plain.value + 20, abs=1e-6)
    assert added.interval == pytest.approx([end + 20 for end in plain.interval], abs=1e-6)


def test_the_margin_counts_from_the_normal_level():
    found = judged(losing=FEW, told=replace(STEP, normal_x10=-20))
    assert found.value == pytest.approx(judged(losing=FEW).value - 2, abs=1e-6)


def test_an_attenuator_counts_the_other_way():
    step = p.Margin(by="hand", from_x10=0, to_x10=200)
    by_hand = judged(step=step, levels=range(0, 201, 20), losing=lambda level: FEW(-level))
    assert by_hand.value == pytest.approx(judged(losing=FEW).value, abs=1e-6)
    assert "attempts lost" in by_hand.examples[0]


def test_losses_in_one_row_widen_the_interval():
    even, bunched = (judged(losing=FEW, bunched=each) for each in (False, True))
    assert bunched.interval[1] - bunched.interval[0] > 1.5 * (even.interval[1] - even.interval[0])


def gaps(role, kind, each):
    """Drop every so manieth frame of a kind on its way to the PC."""
    seen = [0]

    def drop(frame_role, _place, message):
        seen[0] += frame_role == role and isinstance(message, kind)
        return frame_role == role and isinstance(message, kind) and seen[0] % each == 0

    return drop


@pytest.mark.parametrize("losing", [FEW, edge(-80), edge(-110)], ids=["good", "poor", "near"])
@pytest.mark.parametrize(("role", "kind"), [(RX, wire.Applied), (TX, wire.Sent)])
def test_lost_serial_messages_prevent_a_pass_and_never_make_a_fail(role, kind, losing):
    # half a dB: without the packets that are missing, the others may scatter less
    whole, holed = judged(losing=losing), judged(losing=losing, drop=gaps(role, kind, 20))
    low, high = (-1e9 if end is None else end for end in (holed.interval[0], whole.interval[0]))
    assert low <= high + 0.5
    assert holed.interval[1] is None or holed.interval[1] >= whole.interval[1] - 0.5
    assert (whole.verdict, holed.verdict) in {
        (PASS, PASS),
        (PASS, OPEN),
        (OPEN, OPEN),
        (FAIL, OPEN),
        (FAIL, FAIL),
    }


def test_a_level_with_a_restart_in_it_is_left_out():
    scenario = Weakened(losing=FEW)
    at_ns = scenario.marks[1].at_ns + S
    scenario.say(TX, wire.Started(0, 0), at_ns)
    found = judged(scenario=scenario)
    assert found.counts["levels disturbed"] == 1
    assert found.counts["levels"] == 10


def test_refused_levels_are_counted():
    assert judged(losing=FEW, refused=(-30, -50)).counts["levels refused"] == 2


def test_a_run_that_ended_before_the_first_level_is_inconclusive():
    scenario = Weakened(levels=())
    found = judged(scenario=scenario)
    assert found.verdict is OPEN
    assert found.reason.startswith("no level was measured")


@pytest.mark.parametrize(
    "fields",
    [
        {"level_x10": "0"},
        {"level_x10": 10**9},
        {"settle_ns": -1},
        {"settle_ns": 2**70},
        {"settle_ns": True},
        {"path": ["steps[0]"]},
        {"path": "steps[7]"},
    ],
)
def test_odd_marks_are_passed_over(fields):
    plan, recording = played(losing=FEW)
    marks = list(recording.marks)
    for place in [place for place, mark in enumerate(marks) if mark.kind == "level"][:2]:
        marks[place] = replace(marks[place], fields={**marks[place].fields, **fields})
    found = verdict(RULE, plan, replace(recording, marks=tuple(marks)))
    assert found.verdict in (PASS, OPEN)
    assert found.counts["levels"] == 9


def test_steps_that_cannot_be_one_measurement_are_inconclusive():
    plan, recording = played(losing=FEW)
    other = p.PlanStep(replace(STEP, normal_x10=-40), "other", "steps[1]")
    plan = replace(plan, steps=(*plan.steps, other))
    found = verdict(RULE, plan, recording)
    assert found.verdict is OPEN
    assert "differ in `by`, `normal` or `in_line`" in found.reason
    assert verdict(replace(RULE, during=("margin",)), plan, recording).verdict is PASS


def test_the_same_recording_gives_the_same_verdict_to_the_bit():
    first = judged(losing=FEW)
    curve.keep_none()
    assert judged(losing=FEW) == first


def test_packets_lost_on_purpose_are_no_part_of_other_checks():
    """Nothing but the margin step was played: a check of the rest of the run has no packets to look at."""
    found = judged(p.Delivery(at_least=Fraction(90, 100)), losing=FEW)
    assert (found.verdict, found.samples) == (OPEN, 0)
    assert judged(p.Delivery(at_least=Fraction(90, 100), during=("margin",)), losing=FEW).verdict is FAIL

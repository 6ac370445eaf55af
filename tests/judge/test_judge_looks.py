"""The harness judges an extended run with the confidence that its look has to show, from the file alone."""

from dataclasses import replace
from fractions import Fraction

import pytest
from imaginary import RUN_NS, Scenario, Silence, as_reported, plan_for
from test_judge_bench import all_rules

from harness.clock import MS
from harness.judge import judge
from harness.judge.looks import look_taken, tightened
from harness.looks import looks_of
from harness.measure import gather
from harness.plan import model as p

RULE = p.Delivery(at_least=Fraction(95, 100))
PLAN = replace(plan_for(RULE, p.Duplicates()), extend=p.Extend())
LOOKS = looks_of(PLAN)


def taken(*numbers, plan=PLAN, **changed):
    scenario = Scenario(plan=plan)
    for place, number in enumerate(numbers):
        scenario.mark(RUN_NS + place, "look", number=number)
    recording = replace(scenario.recording(), **changed)
    return look_taken(gather(plan, recording))


def test_last_look_that_was_begun_counts():
    assert taken(1) == LOOKS[0]
    assert taken(1, 2, 3) == LOOKS[2]


def test_plan_without_extend_has_no_looks_whatever_the_marks_say():
    assert taken(1, 2, plan=replace(PLAN, extend=None)) is None


@pytest.mark.parametrize("odd", [0, 5, -1, 10**30, "2", True, None, [1], 1.5])
def test_odd_marks_count_for_nothing(odd):
    assert taken(1, odd) == LOOKS[0]


def test_whole_recording_without_a_mark_was_looked_at_once():
    assert taken() == LOOKS[0]


def test_without_a_sound_mark_the_smallest_share_is_taken():
    assert taken("x") == LOOKS[-1]
    assert taken(complete=False) == LOOKS[-1]


def test_damaged_recording_may_have_lost_marks():
    assert taken(1, damaged=True) == LOOKS[-1]


def test_only_rules_with_a_confidence_are_tightened():
    assert tightened(RULE, LOOKS[0]).confidence == Fraction(975, 1000)
    assert tightened(p.Duplicates(), LOOKS[0]) == p.Duplicates()
    assert tightened(RULE, None) == RULE
    assert tightened(p.LossPattern(), LOOKS[0]).false_alarm == p.LossPattern().false_alarm / 2


def lossless(count, look):
    """What a check says of `count` packets that all came, at a look."""
    scenario = Scenario(plan=PLAN, seconds=count / 50)
    if look:
        scenario.mark(RUN_NS, "look", number=look)
    return judge(PLAN if look else replace(PLAN, extend=None), scenario.recording()).results


def test_a_later_look_must_show_more():
    once, first, second = (lossless(1000, look)[0] for look in (0, 1, 2))
    assert [one.confidence for one in (once, first, second)] == pytest.approx([0.95, 0.975, 1 - 0.05 / 6])
    assert once.interval[0] > first.interval[0] > second.interval[0]
    assert "look 2 of 4: judged with 99.167 % confidence" in second.reason
    assert "look" not in once.reason


def test_a_check_without_a_confidence_says_nothing_of_looks():
    plain, looked = (lossless(1000, look)[1] for look in (0, 2))
    assert plain == looked


def test_every_check_that_lacks_samples_says_how_many_it_needs():
    # A fifth of a second of link time, one cut and one injected set: too little for most checks.
    plan = plan_for(*all_rules())
    cut = Silence(RUN_NS + 200 * MS, 700 * MS)
    scenario = Scenario(plan=plan, seconds=1.1, silences=[cut], pins=as_reported)
    scenario.inject((1, 2, 3), RUN_NS + 20 * MS)
    found = judge(plan, scenario.recording()).results
    lacking = [one for one in found if one.verdict == "inconclusive"]
    assert len(lacking) > 7
    assert [one.kind for one in lacking if not one.needed] == []

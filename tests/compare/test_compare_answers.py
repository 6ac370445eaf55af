"""Every difference has exactly one answer, and the answers keep their order."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.compare.answers import (
    Answer,
    compare_faults,
    compare_figure,
    count_answer,
    decide,
    overall,
    runs_needed,
)
from harness.compare.figures import BY_KEY, Fault
from harness.compare.samples import Mean, Share, Shift

NUMBERS = st.floats(-100, 100)


def shares(lost, packets=5000, *, together=False):
    bad = np.zeros(packets, dtype=np.bool_)
    places = np.arange(lost) + 100 if together else np.arange(lost) * (packets // max(1, lost))
    bad[places] = True
    return Share(bad, np.zeros(packets, dtype=np.bool_))


def delivery(base, candidate, **more):
    return compare_figure(BY_KEY["delivery"], [base], [candidate], more.get("margin", 1.0), 0.95, 14)


@given(NUMBERS, NUMBERS, NUMBERS, st.floats(0, 50))
def test_a_larger_worsening_never_gets_a_better_answer(one, other, most, margin):
    low, high = sorted((one, other))
    ranks = list(Answer)
    for more in (0.5, 3.0, 40.0):
        before = decide((low, high), max(low, min(most, high)), margin)
        after = decide((low + more, high + more), max(low, min(most, high)) + more, margin)
        assert ranks.index(after) >= ranks.index(before) or (before, after) == (Answer.WORSE, Answer.WORSE)


@pytest.mark.parametrize(
    ("worsening", "most", "answer"),
    [
        ((-3.0, -1.0), -1.5, "better"),
        ((-3.0, 1.0), 0.5, "no worse"),
        ((-3.0, 4.0), 1.9, "no worse"),
        ((0.5, 1.5), 1.4, "no worse"),  # surely worse, and surely inside the margin
        ((0.5, 2.5), 2.1, "worse"),
        ((2.5, 4.0), 3.9, "worse"),
        ((-1.0, 4.0), 3.0, "cannot tell"),
        ((-math.inf, math.inf), math.inf, "cannot tell"),
        ((0.0, 4.0), 3.0, "cannot tell"),
    ],
)
def test_answers_follow_their_definition_with_a_margin_of_2(worsening, most, answer):
    assert decide(worsening, most, 2.0) == answer


def test_all_is_as_bad_as_its_worst_part():
    assert overall([Answer.BETTER, Answer.NO_WORSE]) is Answer.BETTER
    assert overall([Answer.BETTER, Answer.CANNOT_TELL]) is Answer.CANNOT_TELL
    assert overall([Answer.WORSE, Answer.CANNOT_TELL, Answer.BETTER]) is Answer.WORSE
    assert overall([]) is Answer.CANNOT_TELL


def test_losses_far_beyond_the_margin_are_worse_and_the_other_way_round_better():
    worse, better = delivery(shares(15), shares(250)), delivery(shares(250), shares(15))
    assert (worse.answer, worse.beyond) == (Answer.WORSE, True)
    assert better.answer is Answer.BETTER
    assert worse.interval == pytest.approx([-end for end in reversed(better.interval)])


def test_a_sure_worsening_inside_the_margin_is_no_worse_and_told_as_slight():
    found = delivery(shares(20, 50_000), shares(150, 50_000))
    assert found.answer is Answer.NO_WORSE
    assert found.slight
    assert delivery(shares(20, 50_000), shares(150, 50_000), margin=0.2).answer is Answer.WORSE


def test_as_many_losses_in_one_burst_tell_less_than_single_ones():
    single, burst = delivery(shares(15), shares(250)), delivery(shares(15), shares(250, together=True))
    assert burst.interval[0] < single.interval[0]
    assert burst.answer is Answer.CANNOT_TELL


def test_bounds_of_clocks_widen_both_ends_and_no_number_of_runs_helps():
    base, same = (Shift(np.linspace(10, 11, 300), 1.5) for _ in range(2))
    found = compare_figure(BY_KEY["latency_p50"], [base], [same], 2.0, 0.95, 14)
    assert found.bounds == 3.0
    assert found.answer is Answer.CANNOT_TELL
    assert found.more_runs is None
    assert compare_figure(BY_KEY["latency_p50"], [base], [same], 4.8, 0.95, 14).answer is Answer.NO_WORSE


def test_trouble_on_the_bench_lets_nothing_be_claimed():
    found = compare_figure(BY_KEY["delivery"], [shares(15)], [shares(250)], 1.0, 0.95, 14, "lost messages")
    assert found.answer is Answer.CANNOT_TELL


def test_a_figure_that_never_varies_is_no_worse():
    once = Mean(np.ones(50), 5000)
    assert compare_figure(BY_KEY["attempts"], [once], [once], 0.1, 0.95, 14).answer is Answer.NO_WORSE


def test_runs_needed_grow_with_the_square_of_what_is_too_wide():
    assert runs_needed(2.0, 1.0, 1) == 4
    assert runs_needed(1.1, 1.0, 3) == 4
    assert runs_needed(1.0, 0.0, 1) is None
    assert runs_needed(math.inf, 1.0, 1) is None


@pytest.mark.parametrize(
    ("base", "candidate", "answer"),
    [
        ((0, 5000), (0, 5000), "no worse"),
        ((0, 5000), (1, 5000), "worse"),  # sound links have none: one is one too many
        ((3, 5000), (0, 5000), "no worse"),
        ((30, 5000), (0, 5000), "better"),
        ((3, 5000), (4, 5000), "cannot tell"),
        ((3, 5000), (40, 5000), "worse"),
        ((3, 5000), (12, 20_000), "cannot tell"),  # as often
    ],
)
def test_faults_are_worse_if_new_and_else_if_more_than_chance_explains(base, candidate, answer):
    assert count_answer(base, candidate, 0.002) == answer


def test_only_faults_that_every_run_could_show_are_compared():
    shown = {"fidelity": Fault("fidelity", "wrong outputs", 2, 100)}
    assert [one.fault.key for one in compare_faults([shown], [shown], 0.01, "")] == ["fidelity"]
    assert compare_faults([shown, {}], [shown], 0.01, "") == ()


def test_no_fault_among_far_fewer_chances_proves_nothing():
    def of(chances):
        return {"fidelity": Fault("fidelity", "wrong outputs", 0, chances)}

    answers = [
        compare_faults([of(1000)] * base, [of(chances)] * candidate, 0.01, "")[0].answer
        for base, candidate, chances in ((1, 1, 900), (5, 1, 900), (1, 1, 12), (5, 2, 12))
    ]
    assert answers == [Answer.NO_WORSE, Answer.NO_WORSE, Answer.CANNOT_TELL, Answer.CANNOT_TELL]

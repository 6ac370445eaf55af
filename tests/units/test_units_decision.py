"""The harness accepts a lot only as its sampling plan says, and tells what that shows."""

import argparse

import pytest
from unit_samples import document, kept, latency

from harness.errors import UserError
from harness.stats.sampling import SamplingPlan
from harness.units.decision import Asked, decide
from harness.units.lots import make_lot
from harness.units.words import both, read_lot, read_sampling
from harness.verdict import Verdict

NAMES = {"P": "pass", "F": "fail", "?": "inconclusive", "E": "error"}


def decided(units, asked=None):
    """Decide on a lot of units: passed, failed, ? inconclusive, E error on the bench."""
    runs = [document(f"unit {n}", latency(1), verdict=NAMES[one]) for n, one in enumerate(units)]
    return decide(make_lot(kept(*runs)), asked or Asked())


@pytest.mark.parametrize(
    ("units", "acceptance", "verdict"),
    [
        ("PPPPPPPP", 0, Verdict.PASS),
        ("PPPPPPPF", 0, Verdict.FAIL),
        ("PPPPPPPF", 1, Verdict.PASS),
        ("PPPPPPFF", 1, Verdict.FAIL),
        ("PPPPPPP?", 0, Verdict.INCONCLUSIVE),
        ("PPPPPPPE", 0, Verdict.INCONCLUSIVE),
        ("PPPPPPP?", 1, Verdict.PASS),
        ("PPPPPPF?", 1, Verdict.INCONCLUSIVE),
        ("PPPPPFF?", 1, Verdict.FAIL),
    ],
)
def test_units_that_are_unclear_count_neither_way(units, acceptance, verdict):
    assert decided(units, Asked(acceptance=acceptance)).verdict is verdict


def test_units_not_tested_yet_count_neither_way():
    asked = Asked(sample=10, acceptance=1)
    assert decided("PPPPPPPP", asked).verdict is Verdict.INCONCLUSIVE
    assert decided("PPPPPPPPP", asked).verdict is Verdict.PASS
    assert decided("PPPPPPFF", asked).verdict is Verdict.FAIL
    assert decided("PPPPPPPP", asked).missing == 2


def test_without_a_plan_none_may_fail_and_all_tested_count():
    found = decided("PPPPPPPP")
    assert found.plan == SamplingPlan(8, 0)
    assert found.curve.let_through == pytest.approx(0.2501, abs=1e-4)
    assert found.bad_at_most == pytest.approx(1 - 0.05 ** (1 / 8))


def test_a_limit_gives_the_largest_acceptance_number_that_keeps_it():
    asked = Asked(size=200, limit=0.3)
    found = decided("PPPPPPPPPPPPF", asked)
    assert found.plan == SamplingPlan(13, 1, 200)
    assert found.plan.accepts(0.3) <= 0.1 < SamplingPlan(13, 2, 200).accepts(0.3)
    assert found.verdict is Verdict.PASS


def test_too_few_units_for_a_limit_cannot_tell_and_say_how_many_would_do():
    found = decided("PPPPPPPP", Asked(limit=0.1))
    assert (found.verdict, found.plan) == (Verdict.INCONCLUSIVE, None)
    assert [(plan.sample, plan.acceptance) for plan in found.wanted] == [(22, 0), (38, 1), (52, 2)]


def test_both_risks_give_the_smallest_plan():
    found = decided("PPPPPPPP", Asked(limit=0.2, aql=0.02))
    assert found.wanted == (SamplingPlan(18, 1),)


def test_a_lot_that_was_tested_whole_leaves_nothing_open():
    found = decided("PPPPPPPP", Asked(size=8))
    assert found.bad_at_most == 0
    assert found.curve.let_through == 1 / 8


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (Asked(size=5), "size=5 is less than the 8 units tested"),
        (Asked(sample=5, acceptance=0), "n=5, but 8 units were tested"),
        (Asked(sample=30, acceptance=0, size=20), "n=30 is more than the lot has"),
        (Asked(acceptance=8), "c=8 of n=8 accepts every lot"),
    ],
)
def test_what_does_not_fit_the_units_tested_is_refused(asked, words):
    with pytest.raises(UserError, match=words):
        decided("PPPPPPPP", asked)


def test_the_words_of_the_trade_are_read():
    asked = both(
        read_lot("size=200, limit=10%, aql=1 %, consumer=5%, producer=10 %"), read_sampling("n=80,c=2")
    )
    assert asked == Asked(200, 0.1, 0.01, 0.05, 0.1, 80, 2)
    assert both(None, None) == Asked()
    assert both(None, read_sampling("c=1")) == Asked(acceptance=1)


@pytest.mark.parametrize(
    ("read", "words", "told"),
    [
        (read_lot, "siez=200", "did you mean size"),
        (read_lot, "", "write size=200,limit=10%"),
        (read_lot, "limit=10", "limit: '10' has no unit"),
        (read_lot, "limit=100%", "between 0 % and 100 %"),
        (read_lot, "size=many", "not a whole number from 1"),
        (read_lot, "size=2,size=3", "stands there twice"),
        (read_lot, "aql=1%", "aql goes with limit"),
        (read_lot, "aql=20%,limit=10%", "must be less than limit"),
        (read_sampling, "n=8", "c, the acceptance number, is missing"),
        (read_sampling, "n=8;c=0", "not a whole number"),
        (read_sampling, "level II", "is not understood"),
    ],
)
def test_nonsense_is_refused_in_words_that_mend_it(read, words, told):
    with pytest.raises(argparse.ArgumentTypeError, match=told):
        read(words)

"""Sampling plans: SciPy's distributions, the handbook's example, success runs, Wilks's numbers."""

import math
from fractions import Fraction

import pytest
from scipy import stats

from harness.stats import sampling as s


def test_the_characteristic_of_the_handbooks_plan_is_the_binomial_sum():
    """NIST/SEMATECH e-Handbook 6.2.3.2, n = 52 and c = 3: the printed curve is from memory."""
    plan = s.SamplingPlan(52, 3)
    curve = [plan.accepts(bad / 100) for bad in range(1, 13)]
    assert curve == pytest.approx([stats.binom.cdf(3, 52, bad / 100) for bad in range(1, 13)], rel=1e-9)
    printed = [0.998, 0.980, 0.930, 0.845, 0.739, 0.620, 0.502, 0.394, 0.300, 0.223, 0.162, 0.115]
    assert curve == pytest.approx(printed, abs=1.1e-3)


@pytest.mark.parametrize(
    ("lot", "sample", "acceptance"), [(20, 8, 0), (50, 13, 1), (200, 32, 2), (1000, 80, 5)]
)
def test_the_characteristic_of_a_lot_is_hypergeometric(lot, sample, acceptance):
    plan = s.SamplingPlan(sample, acceptance, lot)
    for bad in range(0, lot + 1, max(1, lot // 20)):
        exact = stats.hypergeom.cdf(acceptance, lot, bad, sample)
        assert plan.accepts_bad(bad) == pytest.approx(exact, rel=1e-8, abs=1e-12)


def test_the_hypergeometric_sum_is_exact():
    """By whole numbers: 13 of 50 with 4 bad ones, at most 1 found."""
    ways = Fraction(math.comb(46, 13) + 4 * math.comb(46, 12), math.comb(50, 13))
    assert s.SamplingPlan(13, 1, 50).accepts_bad(4) == pytest.approx(float(ways), rel=1e-12)


def test_a_large_lot_is_like_an_endless_one():
    endless, large = s.SamplingPlan(20, 1), s.SamplingPlan(20, 1, 100_000)
    assert large.accepts(0.1) == pytest.approx(endless.accepts(0.1), abs=1e-4)


@pytest.mark.parametrize(
    ("reliability", "confidence", "trials"),
    [
        (0.9, 0.9, 22), (0.95, 0.9, 45), (0.99, 0.9, 230), (0.9, 0.95, 29), (0.95, 0.95, 59),
        (0.99, 0.95, 299), (0.9999, 0.95, 29956), (0.99, 0.99, 459), (0.999, 0.99, 4603), (0.999, 0.95, 2995),
    ],
)  # fmt: skip
def test_a_plan_without_bad_units_is_a_success_run(reliability, confidence, trials):
    """ceil(ln(1 - C) / ln(R)), recomputed; the last one was read in a statistics library's manual."""
    assert s.least_sample(0, 1 - reliability, 1 - confidence) == trials


@pytest.mark.parametrize(
    ("share", "samples"), [(0.05, [59, 93, 124, 153, 181, 208]), (0.01, [299, 473, 628, 773, 913, 1049])]
)
def test_plans_with_bad_units_follow_wilks(share, samples):
    """Wilks 1941, one-sided orders 1 to 6 at 95 %: citation from memory, numbers recomputed."""
    assert [s.least_sample(c, share, 0.05) for c in range(6)] == samples
    for acceptance, sample in enumerate(samples):
        assert (
            stats.binom.cdf(acceptance, sample, share)
            <= 0.05
            < stats.binom.cdf(acceptance, sample - 1, share)
        )


def test_eight_good_units_let_a_quarter_through():
    """1 - 0.1^(1/8) = 0.2501."""
    plan = s.SamplingPlan(8, 0)
    assert plan.share_accepted(0.1) == pytest.approx(1 - 0.1 ** (1 / 8))
    assert plan.share_kept(0.95) == pytest.approx(1 - 0.95 ** (1 / 8))


@pytest.mark.parametrize("plan", [s.SamplingPlan(13, 1), s.SamplingPlan(32, 3), s.SamplingPlan(80, 0)])
def test_both_points_lie_on_the_curve(plan):
    assert plan.accepts(plan.share_accepted(0.1)) == pytest.approx(0.1)
    assert plan.accepts(plan.share_kept(0.95)) == pytest.approx(0.95)


@pytest.mark.parametrize(
    "plan", [s.SamplingPlan(8, 0, 40), s.SamplingPlan(13, 2, 150), s.SamplingPlan(7, 0, 8)]
)
def test_both_points_of_a_lot_are_the_last_that_hold(plan):
    let_through, kept = round(plan.share_accepted(0.1) * plan.lot), round(plan.share_kept(0.95) * plan.lot)
    assert plan.accepts_bad(let_through) <= 0.1 < plan.accepts_bad(let_through - 1)
    assert plan.accepts_bad(kept) >= 0.95 > plan.accepts_bad(kept + 1)


@pytest.mark.parametrize("lot", [None, 60, 400])
@pytest.mark.parametrize(("good", "bad"), [(0.01, 0.10), (0.02, 0.2), (0.05, 0.25)])
def test_the_smallest_plan_keeps_both_risks_and_a_smaller_one_does_not(lot, good, bad):
    plan = s.smallest_plan(good, 0.05, bad, 0.10, lot)
    worst = bad if lot is None else math.ceil(bad * lot) / lot
    best = good if lot is None else math.floor(good * lot) / lot
    assert plan.accepts(worst) <= 0.10
    assert plan.accepts(best) >= 0.95
    for sample in range(plan.sample):
        for acceptance in range(min(sample, plan.acceptance + 2)):
            less = s.SamplingPlan(sample, acceptance, lot)
            assert less.accepts(worst) > 0.10 or less.accepts(best) < 0.95


def test_no_sample_of_a_lot_shows_what_one_unit_decides():
    """With 1 % of 40 units allowed to be bad, none is; one bad unit hides among two untested in 2 of 40."""
    assert s.least_sample(0, 0.01, 0.05, 40) == 38
    assert s.least_sample(0, 0.01, 0.049, 40) == 39
    assert s.least_sample(1, 0.01, 0.05, 40) is None


def test_the_largest_acceptance_number_keeps_the_limit():
    assert s.largest_acceptance(21, 0.1, 0.1) is None
    assert s.largest_acceptance(22, 0.1, 0.1) == 0
    assert s.largest_acceptance(38, 0.1, 0.1) == 1


def test_what_a_test_leaves_open_is_clopper_and_pearsons():
    """1 - 0.05^(1/8) for none of 8; for 2 of 8 the beta quantile."""
    assert s.bad_at_most(0, 8, 0.95) == pytest.approx(1 - 0.05 ** (1 / 8))
    assert s.bad_at_most(2, 8, 0.95) == pytest.approx(stats.beta.ppf(0.95, 3, 6))
    assert s.bad_at_most(0, 8, 0.95, 8) == 0
    left = round(200 * s.bad_at_most(2, 8, 0.95, 200))
    assert stats.hypergeom.cdf(2, 200, left, 8) >= 0.05 > stats.hypergeom.cdf(2, 200, left + 1, 8)


def test_a_probability_that_equals_the_risk_keeps_it():
    for lot in range(2, 60):  # of a lot with one bad unit, all but one tested: it is missed in 1 of `lot`
        plan, risk = s.SamplingPlan(lot - 1, 0, lot), 1 / lot
        assert plan.share_accepted(risk) == pytest.approx(1 / lot)
        assert s.least_sample(0, 1 / lot, risk, lot) == lot - 1
        assert s.largest_acceptance(lot - 1, 1 / lot, risk, lot) == 0
        assert s.SamplingPlan(1, 0, lot).share_kept(1 - risk) == pytest.approx(1 / lot)
        assert s.bad_at_most(0, lot - 1, 1 - risk, lot) == pytest.approx(1 / lot)

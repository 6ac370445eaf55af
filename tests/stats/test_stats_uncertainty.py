"""Uncertainty budgets: standard, combined and expanded uncertainties against published values."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from harness.stats.uncertainty import (
    Budget,
    Component,
    coverage_factor,
    normal,
    rectangular,
    resolution,
    welch_satterthwaite,
)

PERCENT = (0.6826894921, 0.90, 0.95, 0.9544997361, 0.99, 0.9973002039)
T_TABLE = {
    1: (1.84, 6.31, 12.71, 13.97, 63.66, 235.8), 2: (1.32, 2.92, 4.30, 4.53, 9.92, 19.21),
    3: (1.20, 2.35, 3.18, 3.31, 5.84, 9.22), 4: (1.14, 2.13, 2.78, 2.87, 4.60, 6.62),
    5: (1.11, 2.02, 2.57, 2.65, 4.03, 5.51), 6: (1.09, 1.94, 2.45, 2.52, 3.71, 4.90),
    7: (1.08, 1.89, 2.36, 2.43, 3.50, 4.53), 8: (1.07, 1.86, 2.31, 2.37, 3.36, 4.28),
    9: (1.06, 1.83, 2.26, 2.32, 3.25, 4.09), 10: (1.05, 1.81, 2.23, 2.28, 3.17, 3.96),
    15: (1.03, 1.75, 2.13, 2.18, 2.95, 3.59), 20: (1.03, 1.72, 2.09, 2.13, 2.85, 3.42),
    25: (1.02, 1.71, 2.06, 2.11, 2.79, 3.33), 30: (1.02, 1.70, 2.04, 2.09, 2.75, 3.27),
    50: (1.01, 1.68, 2.01, 2.05, 2.68, 3.16),
}  # fmt: skip
"""NIST Technical Note 1297 (1994), appendix B, table B.1 (read); 68.27 % and so on mean 1, 2 and 3 sigma."""


def test_limits_of_7_and_10_have_a_standard_uncertainty_of_0_87():
    """EURACHEM/CITAC guide, appendix E.1, after JCGM 100:2008, 4.3.7: 1.5 / sqrt(3) = 0.87 (a copy read)."""
    assert rectangular("content", 7, 10).standard == pytest.approx(0.866025404, abs=1e-8)


def test_a_step_of_1_has_a_standard_uncertainty_of_0_29():
    """JCGM 100:2008, F.2.2.1: 0.29 d (citation from memory, value recomputed)."""
    assert resolution("reading", 1).standard == pytest.approx(0.288675135, abs=1e-8)


def test_the_copper_examples_come_out():
    """JCGM 100:2008, 4.3.7 and 4.3.8 (citation from memory): u = 0.23e-6 and 0.15e-6 per degC."""
    symmetric = rectangular("expansion", 16.52e-6 - 0.40e-6, 16.52e-6 + 0.40e-6)
    assert symmetric.standard**2 == pytest.approx(5.33e-14, abs=0.005e-14)
    assert symmetric.standard == pytest.approx(0.23e-6, abs=0.005e-6)
    assert rectangular("expansion", 16.40e-6, 16.92e-6).standard == pytest.approx(0.15e-6, abs=0.005e-6)


@pytest.mark.parametrize("freedom", T_TABLE)
def test_coverage_factors_are_those_of_the_table(freedom):
    found = [coverage_factor(share, freedom) for share in PERCENT]
    assert found == pytest.approx(T_TABLE[freedom], abs=0.006)


def test_coverage_factors_without_end_are_normal_quantiles():
    """JCGM 100:2008, 6.2.2: k = 2 covers about 95 %, k = 3 about 99 % (exactly 95.45 and 99.73 %)."""
    assert coverage_factor(0.9544997361) == pytest.approx(2, abs=1e-9)
    assert coverage_factor(0.9973002039) == pytest.approx(3, abs=1e-8)
    assert coverage_factor(0.95, 10**9) == pytest.approx(coverage_factor(0.95), abs=1e-6)


def test_two_equal_variances_join_their_degrees_of_freedom():
    """Welch-Satterthwaite for equal variances: the degrees of freedom add up (Welch 1947)."""
    assert welch_satterthwaite([2, 2], [5, 5]) == pytest.approx(10)


@given(
    st.lists(st.tuples(st.floats(0.1, 9), st.integers(2, 40)), min_size=2, max_size=2),
)
def test_effective_degrees_of_freedom_are_those_of_welchs_test(pairs):
    """SciPy's t test for unequal variances makes the same two means' degrees of freedom."""
    (one, few), (two, many) = pairs
    variances = one * one * (few + 1), two * two * (many + 1)
    test = stats.ttest_ind_from_stats(
        0, math.sqrt(variances[0]), few + 1, 1, math.sqrt(variances[1]), many + 1, equal_var=False
    )
    found = welch_satterthwaite([one, two], [few, many])
    assert 2 * stats.t.sf(abs(test.statistic), found) == pytest.approx(test.pvalue, rel=1e-6)


def test_components_without_end_or_size_leave_the_degrees_of_freedom_alone():
    budget = Budget((normal("mean", 1.0, 7), Component("nothing", "rectangular", 0.0)))
    assert budget.freedom == pytest.approx(7)
    assert math.isinf(Budget((rectangular("limits", -1, 1),)).freedom)
    assert Budget((normal("mean", 1.0, 7), rectangular("limits", -3, 3))).freedom == pytest.approx(7 * 16)


def test_standard_uncertainties_add_as_squares_and_half_widths_as_they_are():
    budget = Budget((normal("a", 3), normal("b", 4)))
    assert (budget.combined, budget.worst) == (5, 7)
    assert budget.shares() == pytest.approx((9 / 25, 16 / 25))
    assert budget.expanded(0.9544997361) == pytest.approx(10)


def test_an_empty_budget_is_nothing():
    budget = Budget(())
    assert (budget.combined, budget.worst, budget.expanded(0.95)) == (0, 0, 0)
    assert Budget((rectangular("a", 0, 0),)).shares() == (0.0,)


def test_the_expanded_uncertainty_covers_what_it_says():
    """Two rectangular and a step: 95 % of 200 000 seeded sums within U, as near as the normal law holds.

    The sum of few rectangular ones has shorter tails than the normal law, so U covers more than it says,
    never less than 95 % by over 0.5 points (false alarms: none, the seed is fixed).
    """
    budget = Budget((rectangular("a", -3, 3), rectangular("b", -2, 2), resolution("step", 1)))
    chance = np.random.default_rng(1)
    sums = sum(chance.uniform(-half, half, 200_000) for half in (3, 2, 0.5))
    covered = float((np.abs(sums) <= budget.expanded(0.95)).mean())
    assert 0.945 < covered < 0.98
    assert np.abs(sums).max() <= budget.worst
    assert float(sums.std()) == pytest.approx(budget.combined, rel=0.01)

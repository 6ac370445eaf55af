"""Intervals and sample sizes against published tables, a statistics library, and their own definition.

Published entries name their source and how it was seen: "read" means the value stood in the source,
"secondary" in a copy of it, "memory" that only the citation is from memory and the value follows from its
formula.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as scipy_stats
from statsmodels.stats.proportion import proportion_confint

from harness.chance import stream
from harness.stats import binomial as stats

NEWCOMBE = [
    # Newcombe 1998, Statistics in Medicine 17:857-872, Table I (read in a secondary copy), 4 decimals
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


def test_wilson_lower_limit_is_the_nist_handbook_example():
    """NIST/SEMATECH e-Handbook 7.2.4.1: 26 of 200, one-sided 95 %, 0.09577 (read; z rounded to 1.645)."""
    assert stats.wilson_lower(26, 200, 0.95) == pytest.approx(0.09577, abs=5e-6)


def test_clopper_pearson_is_the_nist_handbook_example():
    """NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20, two-sided 90 % (read).

    DOUBTFUL there: the page rounds 0.4010281 to 0.400; the unrounded figures it gives are tested.
    """
    assert stats.clopper_pearson(4, 20, 0.90) == pytest.approx((0.071354, 0.401029), abs=2e-6)


@pytest.mark.parametrize(("successes", "trials", "wilson", "exact"), NEWCOMBE)
def test_both_intervals_are_newcombes_table(successes, trials, wilson, exact):
    assert stats.wilson(successes, trials, 0.95) == pytest.approx(wilson, abs=5e-5)
    assert stats.clopper_pearson(successes, trials, 0.95) == pytest.approx(exact, abs=5e-5)


def test_both_intervals_are_a_packages_seven_digits():
    """37 of 43 in a statistics package's function reference (read), after Brown, Cai, DasGupta 2001."""
    assert stats.wilson(37, 43, 0.95) == pytest.approx((0.7273641, 0.9344428), abs=1e-6)
    assert stats.clopper_pearson(37, 43, 0.95) == pytest.approx((0.7206752, 0.9470234), abs=1e-6)


def test_upper_limit_of_no_events_is_the_exact_rule_of_three():
    """Hanley and Lippman-Hand, JAMA 249:1743, 1983 (secondary): 1 - 0.05**(1/n) against 3/n."""
    exact = [0.2588656, 0.1391083, 0.0950339, 0.0581551, 0.029513, 0.0099361, 0.0029912]
    for trials, upper in zip([10, 20, 30, 50, 100, 300, 1000], exact, strict=True):
        assert stats.clopper_pearson_upper(0, trials, 0.95) == pytest.approx(upper, abs=1e-6)
        assert stats.clopper_pearson_upper(0, trials, 0.95) < 3 / trials


SUCCESS_RUN = [
    # success-run theorem (secondary); 0.999 at 95 % printed in a reliability library's documentation (read)
    (0.9, 0.9, 22), (0.95, 0.9, 45), (0.99, 0.9, 230), (0.9, 0.95, 29), (0.95, 0.95, 59), (0.99, 0.95, 299),
    (0.9999, 0.95, 29956), (0.99, 0.99, 459), (0.999, 0.99, 4603), (0.999, 0.95, 2995),
]  # fmt: skip


@pytest.mark.parametrize(("reliability", "confidence", "trials"), SUCCESS_RUN)
def test_success_run_is_the_published_sample_size(reliability, confidence, trials):
    assert stats.success_run(reliability, confidence) == trials
    assert stats.clopper_pearson_lower(trials, trials, confidence) >= reliability
    assert stats.clopper_pearson_lower(trials - 1, trials - 1, confidence) < reliability


@pytest.mark.parametrize(
    ("reliability", "trials"),
    [(0.95, [59, 93, 124, 153, 181, 208]), (0.99, [299, 473, 628, 773, 913, 1049])],
)
def test_trials_with_failures_are_the_wilks_sequence(reliability, trials):
    """Wilks, Annals of Mathematical Statistics 12:91, 1941, one-sided orders 1 to 6 (cited from memory)."""
    assert [stats.trials_with_failures(failures, reliability, 0.95) for failures in range(6)] == trials


MEDIAN_TABLE = {
    # "Confidence Intervals for the Population Median", Table A.7 of a statistics textbook (read), per cent
    2: {(1, 2): 50.0}, 3: {(1, 3): 75.0}, 4: {(1, 4): 87.5}, 5: {(1, 5): 93.8},
    6: {(1, 6): 96.9, (2, 5): 78.1},
    7: {(1, 7): 98.4, (2, 6): 87.5}, 8: {(1, 8): 99.2, (2, 7): 93.0},
    9: {(1, 9): 99.6, (2, 8): 96.1, (3, 7): 82.0},
    10: {(1, 10): 99.8, (2, 9): 97.9, (3, 8): 89.1}, 11: {(1, 11): 99.9, (2, 10): 98.8, (3, 9): 93.5},
    12: {(2, 11): 99.4, (3, 10): 96.1, (4, 9): 85.4}, 13: {(2, 12): 99.7, (3, 11): 97.8, (4, 10): 90.8},
    14: {(2, 13): 99.8, (3, 12): 98.7, (4, 11): 94.3, (5, 10): 82.0},
    15: {(3, 13): 99.3, (4, 12): 96.5, (5, 11): 88.2},
    16: {(3, 14): 99.6, (4, 13): 97.9, (5, 12): 92.3, (6, 11): 79.0},
    17: {(3, 15): 99.8, (4, 14): 98.7, (5, 13): 95.1, (6, 12): 85.7},
    18: {(4, 15): 99.2, (5, 14): 96.9, (6, 13): 90.4},
    19: {(4, 16): 99.6, (5, 15): 98.1, (6, 14): 93.6, (7, 13): 83.3},
    20: {(4, 17): 99.7, (5, 16): 98.8, (6, 15): 95.9, (7, 14): 88.5},
}  # fmt: skip


def test_rank_coverage_is_the_median_table():
    for trials, rows in MEDIAN_TABLE.items():
        for (low, high), percent in rows.items():
            assert 100 * stats.rank_coverage(trials, 0.5, low, high) == pytest.approx(percent, abs=0.06)


def test_rank_coverage_has_the_exact_points():
    """A statistics site's worked example for n = 35 (read); n = 10 from the binomial sum."""
    assert stats.rank_coverage(35, 0.5, 17, 19) == pytest.approx(0.264121, abs=1e-6)
    assert stats.rank_coverage(10, 0.5, 2, 9) == pytest.approx(0.978515625, abs=1e-6)


@pytest.mark.parametrize(
    ("trials", "quantile", "ranks", "coverage"),
    [(100, 0.5, (40, 61), 0.9648), (100, 0.9, (84, 96), 0.95569), (1000, 0.95, (936, 964), 0.958095),
     (1000, 0.99, (983, 997), 0.976095)],
)  # fmt: skip
def test_quantile_ranks_are_equal_tailed(trials, quantile, ranks, coverage):
    """David and Nagaraja, Order Statistics, 3rd ed. 2003, 7.1 (from memory; numbers derived from it)."""
    assert stats.quantile_ranks(trials, quantile, 0.95) == ranks
    assert stats.rank_coverage(trials, quantile, *ranks) == pytest.approx(coverage, abs=1e-6)


def test_there_is_no_finite_upper_rank_for_a_small_sample():
    """59 samples have a one-sided 95/95 upper rank (the largest), but no two-sided one."""
    assert stats.quantile_rank_upper(59, 0.95, 0.95) == 59
    assert stats.quantile_rank_upper(58, 0.95, 0.95) == 59  # beyond the sample
    assert stats.quantile_ranks(59, 0.95, 0.95)[1] == 60
    assert stats.quantile_rank_lower(1, 0.5, 0.95) == 0


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.999])
@pytest.mark.parametrize("trials", [1, 7, 59, 1000, 250_000])
def test_intervals_are_those_of_a_general_library(trials, confidence):
    """statsmodels' `beta` and `wilson` methods, over a grid."""
    for successes in sorted({0, 1, trials // 3, trials - 1, trials}):
        exact = proportion_confint(successes, trials, 1 - confidence, "beta")
        score = proportion_confint(successes, trials, 1 - confidence, "wilson")
        assert stats.clopper_pearson(successes, trials, confidence) == pytest.approx(exact, abs=1e-9)
        assert stats.wilson(successes, trials, confidence) == pytest.approx(score, abs=1e-9)


@given(st.integers(1, 400), st.data(), st.floats(0.5, 0.999))
def test_clopper_pearson_limits_are_where_the_binomial_tail_is(trials, data, confidence):
    """The definition: P(B(n, lower) >= k) = P(B(n, upper) <= k) = 1 - confidence."""
    successes = data.draw(st.integers(0, trials))
    lower = stats.clopper_pearson_lower(successes, trials, confidence)
    upper = stats.clopper_pearson_upper(successes, trials, confidence)
    assert 0 <= lower <= successes / trials <= upper <= 1
    if successes:
        assert scipy_stats.binom.sf(successes - 1, trials, lower) == pytest.approx(1 - confidence, rel=1e-6)
    if successes < trials:
        assert scipy_stats.binom.cdf(successes, trials, upper) == pytest.approx(1 - confidence, rel=1e-6)


@given(st.integers(1, 3000), st.floats(0.01, 0.99), st.floats(0.5, 0.99))
def test_quantile_ranks_are_the_tightest_that_hold(trials, quantile, confidence):
    """Binomial tails by scipy.stats on either side of each rank."""
    low = stats.quantile_rank_lower(trials, quantile, confidence)
    high = stats.quantile_rank_upper(trials, quantile, confidence)
    below = scipy_stats.binom(trials, quantile).cdf
    assert low == 0 or below(low - 1) <= 1 - confidence + 1e-12
    assert low == trials or below(low) > 1 - confidence - 1e-12
    assert high == trials + 1 or below(high - 1) >= confidence - 1e-12
    assert high == 1 or below(high - 2) < confidence + 1e-12


@given(st.integers(1, 500), st.data(), st.sampled_from([0.9, 0.95, 0.99]))
def test_trials_to_settle_settle_and_no_fewer_do_without_failures(trials, data, at_least):
    failures = data.draw(st.integers(0, trials))
    total = stats.trials_to_settle(trials - failures, trials, at_least, 0.95)
    if total is None:
        assert abs((trials - failures) / trials - at_least) < 0.001
        return
    share = failures / trials
    if 1 - share > at_least:
        passed = total - -(-failures * total // trials)
        assert stats.clopper_pearson_lower(passed, total, 0.95) >= at_least
    else:
        passed = -(-(trials - failures) * total // trials)
        assert stats.clopper_pearson_upper(passed, total, 0.95) < at_least
    assert failures or total == stats.success_run(at_least, 0.95)


def test_nothing_settles_a_hundred_per_cent():
    assert stats.trials_to_settle(500, 500, 1.0, 0.95) is None
    assert stats.trials_to_settle(95, 100, 0.95, 0.95) is None
    assert stats.trials_to_settle(0, 0, 0.0, 0.95) == 1
    with pytest.raises(ValueError, match="no number of trials"):
        stats.success_run(1.0, 0.95)


def test_no_trials_say_nothing():
    assert stats.clopper_pearson(0, 0, 0.95) == (0.0, 1.0)
    assert stats.wilson(0, 0, 0.95) == (0.0, 1.0)


@pytest.mark.parametrize("share", [0.5, 0.95, 0.99])
def test_limits_hold_their_confidence_in_simulation(share):
    """400 seeded samples of 200: the limits miss no more often than they may, with Monte-Carlo room."""
    chance = stream(1, f"coverage {share}")
    counts = [sum(chance.random() < share for _ in range(200)) for _ in range(400)]
    missed_low = sum(stats.clopper_pearson_lower(count, 200, 0.95) > share for count in counts)
    missed_high = sum(stats.clopper_pearson_upper(count, 200, 0.95) < share for count in counts)
    room = 3 * math.sqrt(400 * 0.05 * 0.95)
    assert missed_low <= 20 + room
    assert missed_high <= 20 + room


def test_order_statistic_limits_hold_their_confidence_in_simulation():
    """300 seeded samples of 120 from a skewed distribution, 90th percentile known exactly."""
    chance = stream(2, "order statistics")
    true = -math.log(1 - 0.9)
    low, high = stats.quantile_rank_lower(120, 0.9, 0.95), stats.quantile_rank_upper(120, 0.9, 0.95)
    samples = [sorted(chance.expovariate(1.0) for _ in range(120)) for _ in range(300)]
    room = 3 * math.sqrt(300 * 0.05 * 0.95)
    assert sum(sample[low - 1] > true for sample in samples) <= 15 + room
    assert sum(sample[high - 1] < true for sample in samples) <= 15 + room


@pytest.mark.parametrize(("failures", "trials"), [(0, 59), (1, 93), (2, 124), (3, 153), (4, 181), (5, 208)])
def test_a_tolerance_bound_leaves_out_as_many_as_wilks_allows(failures, trials):
    """R = C = 0.95 in Wilks 1941 (memory: the source was not read, the numbers were recomputed)."""
    assert stats.tolerance_rank(trials, 0.95, 0.95) == trials - failures
    assert stats.tolerance_rank(trials - 1, 0.95, 0.95) == (trials - failures if failures else None)


def test_the_largest_of_59_covers_95_per_cent():
    assert stats.share_below_largest(59, 0.95) >= 0.95 > stats.share_below_largest(58, 0.95)
    assert stats.share_below_largest(0, 0.95) == 0.0

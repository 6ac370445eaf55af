"""The harness finds trends as Mann, Kendall, Theil and Sen did, by the numbers of scipy.stats."""

import numpy as np
import pytest
from scipy import stats

from harness.stats.trend import EXACT, MOST, fewest_values, thinned, trend

CHANCE = np.random.default_rng(5)


def series(count, slope=0.3):
    times = np.sort(CHANCE.random(count)) * 10
    return times, slope * times + CHANCE.normal(size=count)


@pytest.mark.parametrize("count", [2, 5, 12, 30, EXACT, EXACT + 1, 90])
def test_tau_and_its_p_value_are_kendalls(count):
    times, values = series(count)
    found = trend(times, values, 0.95)
    # scipy.stats.kendalltau, exact as far as it is counted out here
    tau, p_value = stats.kendalltau(times, values, method="exact" if count <= EXACT else "asymptotic")
    assert found.tau == pytest.approx(tau)
    assert found.p_value == pytest.approx(p_value, abs=1e-12)


@pytest.mark.parametrize("count", [8, 30, 60])
def test_ties_count_as_neither_rise_nor_fall(count):
    times, values = series(count)
    values = np.round(values)
    found = trend(times, values, 0.95)
    tau, p_value = stats.kendalltau(times, values, method="asymptotic")
    assert found.tau == pytest.approx(tau)
    assert found.p_value == pytest.approx(p_value)


@pytest.mark.parametrize("count", [5, 6, 8, 12, 30, 60, 200])
@pytest.mark.parametrize("confidence", [0.8, 0.95])
def test_the_slope_and_its_interval_are_those_of_theil_and_sen(count, confidence):
    times, values = series(count)
    found = trend(times, values, confidence)
    slope, _, low, high = stats.theilslopes(values, times, confidence)
    assert found.slope == pytest.approx(slope)
    slopes = sorted((values[j] - values[i]) / (times[j] - times[i]) for j in range(count) for i in range(j))
    ranks = [slopes.index(pytest.approx(end)) for end in (*found.interval, low, high)]
    # Whole ranks: scipy rounds those of the Gaussian approximation, here they are counted out or rounded out.
    off = 1 + count // 25
    assert 0 <= ranks[2] - ranks[0] + 1 <= off + 1
    assert 0 <= ranks[1] - ranks[3] + 1 <= off + 1


def test_the_interval_of_ten_values_is_that_of_kendalls_table():
    # Of 45 pairs P(S >= 19) = 0.054 and P(S >= 21) = 0.036 (Kendall's table for n = 10, from memory): at 90 %
    # S may be up to 19, so that the ends are the 13th and the 33rd of the ordered slopes.
    times = np.arange(10.0)
    values = np.asarray([3.0, 1.0, 4.0, 1.5, 5.0, 9.0, 2.0, 6.0, 5.5, 3.5])
    slopes = sorted((values[j] - values[i]) / (j - i) for j in range(10) for i in range(j))
    assert trend(times, values, 0.9).interval == pytest.approx((slopes[12], slopes[32]))


@pytest.mark.parametrize(("risk", "count"), [(0.05, 5), (0.01, 6), (0.0025, 7)])
def test_so_many_values_are_needed_for_an_interval(risk, count):
    # All in order has the chance 1 / n!, on either side.
    assert fewest_values(risk) == count
    for number in (count - 1, count):
        found = trend(*series(number), 1 - risk)
        assert (found.interval is None) == (number < count)


@pytest.mark.parametrize("count", [7, 12, 30, 60])
def test_an_interval_misses_the_slope_as_seldom_as_it_says(count):
    missed = 0
    for _ in range(400):
        times = np.arange(float(count))
        low, high = trend(times, CHANCE.normal(size=count) + times, 0.9).interval
        missed += not low <= 1 <= high
    assert missed <= stats.binom.ppf(0.999, 400, 0.1)


def test_one_wild_value_moves_the_slope_hardly():
    times = np.arange(30.0)
    values = 2 * times
    values[20] = 1e6
    assert trend(times, values, 0.95).slope == pytest.approx(2, rel=0.01)


def test_values_that_stay_the_same_have_no_slope_for_certain():
    found = trend(np.arange(8.0), np.full(8, 1024.0), 0.99)
    assert (found.slope, found.interval, found.tau, found.p_value) == (0, (0, 0), 0, 1)


@pytest.mark.parametrize("count", [0, 1])
def test_less_than_two_values_have_no_trend(count):
    found = trend(np.arange(float(count)), np.zeros(count), 0.95)
    assert (found.count, found.slope, found.interval) == (count, None, None)


def test_a_long_series_is_thinned_to_medians_and_keeps_its_slope():
    times = np.arange(4 * MOST + 3.0)
    few_times, few = thinned(times, 5 * times)
    assert len(few) <= MOST
    assert few_times[0] == 2
    assert few[0] == 10
    assert trend(times, 5 * times, 0.95).slope == pytest.approx(5)

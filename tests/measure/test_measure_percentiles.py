"""Limits of percentiles say the same as limits of shares, and hold when bad samples come in bursts."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.measure.arrays import ints
from harness.measure.delivery import LOST_NS
from harness.measure.percentiles import Samples, judge_percentile, percentile_limits
from harness.stats.bursts import reached, share_limits


def known(values, unplaced=0):
    return Samples(ints(values), ints(values), unplaced)


@settings(max_examples=60, deadline=None)
@given(
    times=st.lists(st.tuples(st.integers(0, 30), st.sampled_from([0, 0, 0, 5, 10**6])), min_size=1),
    limit=st.integers(1, 30), slack=st.integers(0, 3), unplaced=st.integers(0, 3),
    percentile=st.sampled_from([0.5, 0.8, 0.95]),
)  # fmt: skip
def test_an_interval_clear_of_the_limit_is_a_share_clear_of_the_percentile(
    times, limit, slack, unplaced, percentile
):
    low = ints([low for low, _ in times])
    high = ints([low + more for low, more in times])
    samples = Samples(low, high, unplaced)
    found = judge_percentile(samples, percentile, 0.95, limit, slack)
    shares = []
    for end in (limit - slack, limit + slack):
        alone = samples.surely_within(end, 0.95), samples.perhaps_within(end, 0.95)
        within = samples.within(end, 0.95)
        assert alone == (within.lower, within.upper)
        bad = low > end
        shares.append(share_limits(bad, 0.95, unknown=(high > end) & ~bad, unplaced=unplaced))
    total = len(low) + unplaced
    assert (found.upper_ns <= limit - slack) == (shares[0].lower >= percentile)
    assert (found.lower_ns > limit + slack) == (shares[1].upper < percentile)
    assert (found.kept is True) == (reached(shares[0], total, percentile) is True)
    assert (found.kept is False) == (reached(shares[1], total, percentile) is False)


def test_limits_are_samples_or_without_end():
    values = np.random.default_rng(2).integers(0, 10**7, 2_000)
    found = judge_percentile(known(values), 0.9, 0.95, 10**7, 0)
    assert found.lower_ns in values
    assert found.upper_ns in values
    assert found.lower_ns < np.quantile(values, 0.9) < found.upper_ns
    few = judge_percentile(known(values[:5]), 0.9, 0.95, 10**7, 0)
    assert (few.kept, few.upper_ns) == (None, LOST_NS)


def test_unknown_samples_only_widen_the_limits():
    values = np.random.default_rng(3).integers(0, 10**7, 2_000)
    hidden = np.random.default_rng(4).random(2_000) < 0.02
    whole = judge_percentile(known(values), 0.9, 0.95, 10**7, 0)
    low, high = np.where(hidden, 0, values), np.where(hidden, LOST_NS, values)
    holed = judge_percentile(Samples(low, high, 5), 0.9, 0.95, 10**7, 0)
    assert holed.lower_ns < whole.lower_ns < whole.upper_ns < holed.upper_ns


def test_the_quick_way_to_limits_agrees_with_the_search_for_independent_samples():
    values = np.random.default_rng(5).integers(0, 10**7, 20_000)
    shares = (0.5, 0.9, 0.99)
    for share, (low, high) in zip(shares, percentile_limits(known(values), shares, 0.95), strict=True):
        found = judge_percentile(known(values), share, 0.95, 10**7, 0)
        assert low == pytest.approx(found.lower_ns, abs=0.15 * (found.upper_ns - found.lower_ns))
        assert high == pytest.approx(found.upper_ns, abs=0.15 * (found.upper_ns - found.lower_ns))
    assert percentile_limits(known([]), shares, 0.95) == [(0, LOST_NS)] * 3
    assert percentile_limits(known(values[:3], 5), (0.9,), 0.95) == [(0, LOST_NS)]


def searched(samples):
    found = judge_percentile(samples, 0.9, 0.95, 10**7, 0)
    return found.lower_ns, found.upper_ns


def test_bursts_widen_the_limits():
    """The same values one by one and in runs of ten: ten times fewer that count."""
    values = np.random.default_rng(7).integers(0, 10**7, 500)
    single, runs = np.resize(values, 5_000), np.repeat(values, 10)
    np.random.default_rng(8).shuffle(single)
    for limits in (
        lambda samples: percentile_limits(samples, (0.9,), 0.95)[0],
        searched,
    ):
        narrow, wide = limits(known(single)), limits(known(runs))
        assert wide[1] - wide[0] > 2 * (narrow[1] - narrow[0])


def slow_spells(rng, share, length, count):
    """A two-state chain: slow samples of 20, in spells of this mean length, among others of 10."""
    ends = 1 / length
    begins = ends * share / (1 - share)
    drawn, slow, states = rng.random(count).tolist(), rng.random() < share, []
    for chance in drawn:
        slow = chance >= ends if slow else chance < begins
        states.append(slow)
    return np.where(states, 20, 10)


@pytest.mark.parametrize("length", [1.2, 5])
def test_limits_at_the_percentile_itself_are_seldom_wrong(length):
    """Exactly 95 % are quick: saying "at most 10" or "more than 10" is wrong; 5 % each may be.

    300 runs a cell: 27 wrong ones or more have a chance of 0.2 % at 5 % (binomial), so 0.8 % for all four.
    """
    rng = np.random.default_rng(11)
    passed = failed = 0
    for _ in range(300):
        samples = known(slow_spells(rng, Fraction(5, 100), length, 3_000))
        found = judge_percentile(samples, 0.95, 0.95, 10, 0)
        passed += found.kept is True
        failed += found.kept is False
    assert passed < 27
    assert failed < 27


SHARES = (0.5, 0.9, 0.95, 0.99)


def tied(rng, count):
    """Times in whole ms in drifting spells, and a few slow ones: many equal ones at every percentile."""
    spells = np.repeat(rng.integers(5, 8, count // 60 + 1), 60)[:count]
    return np.where(rng.random(count) < 0.03, 9, spells) * 10**6


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("unplaced", [0, 3])
def test_limits_in_a_table_rise_with_the_percentile(seed, unplaced):
    rng = np.random.default_rng(seed)
    values = tied(rng, 300 + 150 * seed)
    high = np.where(rng.random(len(values)) < 0.01, LOST_NS, values)
    for samples in (known(values, unplaced), Samples(np.where(high > values, 0, values), high, unplaced)):
        found = percentile_limits(samples, SHARES, 0.95)
        assert [ends[0] for ends in found] == sorted(ends[0] for ends in found)
        assert [ends[1] for ends in found] == sorted(ends[1] for ends in found)
        ordered = np.sort(values)
        for share, (low, upper) in zip(SHARES, found, strict=True):
            assert low <= ordered[int(share * len(values))] <= upper


@pytest.mark.parametrize("seed", range(6))
def test_limits_in_a_table_are_no_narrower_than_those_searched(seed):
    """Both are where the share of samples surely reaches the percentile; the search looks closer."""
    samples = known(tied(np.random.default_rng(seed), 2_000))
    for share, (low, upper) in zip(SHARES, percentile_limits(samples, SHARES, 0.95), strict=True):
        for limit in (6 * 10**6, 8 * 10**6):
            found = judge_percentile(samples, share, 0.95, limit, 0)
            assert low <= found.lower_ns
            assert upper >= found.upper_ns
            assert upper == LOST_NS or samples.within(upper, 0.95).lower >= share


@pytest.mark.parametrize(("length", "share"), [(1, 0.012), (10, 0.012), (10, 0.008)])
def test_limits_in_a_table_hold_for_equal_times_in_bursts(length, share):
    """Fast or slow, nothing between: the 99th percentile is 20 if more than 1 % are slow, else 10.

    80 runs: 14 wrong ones have a chance of 4e-5 at 5 % (binomial).
    """
    rng, true = np.random.default_rng(length), 20 if share > 0.01 else 10
    ends = [
        percentile_limits(known(slow_spells(rng, share, length, 5_000)), (0.99,), 0.95)[0] for _ in range(80)
    ]
    assert sum(upper < true for _, upper in ends) < 14
    assert sum(low > true for low, _ in ends) < 14


def test_no_number_of_samples_is_promised_where_unknown_ones_stand_in_the_way():
    times = np.full(400, 5)
    hidden = np.arange(400) % 20 == 0
    holed = Samples(np.where(hidden, 0, times), np.where(hidden, LOST_NS, times))
    assert known(times).needed(10, 0.99, 0.95) is not None
    assert holed.needed(10, 0.99, 0.95) is None
    assert Samples(holed.low_ns[:40], holed.high_ns[:40]).needed(10, 0.8, 0.95) is not None

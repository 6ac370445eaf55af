"""Limits of percentiles say the same as limits of shares, and hold when bad samples come in bursts."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.measure.arrays import ints
from harness.measure.delivery import LOST_NS
from harness.measure.percentiles import Samples, effective_limits, judge_percentile
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
    found = judge_percentile(Samples(low, high, unplaced), percentile, 0.95, limit, slack)
    shares = []
    for end in (limit - slack, limit + slack):
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
    for share, (low, high) in zip(shares, effective_limits(known(values), shares, 0.95), strict=True):
        found = judge_percentile(known(values), share, 0.95, 10**7, 0)
        assert low == pytest.approx(found.lower_ns, abs=0.15 * (found.upper_ns - found.lower_ns))
        assert high == pytest.approx(found.upper_ns, abs=0.15 * (found.upper_ns - found.lower_ns))
    assert effective_limits(known([]), shares, 0.95) == [(0, LOST_NS)] * 3
    assert effective_limits(known(values[:3], 5), (0.9,), 0.95) == [(0, LOST_NS)]


def searched(samples):
    found = judge_percentile(samples, 0.9, 0.95, 10**7, 0)
    return found.lower_ns, found.upper_ns


def test_bursts_widen_the_limits():
    """The same values one by one and in runs of ten: ten times fewer that count."""
    values = np.random.default_rng(7).integers(0, 10**7, 500)
    single, runs = np.resize(values, 5_000), np.repeat(values, 10)
    np.random.default_rng(8).shuffle(single)
    for limits in (
        lambda samples: effective_limits(samples, (0.9,), 0.95)[0],
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

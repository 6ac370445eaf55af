"""What one side shows: percentiles, shares, means and worst cases with limits that hold."""

import math

import numpy as np
import pytest

from harness.chance import stream
from harness.clock import MS
from harness.compare.between import between_runs
from harness.compare.samples import Mean, MeanAge, Quantile, Rate, Share, Shift, Spread, Worst
from harness.measure.age import AgePieces, mean_age_ns
from harness.measure.arrays import ints
from harness.measure.delivery import LOST_NS
from harness.measure.percentiles import Samples
from harness.stats.bursts import share_limits


def draw(name):
    return np.random.default_rng(stream(11, name).randrange(2**63))


def times(values_ms, share=0.5):
    ns = (np.asarray(values_ms) * MS).astype(np.int64)
    return Quantile(Samples(ns, ns), share, 0.0)


def test_percentiles_of_independent_times_hold_as_often_as_they_say():
    rng, kept, trials = draw("percentiles"), 0, 400
    for _ in range(trials):
        found = times(rng.exponential(1.0, 800), 0.9).limited(0.95)
        kept += found.low <= math.log(10)
    assert kept / trials > 0.95 - 3 * math.sqrt(0.05 * 0.95 / trials)


def test_percentiles_of_clumped_times_have_wider_limits():
    rng = draw("clumps")
    single = rng.random(5000) < 0.1
    clumped = np.repeat(rng.random(250) < 0.1, 20)
    wide = [
        times(np.where(slow, 9.0, 1.0) + rng.random(5000) / 10, 0.8).limited(0.95)
        for slow in (single, clumped)
    ]
    assert wide[1].high - wide[1].low > wide[0].high - wide[0].low


def test_a_percentile_that_few_times_cannot_tell_is_open():
    assert times(np.arange(5), 0.99).limited(0.95).high == math.inf
    assert times([], 0.99).limited(0.95)[1:] == (-math.inf, math.inf)


def test_times_that_nobody_knows_widen_a_percentile():
    ns = ints([MS] * 900 + [2 * MS] * 100)
    low, high = ns.copy(), ns.copy()
    low[::10], high[::10] = 0, LOST_NS
    known, hidden = Quantile(Samples(ns, ns), 0.5, 0.0), Quantile(Samples(low, high), 0.92, 0.0)
    assert known.limited(0.95) == pytest.approx((1.0, 1.0, 1.0))
    assert hidden.limited(0.95).high == math.inf


def test_the_spread_above_the_median_does_not_depend_on_an_offset():
    values = draw("spread").gamma(2, 1, 3000)
    one, other = (
        Spread(times(values + offset, 0.99), times(values + offset)).limited(0.95) for offset in (0.0, 7.0)
    )
    assert one == pytest.approx(other, abs=1e-5)


def test_a_share_is_told_in_percent_with_the_limits_of_bursts():
    bad = np.zeros(2000, dtype=np.bool_)
    bad[::100] = True  # 20 bursts: enough
    expected = share_limits(bad, 0.95)
    found = Share(bad, np.zeros(2000, dtype=np.bool_)).limited(0.95)
    assert found == pytest.approx((99.0, 100 * expected.lower, 100 * expected.upper))


def test_runs_are_pooled_end_to_end():
    none = np.zeros(3, dtype=np.bool_)
    pooled = Share.pooled([Share(np.array([True, False, False]), none), Share(none, none, 2)])
    assert (pooled.count, int(pooled.bad.sum())) == (8, 1)
    assert Quantile.pooled([times([1, 2]), times([3, 4, 5])]).value == 3
    assert Shift.pooled([Shift(np.array([1.0]), 0.1), Shift(np.array([5.0]), 0.3)]).bound == 0.3
    assert Rate.pooled([Rate(100, 2.0, 0.1), Rate(200, 4.0, 0.2)]).value == 50
    assert Worst.pooled([Worst(np.array([1.0, 7.0]), 0.0), Worst(np.array([5.0]), 0.0)]).value == 7


def test_a_pooled_mean_age_is_the_mean_over_the_time_of_all_runs():
    def age(high_ns, pieces):
        start = ints(range(pieces)) * 20 * MS
        sampled = start + 20 * MS - high_ns
        peak = np.ones(pieces, dtype=np.bool_)
        return MeanAge(AgePieces(start, start + 20 * MS, sampled, peak, ~peak, MS), 20 * MS)

    short, long = age(30 * MS, 10), age(40 * MS, 30)
    assert (short.value, long.value) == (20, 30)
    pooled = MeanAge.pooled([short, long])
    assert pooled.value == 27.5
    assert mean_age_ns(pooled.pieces) == 27.5 * MS


def test_a_mean_over_few_blocks_is_open():
    assert Mean(np.ones(3), 300).limited(0.95)[1:] == (-math.inf, math.inf)
    assert Mean(np.ones(30), 3000).limited(0.95) == (1, 1, 1)


def shifts(*means, spread=1.0):
    rng = draw("shifts")
    return [Shift(mean + rng.normal(0, spread, 100), 0.0) for mean in means]


def test_one_run_a_side_tells_nothing_of_how_runs_differ():
    found = between_runs(shifts(10), shifts(10))
    assert found.variance == 0
    assert found.widened(1.0, (0.5, 2.0), 0.95) == (0.5, 2.0)


def test_runs_that_differ_widen_limits_and_equal_ones_do_not():
    apart = between_runs(shifts(10, 14, 18), shifts(10, 15, 17))
    assert apart.variance > 5
    low, high = apart.widened(0.0, (-1.0, 1.0), 0.95)
    assert low < -4 < 4 < high
    alike = between_runs(shifts(10, 10, 10), shifts(10, 10, 10))
    assert alike.widened(0.0, (-1.0, 1.0), 0.95)[1] < 1.4


def test_a_side_with_one_run_borrows_from_the_other():
    assert between_runs(shifts(10, 14, 18, 9), shifts(10)).variance > 5


def test_runs_with_a_single_event_each_still_tell_how_runs_differ():
    single = [Shift(np.array([value]), 0.0) for value in (10.0, 14.0, 18.0)]
    assert between_runs(single, single).variance == pytest.approx(16)
    mixed = [*shifts(10, 14, 18), Shift(np.array([9.0]), 0.0)]
    assert between_runs(mixed, shifts(11, 15, 16)).variance > 5


def test_an_interval_holds_the_difference_even_of_samples_without_one_shape():
    base, other = (Shift(np.repeat([0.0, 10.0], [n, 101 - n]), 0.0) for n in (51, 50))
    assert other.beyond(base, 0.95)[1] < other.value - base.value  # the shift alone leaves it out
    low, high = between_runs([base], [other]).widened(10.0, other.beyond(base, 0.95), 0.95)
    assert low <= 10.0 <= high
    apart = between_runs(shifts(10, 14, 18), shifts(10, 15, 17))
    assert apart.widened(5.0, (0.0, 4.0), 0.95)[1] > 5.0


def test_each_run_leaves_a_packet_at_its_ends_open():
    one = Rate(1000, 20.0, 0.0)
    found = Rate.pooled([one, one, one, one]).limited(0.95)
    assert found.high - found.value == pytest.approx(1 / 20)

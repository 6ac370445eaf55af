"""Loss periods, run test, correlations and the two-state fit against published values and libraries."""

from itertools import combinations, groupby

import numpy as np
import pytest
from statsmodels.sandbox.stats.runs import runstest_1samp
from statsmodels.tsa.stattools import acf

from harness.stats import runs


def series(text, lost="x0X"):
    return np.array([letter in lost for letter in text.replace(" ", "")])


def at(packets, places):
    """A series with these places lost, counted from 1."""
    lost = np.zeros(packets, dtype=bool)
    lost[np.array(places, dtype=int) - 1] = True
    return lost


RFC_6_5 = at(10, [2, 5, 7, 9, 10])


def test_loss_periods_end_where_packets_no_longer_follow_each_other():
    lost = series("x x x r x x")
    breaks = np.array([True, False, True, False, False, True])
    assert runs.loss_periods(lost, breaks).tolist() == [[0, 2], [2, 1], [4, 1], [5, 1]]
    assert runs.loss_periods(lost[:0], breaks[:0]).tolist() == []
    assert runs.loss_periods(lost[:0]).tolist() == []


def test_loss_periods_begin_where_rfc_3357_section_4_says():
    assert runs.loss_periods(series("r r r x r r x x x r x r r x x x"))[:, 0].tolist() == [3, 6, 10, 13]


def test_loss_distance_is_that_of_rfc_3357_section_4():
    assert runs.loss_distances(at(60, [20, 50])).tolist() == [0, 30]


def test_streams_are_those_of_rfc_3357_section_5_4_3():
    distance = [[0, 0], [0, 1], [0, 0], [0, 0], [3, 1], [0, 0], [2, 1], [0, 0], [2, 1], [1, 1]]
    period = [[0, 0], [1, 1], [0, 0], [0, 0], [2, 1], [0, 0], [3, 1], [0, 0], [4, 1], [4, 1]]
    assert runs.distance_stream(RFC_6_5).tolist() == distance
    assert runs.period_stream(RFC_6_5).tolist() == period


def test_statistics_are_those_of_rfc_3357_section_6_5():
    assert runs.noticeable_rate(RFC_6_5, 2) == pytest.approx(3 / 5, abs=1e-12)
    assert runs.loss_periods(RFC_6_5)[:, 1].tolist() == [1, 1, 1, 2]
    assert runs.between_periods(RFC_6_5).tolist() == [0, 3, 2, 2]


@pytest.mark.parametrize(
    ("lost", "noticed"),
    [([50, 125, 126, 127], 3), ([100, 200, 300, 400, 500], 0), ([100, 175, 275, 290, 400], 2)],
)
def test_noticeable_losses_are_those_of_rfc_3357_section_6_1(lost, noticed):
    assert runs.noticeable_rate(at(600, lost), 99) == pytest.approx(noticed / len(lost))


def test_burst_is_that_of_rfc_3611_section_4_7_2():
    """The densities' printed fields 84 and 10 are doubtful in the source, so the shares are held instead."""
    found = runs.bursts_and_gaps(
        series("11110111111111111111111X111X1011110111111111111111111X111111111"), 16
    )
    assert found.bursts.tolist() == [[23, 34]]
    assert (found.burst_packets, found.lost_in_bursts) == (12, 4)
    assert found.burst_density == pytest.approx(1 / 3)
    assert runs.GAP_LEAST == 16


@pytest.mark.parametrize(("between", "bursts"), [(15, 1), (16, 0)])
def test_sixteen_received_packets_end_a_burst(between, bursts):
    assert len(runs.bursts_and_gaps(series("x" + "r" * between + "x")).bursts) == bursts


def test_burst_ratio_of_a_published_stream():
    """1101111100011111: loss ratio 0.25, mean run 2, ratio 1.5 (stream: Informatica; values recomputed)."""
    assert runs.burst_ratio(series("1101111100011111")) == pytest.approx(1.5, abs=1e-12)


def plainly(lost):
    """The loss periods by a plain walk."""
    place, found = 0, []
    for value, group in groupby(lost.tolist()):
        length = len(list(group))
        if value:
            found.append([place, length])
        place += length
    return found


@pytest.mark.parametrize("seed", range(20))
def test_loss_periods_equal_a_plain_walk(seed):
    lost = np.random.default_rng(seed).random(60) < (seed + 1) / 22
    assert runs.loss_periods(lost).tolist() == plainly(lost)
    assert (
        runs.loss_distances(lost).tolist()
        == np.diff(np.flatnonzero(lost), prepend=np.flatnonzero(lost)[:1]).tolist()
    )


@pytest.mark.parametrize("seed", range(10))
def test_run_test_equals_a_library(seed):
    """statsmodels' `runstest_1samp` with its continuity correction off."""
    lost = np.random.default_rng(seed).random(80 + 40 * seed) < 0.05 + 0.05 * seed
    z, p_value = runstest_1samp(lost.astype(float), cutoff=0.5, correction=False)
    found = runs.run_test(lost)
    assert (found.z, found.p_value) == (pytest.approx(z), pytest.approx(p_value))


@pytest.mark.parametrize(("lost", "received"), [(1, 5), (3, 6), (5, 4), (4, 1)])
def test_chance_of_few_loss_periods_equals_counting_every_arrangement(lost, received):
    counts = [
        len(runs.loss_periods(np.isin(np.arange(lost + received), places)))
        for places in combinations(range(lost + received), lost)
    ]
    for most in range(1, lost + 1):
        share = np.mean(np.array(counts) <= most)
        assert runs.periods_at_most(most, lost, received) == pytest.approx(share)


@pytest.mark.parametrize("seed", range(4))
def test_lag_correlations_equal_a_library(seed):
    lost = np.random.default_rng(seed).random(400) < 0.1
    expected = acf(lost.astype(float), nlags=10, fft=False)[1:]
    assert runs.lag_correlations(lost) == pytest.approx(expected)


def test_series_with_one_fate_have_nothing_to_tell():
    for lost in (np.zeros(0, dtype=bool), np.zeros(9, dtype=bool), np.ones(9, dtype=bool)):
        assert runs.run_test(lost) is None
        assert len(runs.lag_correlations(lost)) == 0
        assert runs.fit_two_states(lost, 0.95) is None
    assert runs.burst_ratio(np.zeros(9, dtype=bool)) is None
    assert runs.noticeable_rate(np.zeros(9, dtype=bool)) is None
    assert runs.bursts_and_gaps(np.zeros(9, dtype=bool)).burst_density is None


def chain(generator, packets, p, r):
    """A two-state chain by its gaps and bursts, begun in the good state."""
    pieces, total = [], 0
    while total < packets:
        gap, burst = int(generator.geometric(p)), int(generator.geometric(r))
        pieces += [np.zeros(gap, dtype=bool), np.ones(burst, dtype=bool)]
        total += gap + burst
    return np.concatenate(pieces)[:packets]


def test_two_states_in_the_long_run_are_the_textbooks():
    """p 0.01, r 0.25: loss 0.038461538462, burst 4, gap 100, correlation 0.74 (Ghanbari, Appendix E)."""
    lost = np.concatenate(
        [np.zeros(100, dtype=bool), np.ones(4, dtype=bool)] * 50 + [np.zeros(1, dtype=bool)]
    )
    found = runs.fit_two_states(lost, 0.95)
    assert found.begins == pytest.approx(0.01)
    assert found.ends == pytest.approx(0.25)
    assert found.loss == pytest.approx(0.038461538462, abs=1e-9)
    assert (found.mean_burst, found.mean_gap) == (pytest.approx(4), pytest.approx(100))
    assert found.correlation == pytest.approx(0.74)
    assert runs.burst_ratio(chain(np.random.default_rng(1), 400_000, 0.01, 0.25)) == pytest.approx(
        1 / (0.01 + 0.25), rel=0.05
    )


def test_breaks_are_no_transitions():
    lost = series("rrxx" + "xxrr")
    assert runs.fit_two_states(lost, 0.95).ends == pytest.approx(1 / 4)
    joined = np.array([True, True, True, False, True, True, True])
    assert runs.fit_two_states(lost, 0.95, joined).ends == pytest.approx(1 / 3)


def test_intervals_of_the_fit_hold_the_truth_as_often_as_they_say():
    """95 % intervals over 400 seeded chains: binomial(400, 0.95) is under 366 once in 1 000 (false alarm)."""
    generator = np.random.default_rng(20)
    held = np.zeros(2, dtype=int)
    for _ in range(400):
        found = runs.fit_two_states(chain(generator, 3_000, 0.02, 0.3), 0.95)
        held += (
            found.begins_within[0] <= 0.02 <= found.begins_within[1],
            found.ends_within[0] <= 0.3 <= found.ends_within[1],
        )
    assert held.min() >= 366


def test_run_test_rejects_independent_losses_as_often_as_it_says():
    """At 5 %, over 400 seeded series: binomial(400, 0.05) exceeds 35 under once in 1 000 (false alarm)."""
    generator = np.random.default_rng(21)
    found = [runs.run_test(generator.random(2_000) < 0.1) for _ in range(400)]
    assert sum(one.p_value < 0.05 for one in found) <= 35
    assert sum(one.p_clustered < 0.05 for one in found) <= 35
    assert all(runs.run_test(chain(generator, 2_000, 0.03, 0.3)).p_clustered < 1e-3 for _ in range(20))

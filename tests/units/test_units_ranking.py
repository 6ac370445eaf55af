"""The harness orders units only as far as their figures can be told apart."""

import numpy as np
import pytest
from scipy import stats
from unit_samples import check, delivery, document, kept, latency, lot_of

from harness.units.figures import Subject
from harness.units.lots import Joined, make_lot
from harness.units.ranking import halves, rank, scatter_of

LATENCY = Subject("latency", "latency", "latency", "even", "ms", "at most", 15.0)
DELIVERY = Subject("delivery", "delivery", "delivery", "skewed", "%", "at least", 98.0)


def places(*documents):
    ranking = rank(make_lot(kept(*documents)))
    return {place.unit.name: (place.first, place.last) for place in ranking.places}


def test_units_within_their_uncertainty_share_all_places():
    assert set(places(*lot_of([1.0, 1.2, 1.9])).values()) == {(1, 3)}


def test_a_unit_beyond_it_stands_behind():
    found = places(*lot_of([1.0, 1.2, 6.0]))
    assert found == {"module 1": (1, 2), "module 2": (1, 2), "module 3": (3, 3)}


def test_a_unit_in_the_middle_may_overlap_with_both():
    """Only 1.0 and 2.8 differ by more than both doubts of 0.5 and both intervals."""
    assert places(*lot_of([1.0, 1.9, 2.8])) == {"module 1": (1, 2), "module 2": (1, 3), "module 3": (2, 3)}


def test_a_unit_that_is_better_here_and_worse_there_is_not_ordered():
    mixed = [
        document("A", latency(1.0), delivery(98.5, 98.4, 98.6)),
        document("B", latency(6.0), delivery(99.9, 99.8, 99.95)),
    ]
    assert places(*mixed) == {"A": (1, 2), "B": (1, 2)}


def test_verdicts_come_before_figures():
    lot = [
        document("failed", latency(1.0), verdict="fail"),
        document("unclear", latency(1.0), verdict="inconclusive"),
        document("passed", latency(9.0)),
    ]
    assert places(*lot) == {"passed": (1, 1), "unclear": (2, 2), "failed": (3, 3)}


def test_figures_without_an_interval_tell_nothing_apart_unless_runs_were_repeated():
    once = [document(f"module {n}", latency(value, half=None)) for n, value in enumerate((1.0, 9.0))]
    assert set(places(*once).values()) == {(1, 2)}
    twice = [
        document(f"module {n}", latency(value + 0.01 * turn, half=None))
        for n, value in enumerate((1.0, 9.0))
        for turn in range(4)
    ]
    assert places(*twice) == {"module 0": (1, 1), "module 1": (2, 2)}


def test_what_differs_from_run_to_run_is_counted():
    """Units whose runs scatter by 1 ms are not told apart by 0.3 ms, however tight the intervals are."""
    chance = np.random.default_rng(7)
    runs = [
        document(f"module {n}", latency(5 + 0.3 * n + chance.normal(), half=0.001, doubt=0.0))
        for n in range(3)
        for _ in range(4)
    ]
    assert set(places(*runs).values()) == {(1, 3)}


def test_the_scatter_is_the_pooled_one():
    """For as many runs of each, the root of the mean of both variances (e-Handbook 7.3.1, from memory)."""
    groups = [[1.0, 2.0, 4.0], [10.0, 10.5, 11.5]]
    runs = [document(f"{n}", latency(value)) for n, group in enumerate(groups) for value in group]
    found = scatter_of(make_lot(kept(*runs)).units, "latency")
    assert found.degrees == 4
    assert found.deviation == pytest.approx(np.sqrt(np.mean([np.var(group, ddof=1) for group in groups])))


def test_too_few_repeats_are_not_used():
    runs = [document(f"{n}", latency(value)) for n in range(3) for value in (1.0, 2.0)]
    assert scatter_of(make_lot(kept(*runs)).units, "latency") is None


def test_halves_are_widened_to_the_risk():
    """By normal quantiles where a figure is even, by the exponential tail where it is skewed."""
    found = Joined(5.0, 0.1, 0.2, 0.95, 0.0, (5.0,))
    wide = stats.norm.isf(0.001) / stats.norm.isf(0.05)
    assert halves(LATENCY, found, None, 0.001) == pytest.approx((0.1 * wide, 0.2 * wide))
    wide = np.log(0.001) / np.log(0.05)
    assert halves(DELIVERY, found, None, 0.001) == pytest.approx((0.1 * wide, 0.2 * wide))
    assert halves(LATENCY, Joined(5.0, None, 0.2, 0.95, 0.0, (5.0,)), None, 0.001)[0] == np.inf


def test_equal_units_are_told_apart_no_oftener_than_stated():
    """12 units, 400 lots, normal intervals: 5 % of 400 and 4.5 standard deviations are 40."""
    chance, wrong = np.random.default_rng(11), 0
    half = stats.norm.isf(0.05)
    for _ in range(400):
        lot = lot_of(10 + chance.normal(size=12), half=half, doubt=0.0)
        wrong += any(rank(make_lot(kept(*lot))).apart.values())
    assert wrong <= 40


def test_the_tightest_check_is_that_with_the_least_room():
    lot = [
        document(
            f"module {n}", latency(value), check("packet_rate", 50.0, side="at least", limit=49, unit="Hz")
        )
        for n, value in enumerate((1.0, 9.0))
    ]
    first, last = rank(make_lot(kept(*lot))).places
    assert (first.tightest.title, first.room) == ("latency", pytest.approx(14 / 15))
    assert (last.tightest.title, last.room) == ("latency", pytest.approx(6 / 15))


def test_counts_of_faults_order_nothing():
    lot = [document(f"{n}", check("duplicates", n, limit=0, ends=[n, n])) for n in range(3)]
    ranking = rank(make_lot(kept(*lot)))
    assert ranking.comparisons == 0
    assert {(place.first, place.last) for place in ranking.places} == {(1, 3)}

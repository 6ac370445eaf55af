"""The harness says which unit stands out, by which test, and when nothing can be said."""

import numpy as np
import pytest
from unit_samples import check, delivery, document, kept, latency, lot_of

from harness.stats.outliers import grubbs
from harness.units.lots import make_lot
from harness.units.odd import look_for_odd


def looks(*documents):
    return {look.subject.title: look for look in look_for_odd(make_lot(kept(*documents)))}


def near(count, seed=1):
    """Latencies about 2 ms, a tenth of a millisecond apart."""
    return list(2 + 0.1 * np.random.default_rng(seed).normal(size=count))


def odd_names(look):
    return [odd.unit.name for odd in look.odd]


@pytest.mark.parametrize(
    ("count", "test"), [(4, "Dixon"), (6, "Dixon"), (7, "Grubbs"), (14, "Grubbs"), (15, "Rosner's ESD")]
)
def test_the_test_goes_by_the_number_of_units(count, test):
    look = looks(*lot_of([*near(count - 1), 30.0]))["latency"]
    assert look.test == test
    assert odd_names(look) == [f"module {count}"]
    assert look.odd[0].is_worse


@pytest.mark.parametrize("count", [2, 3])
def test_with_fewer_than_four_units_nothing_can_be_said(count):
    look = looks(*lot_of([*near(count - 1), 30.0]))["latency"]
    assert (look.test, look.odd) == ("", ())
    assert "nothing can be said" in look.why


def test_a_unit_that_is_better_stands_out_too():
    look = looks(*lot_of([*(8 + x for x in near(9)), 1.0]))["latency"]
    assert odd_names(look) == ["module 10"]
    assert not look.odd[0].is_worse


@pytest.mark.parametrize(("far", "found"), [(2.9, False), (3.4, True)])
def test_a_unit_within_the_measurement_uncertainty_is_never_odd(far, found):
    """Both doubts are 0.5 ms and the middle 2.0: up to 3.0 and both intervals, nothing is odd."""
    values = [2.0, 2.001, 2.002, 1.999, 1.998, 2.0015, 1.9985, far]
    assert bool(looks(*lot_of(values))["latency"].odd) is found


def test_several_odd_units_among_many_are_found():
    values = [*near(16), 30.0, 30.1, 29.0]
    assert set(odd_names(looks(*lot_of(values))["latency"])) == {"module 17", "module 18", "module 19"}


def test_at_most_a_quarter_is_odd_and_a_mixed_lot_is_told():
    values = [*near(12), *(30 + x for x in near(6, 2))]
    look = looks(*lot_of(values))["latency"]
    assert len(look.odd) <= 4
    assert look.is_mixed


def test_two_that_mask_each_other_are_doubted():
    look = looks(*lot_of([*near(8), 30.0, 30.2]))["latency"]
    assert look.odd == ()
    assert [unit.name for unit in look.doubted] == ["module 10", "module 9"]


def test_the_far_end_of_a_long_tail_is_not_odd():
    """Ratios of 1.35 from one to the next: lognormal, and as it is the last one is beyond Grubbs's limit."""
    values = [1.35**n for n in (0, 1, 2, 2, 3, 3, 4, 5, 9)]
    assert grubbs(values, 0.05).places == (8,)
    assert looks(*lot_of(values, half=0.001, doubt=0.0))["latency"].odd == ()
    values[-1] = 1.35**40
    assert odd_names(looks(*lot_of(values, half=0.001, doubt=0.0))["latency"]) == ["module 9"]


def test_of_worst_cases_only_the_bad_side_counts():
    def lot(last):
        values = [40 + x for x in near(9)] + [last]
        return [document(f"{n}", check("telemetry_age", v, limit=150)) for n, v in enumerate(values)]

    assert looks(*lot(20.0))["telemetry_age"].odd == ()
    assert odd_names(looks(*lot(60.0))["telemetry_age"]) == ["9"]


def test_delivery_goes_by_the_median_rule_and_its_interval():
    def lot(low):
        units = [document(f"{n}", delivery(100.0, 98.5, 100.0)) for n in range(7)]
        return [*units, document("last", delivery(low, low - 1, low + 0.7))]

    assert looks(*lot(99.9))["delivery"].odd == ()
    found = looks(*lot(91.5))["delivery"]
    assert (found.test, odd_names(found)) == ("median rule", ["last"])


def test_largest_values_and_counts_are_not_tested():
    lot = [document(f"{n}", check("control_gap", gap, limit=100)) for n, gap in enumerate([21] * 9 + [95])]
    look = looks(*lot)["control_gap"]
    assert (look.test, look.odd) == ("", ())


def test_equal_units_are_not_tested():
    assert looks(*lot_of([2.0] * 8))["latency"].why == "no two units differ"


def test_a_unit_without_a_value_is_left_out_of_the_test():
    lot = lot_of([*near(8), 30.0])
    lot[0]["checks"][0]["value"] = None
    look = looks(*lot)["latency"]
    assert (look.units, odd_names(look)) == (8, ["module 9"])


def test_figures_share_the_risk():
    """What one figure alone calls odd is not enough among twenty: the critical value rises."""
    alone = looks(*lot_of(near(8)))["latency"].critical
    values = near(8)
    many = [
        document(f"{n}", *(latency(v) | {"name": f"latency {k}"} for k in range(20)))
        for n, v in enumerate(values)
    ]
    assert looks(*many)["latency 0"].critical > alone

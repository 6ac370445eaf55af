"""The harness says what a margin would mean for range, by published formulas."""

from __future__ import annotations

import math

import pytest

from harness.measure.propagation import free_space_factor, rayleigh_outage, two_ray_breakpoint_m

# Recommendation ITU-R P.525, section 2.3: 32.4 + 20 log10 f_MHz + 20 log10 d_km at 2440 MHz (read in a
# secondary copy, recomputed).
P525 = [(1, 40.1478), (10, 60.1478), (100, 80.1478), (1000, 100.1478)]


@pytest.mark.parametrize(("distance_m", "loss_db"), P525)
def test_range_grows_with_the_margin_as_free_space_loss_does(distance_m, loss_db):
    assert free_space_factor(loss_db - P525[0][1]) == pytest.approx(distance_m, rel=1e-9)


# 1 - exp(-10**(-M/10)): Rappaport, Wireless Communications; Proakis, Digital Communications (cited from
# memory, recomputed).
@pytest.mark.parametrize(
    ("margin_db", "outage"),
    [(3, 0.394189007), (6, 0.222124383), (10, 0.095162582), (20, 0.00995016625), (30, 0.000999500167)],
)
def test_rayleigh_fades_deeper_than_a_margin(margin_db, outage):
    assert rayleigh_outage(margin_db) == pytest.approx(outage, rel=1e-6)


# 4 h1 h2 / wavelength at 2440 MHz: Recommendation ITU-R P.1411; Rappaport (cited from memory, computed from
# the definition; no printed number compared).
@pytest.mark.parametrize(("heights", "metres"), [((1.5, 1.5), 73.251), ((1, 2), 65.112), ((1, 30), 976.676)])
def test_free_space_ends_where_the_ground_matters(heights, metres):
    assert two_ray_breakpoint_m(*heights, 2.44e9) == pytest.approx(metres, abs=0.01)


def test_no_margin_is_too_large_or_too_small():
    for margin_db in (-1e9, 1e9, math.inf, -math.inf):
        assert free_space_factor(margin_db) >= 0
        assert 0 <= rayleigh_outage(margin_db) <= 1

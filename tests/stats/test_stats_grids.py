"""The tick that a row of instants has in common is found, and only where there is one."""

import numpy as np
import pytest

from harness.stats.grids import fit_grid


def lives(count, of=1):
    return np.arange(count) * of // count


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("tick", [5_000, 17_500, 20_003])
def test_a_tick_is_found_to_a_part_in_a_million(tick, seed):
    generator = np.random.default_rng(seed)
    times = 123_456 + tick * generator.integers(0, 60_000_000 // tick, 20)
    found = fit_grid(times, lives(20), 0.9 * tick, 1.7 * tick)
    assert found.tick == pytest.approx(tick, rel=1e-6)
    assert found.width < 1e-3 * tick
    assert found.p_value < 1e-12


def test_each_life_has_a_grid_of_its_own():
    generator = np.random.default_rng(1)
    times = 20_000 * np.sort(generator.integers(0, 3_000, 20))
    times[10:] += 7_654
    assert fit_grid(times, lives(20, 2), 19_900, 20_100).width < 1
    assert fit_grid(times, lives(20), 19_900, 20_100).width > 1_000


def test_instants_without_a_grid_fit_none():
    """P below 1 % among 200 seeded rows: binomial(200, 0.01) exceeds 7 once in 1 000 (false alarm)."""
    generator = np.random.default_rng(2)
    rows = (np.sort(generator.integers(0, 60_000_000, 12)) for _ in range(200))
    assert sum(fit_grid(row, lives(12), 19_900, 20_100).p_value < 0.01 for row in rows) <= 7


def test_too_few_times_or_too_many_ticks_are_not_searched():
    assert fit_grid(np.array([1, 2]), lives(2), 10, 20) is None
    assert fit_grid(np.array([0, 10, 60_000_000]), lives(3), 10, 20) is None
    assert fit_grid(np.array([0, 10, 20]), lives(3), 20, 10) is None

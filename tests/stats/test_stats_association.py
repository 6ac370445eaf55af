"""The harness tells whether bad events go with something, as SciPy's own tests do."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from harness.chance import stream
from harness.stats.association import more_than_chance, rank_test


@pytest.mark.parametrize(
    ("hits", "events", "marked", "trials"),
    [
        (1, 1, 1, 2),
        (3, 5, 10, 40),
        (8, 9, 20, 5000),
        (21, 21, 21, 5375),
        (97, 97, 100, 5375),
        (2, 30, 40, 100),
    ],
)
def test_more_hits_than_chance_explains_are_as_likely_as_scipy_says(
    hits: int, events: int, marked: int, trials: int
) -> None:
    # scipy.stats.hypergeom(M, n, N): M in all, n marked, N drawn
    expected = stats.hypergeom(trials, marked, events).sf(hits - 1)
    assert more_than_chance(hits, events, marked, trials) == pytest.approx(expected, rel=1e-9)


def test_fishers_tea_has_a_chance_of_one_in_seventy() -> None:
    # R. A. Fisher, The Design of Experiments, 1935, chapter 2: eight cups, four right, all found
    assert more_than_chance(4, 4, 4, 8) == pytest.approx(1 / 70)


def test_no_hits_and_counts_that_contradict_each_other_prove_nothing() -> None:
    assert more_than_chance(0, 5, 5, 50) == 1.0
    assert more_than_chance(3, 60, 5, 50) == 1.0
    assert more_than_chance(6, 5, 8, 50) == 0.0


@pytest.mark.parametrize("levels", [4, 1000])
def test_a_rank_test_agrees_with_scipy(levels: int) -> None:
    draw = stream(1, f"association/{levels}")
    event = np.array([draw.random() < 0.2 for _ in range(400)])
    values = np.array([draw.randrange(levels) + levels * 0.1 * bad for bad in event.tolist()])
    share, p_value = rank_test(values, event)
    found = stats.mannwhitneyu(values[event], values[~event], alternative="greater", method="asymptotic")
    assert p_value == pytest.approx(float(found.pvalue), rel=1e-9)
    assert share == pytest.approx(float(found.statistic) / (event.sum() * (~event).sum()))


def test_a_rank_test_says_nothing_of_few_events_or_equal_values() -> None:
    values = np.arange(50, dtype=np.float64)
    assert rank_test(values, values > 46) == (0.5, 1.0)
    assert rank_test(np.ones(50), values > 25) == (0.5, 1.0)

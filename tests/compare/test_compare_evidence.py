"""The page of false alarms and power still fits the code: a few of its rows are simulated again."""

import math
import re
import sys
from pathlib import Path

import pytest

from harness.compare.figures import FIGURES

EVIDENCE = Path(__file__).parents[1] / "evidence"
PAGE = (EVIDENCE / "comparison.md").read_text()
sys.path.insert(0, str(EVIDENCE))
import comparison  # noqa: E402


def cells_of(*words):
    """The shares in the page's row that begins with these words, in the order of its columns."""
    (row,) = [line for line in PAGE.splitlines() if line.startswith(f"| {' | '.join(words)} | ")]
    return [float(share) / 100 for share in re.findall(r"([\d.]+) % \(", row)]


def fits(count, pairs, share):
    """Whether a count of pairs is within four standard deviations of the page's share, and a pair."""
    return abs(count - pairs * share) <= 4 * math.sqrt(pairs * share * (1 - share)) + 1


def test_every_row_is_on_the_page():
    for row in (*comparison.HEALTHY, *comparison.DIFFERING):
        assert len(cells_of(row.plan, row.name)) == 3
    for row in comparison.CHANGED:
        assert len(cells_of(row.change, row.plan, row.name)) == 2


@pytest.mark.parametrize("row", comparison.HEALTHY, ids=lambda row: f"{row.plan}, {row.name}")
def test_false_alarms_are_as_rare_as_promised(row):
    worse, better, _ = cells_of(row.plan, row.name)
    assert worse <= 0.05
    assert better <= 0.05


@pytest.mark.parametrize("place", [0, 1])
def test_healthy_pairs_come_out_as_on_the_page(place):
    row, pairs = comparison.HEALTHY[place], 25
    found = comparison.answers(row, pairs)
    for share, key in zip(cells_of(row.plan, row.name), ("worse", "better", "all"), strict=True):
        assert fits(found[key], pairs, share), key


@pytest.mark.parametrize(
    "row", [comparison.CHANGED[0], comparison.CHANGED[6], comparison.CHANGED[-3]], ids=lambda row: row.change
)
def test_changes_are_seen_as_often_as_on_the_page(row):
    pairs = 60
    found = comparison.answers(row, pairs)
    for share, key in zip(cells_of(row.change, row.plan, row.name), ("worse", "all"), strict=True):
        assert fits(found[key], pairs, share), key


def test_changes_as_large_as_the_margin_are_seldom_called_no_worse():
    for row in comparison.CHANGED:
        if row.change.startswith(("1 %", "failsafe 20 ms")) and row.runs == 1:
            assert cells_of(row.change, row.plan, row.name)[1] <= 0.06, row  # 5 % and Monte-Carlo error


def test_simulated_figures_are_figures_of_the_command():
    rng = comparison.w.generator(1, "figures")
    assert set(comparison.w.one_run(comparison.SINGLE, "regression", rng)) <= {one.key for one in FIGURES}

"""The committed page of many units is that of the code as it is, and shows what it promises."""

import re
import sys
from pathlib import Path

import numpy as np
import pytest

EVIDENCE = Path(__file__).parents[1] / "evidence"
sys.path.insert(0, str(EVIDENCE))

import units as page  # noqa: E402
from unit_lots import pool  # noqa: E402

from harness.stats.sampling import SamplingPlan  # noqa: E402

PAGE = (EVIDENCE / "units.md").read_text(encoding="utf-8")
LINES = [line for line in PAGE.splitlines() if re.match(r"\| [\dn]", line)]
ROWS = [[cell.strip() for cell in line.strip("|").split("|")] for line in LINES]
ALARMS = [row for row in ROWS if row[0].isdigit()]
POWER = {row[0]: row[1:] for row in ROWS if row[0] in page.KINDS}
DECISIONS = [row for row in ROWS if row[0].startswith("n=")]
SIGMAS = 4.5
"""A true share is missed by so many standard deviations once in 150 000 tries."""


def first(cell):
    return float(cell.split(" %")[0]) / 100


def spread(share, lots):
    return SIGMAS * np.sqrt(max(share * (1 - share), 0.02) / lots)


def test_the_page_has_every_cell():
    assert f"{page.LOTS} lots in each cell" in PAGE
    assert [int(row[0]) for row in ALARMS] == list(page.SIZES)
    assert list(POWER) == list(page.KINDS)
    assert len(DECISIONS) == len(page.PLANS) * len(page.SHARES)


@pytest.mark.parametrize("row", ALARMS, ids=lambda row: f"of {row[0]}")
def test_healthy_units_are_called_odd_no_oftener_than_stated(row):
    """Of normal figures, of lopsided ones, and of the mock's."""
    assert first(row[1]) <= 0.05 + spread(0.05, page.LOTS)
    assert first(row[2]) <= 0.05 + spread(0.05, page.LOTS)
    assert first(row[3]) <= 0.05 + spread(0.05, page.LOTS)


def test_odd_units_are_found_where_the_bench_can_show_them():
    assert all(first(cell) >= 0.95 for cell in POWER["12 dB deaf, with 10 dB of margin on the bench"])
    assert all(first(cell) >= 0.95 for cell in POWER["5 ms later"][1:])
    assert all(first(cell) >= 0.95 for cell in POWER["12 dB deaf, by the plan `margin`"][1:])
    assert all(first(cell) <= 0.05 for cell in POWER["12 dB deaf, with 25 dB of margin on the bench"])


@pytest.mark.parametrize("row", DECISIONS, ids=lambda row: f"{row[0]} {row[1]}")
def test_lots_are_accepted_as_calculated(row):
    numbers = [int(number) for number in re.findall(r"\d+", row[0])]
    plan = SamplingPlan(numbers[0], numbers[1], numbers[2] if len(numbers) > 2 else None)
    expected = plan.accepts(first(row[1]))
    assert first(row[3]) == pytest.approx(expected, abs=6e-4)
    assert first(row[2]) == pytest.approx(expected, abs=spread(expected, page.LOTS))


@pytest.mark.parametrize("count", [4, 8, 15])
def test_a_few_cells_of_drawn_lots_come_out_again(count):
    lots = 40
    for draw in (page.normal, page.lopsided):
        found = page.false_alarms(draw, count, lots, "again")
        assert found / lots <= 0.05 + spread(0.05, lots)


@pytest.mark.slow
def test_a_few_cells_of_mock_lots_come_out_again():
    """Seven healthy units and one that is 5 ms later; then eight healthy ones."""
    healthy = pool("again", 8, {})
    change, shared, plan = page.KINDS["5 ms later"]
    late = pool("again-late", 1, shared | change, plan=plan)
    assert page.called_odd([*late, *healthy[:7]]) == (0,)
    assert page.called_odd(healthy) == ()

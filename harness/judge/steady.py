"""How do figures stay the same on every processor? Their last digits, which depend on it, are rounded away.

Vector units add in different orders, so that the last few of a float's 16 digits differ between machines.
Nine are more than any figure here deserves. What was counted, and the limits, are exact and stay as they are.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from harness.findings import Cell, Figure, Grid, Section
from harness.verdict import CheckResult

DIGITS: Final = 9
_Ends = tuple[float | None, float | None] | None


def steady_result(result: CheckResult) -> CheckResult:
    """Return the result with its measured numbers in `DIGITS` significant digits."""
    return replace(
        result,
        value=_steady(result.value),
        interval=_ends(result.interval),
        uncertainty=_steady(result.uncertainty),
    )


def steady_section(section: Section) -> Section:
    """Return the section with its measured numbers in `DIGITS` significant digits."""
    return replace(
        section,
        figures=tuple(map(_figure, section.figures)),
        grids=tuple(map(_grid, section.grids)),
    )


def _figure(figure: Figure) -> Figure:
    return replace(figure, value=_steady(figure.value), interval=_ends(figure.interval))


def _grid(grid: Grid) -> Grid:
    return replace(grid, rows=tuple(tuple(map(_cell, row)) for row in grid.rows))


def _cell(cell: Cell) -> Cell:
    return _steady(cell) if isinstance(cell, float) else cell


def _ends(interval: _Ends) -> _Ends:
    return None if interval is None else (_steady(interval[0]), _steady(interval[1]))


def _steady(number: float | None) -> float | None:
    if number is None or isinstance(number, int) or not math.isfinite(number):
        return number
    return float(f"{number:.{DIGITS}g}")

"""What was measured, beside the verdicts? Named figures and small tables, in sections, ready to be shown.

A section says nothing about good or bad; checks do. Whoever shows it escapes every text: names of channels
come from the plan, other words may come from a device.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

Cell = str | int | float | None
"""One cell of a grid: None is shown as empty."""

KEYS: Final = (
    "clocks", "latency", "age", "losses", "delivery", "proof", "failsafe", "fidelity", "telemetry", "limits",
    "margin", "lines", "soak",
)  # fmt: skip
"""Every section there can be, in the order in which they are shown."""


def percent(share: float) -> str:
    """Return a share of 1 as a percentage: 0.95 as `95 %`."""
    return f"{100 * share:.6g} %"


@dataclass(frozen=True, slots=True)
class Figure:
    """One number with its unit, its interval if it has one, and what must be known to read it.

    `value` and both ends of `interval` are in `unit`; None is an open end or no number. Each end of the
    interval holds one-sided with `confidence`. `note` is a few words, such as a standard's section.
    """

    name: str
    value: float | None
    unit: str = ""
    interval: tuple[float | None, float | None] | None = None
    confidence: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Grid:
    """A small table: as many cells in each row as there are heads; units stand in the heads."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""

    def __post_init__(self) -> None:
        assert all(len(row) == len(self.heads) for row in self.rows), self.title


@dataclass(frozen=True, slots=True)
class Section:
    """Figures and tables that belong together. `key` is one of `KEYS`, `notes` are whole sentences."""

    key: str
    title: str
    figures: tuple[Figure, ...] = ()
    grids: tuple[Grid, ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        assert self.key in KEYS, self.key

"""How is a lot told in the terminal? The decision first, then the units, the figures, the curve."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from typing import Final

from harness.escape import clean
from harness.findings import Grid
from harness.report.sections import render_grid
from harness.units import wording
from harness.units.decision import Decision
from harness.units.lots import Lot
from harness.units.odd import Look
from harness.units.ranking import Ranking
from harness.units.results import Results

WIDTH: Final = 100
WIDTH_MIN: Final = 60
MOST_LINES: Final = 12
"""Runs that were left out are named up to so many."""


def render(results: Results, *, width: int | None = None, full: bool = False) -> str:
    """Return the report, a newline at the end; `full` tells every unit's figures."""
    wide = WIDTH if width is None else max(width, WIDTH_MIN)
    lot, ranking, looks = results.lot, results.ranking, results.looks
    parts = [
        _wrap([wording.headline(lot, results.decision), *_introduction(lot)], wide),
        render_grid(units_grid(ranking, looks), wide),
        _wrap(wording.ranking_words(lot, ranking), wide),
        render_grid(figures_grid(lot, looks), wide),
        _wrap([*untested(looks), *wording.looks_words(looks, len(lot.units))], wide),
        *([_wrap(stands_out(looks), wide)] if stands_out(looks) else []),
        *(render_grid(unit_figures(ranking, look), wide) for look in looks if full and look.units),
        _wrap(wording.decision_words(lot, results.decision), wide),
        *([render_grid(curve_grid(results.decision), wide)] if results.decision.curve else []),
        _wrap(left_out(lot, MOST_LINES), wide),
        _wrap((wording.SIMULATED, *wording.CAUTIONS) if lot.kind != "real" else wording.CAUTIONS, wide),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _introduction(lot: Lot) -> list[str]:
    return [
        lot.title,
        f"{wording.many(len(lot.units), 'unit')}, {wording.many(lot.runs, 'run')}, {lot.kind} devices, "
        f"{lot.packet_rate}",
        *(f"note: {note}" for note in lot.notes),
    ]


def units_grid(ranking: Ranking, looks: Sequence[Look]) -> Grid:
    """Return the units in order."""
    rows = tuple(
        (
            wording.place_words(place),
            place.unit.short,
            place.unit.verdict.value,
            str(len(place.unit.folders)),
            wording.room_words(place),
            wording.odd_in(place, looks),
        )
        for place in ranking.places
    )
    return Grid("Units", ("place", "unit", "verdict", "runs", "tightest check", "stands out in"), rows)


def figures_grid(lot: Lot, looks: Sequence[Look]) -> Grid:
    """Return the figures with their range over the lot and how they were tested."""
    rows = []
    for look in looks:
        values = sorted(u.figures[look.subject.key].value for u in lot.units if look.subject.key in u.figures)
        if values and len(set(values)) > 1:
            ends = [wording.value_words(look.subject, value) for value in _three(values)]
            allowed = "" if look.critical is None else f"{look.test}, {look.critical:.3g}"
            names = ", ".join(odd.unit.short for odd in look.odd)
            rows.append((look.subject.title, *ends, allowed or "not tested", names))
    heads = ("figure", "least", "middle", "most", "test, allows", "stands out")
    return Grid("Figures over the lot", heads, tuple(rows))


def untested(looks: Sequence[Look]) -> list[str]:
    """Return why figures were not tested, one sentence for each reason."""
    reasons: dict[str, list[str]] = {}
    for look in looks:
        if look.why:
            reasons.setdefault(look.why, []).append(look.subject.title)
    return [f"{why[0].upper()}{why[1:]}: {', '.join(titles)}." for why, titles in reasons.items()]


def _three(values: Sequence[float]) -> tuple[float, float, float]:
    """Return the least, the middle (of an even number the lower one, which a unit has), and the most."""
    return values[0], values[(len(values) - 1) // 2], values[-1]


def stands_out(looks: Iterable[Look]) -> list[str]:
    """Return one sentence for each thing that stands out."""
    return [wording.odd_words(look, odd) for look in looks for odd in look.odd]


def unit_figures(ranking: Ranking, look: Look) -> Grid:
    """Return one figure of every unit, the best first; units without a value last."""
    key, better = look.subject.key, look.subject.better
    units = [place.unit for place in ranking.places]
    having = sorted((u for u in units if key in u.figures), key=lambda u: -better * u.figures[key].value)
    odd = {one.unit.name for one in look.odd}
    rows = []
    for unit in [*having, *(unit for unit in units if key not in unit.figures)]:
        told = wording.told(look.subject, unit.figures.get(key))
        rows.append(
            (unit.short, told.value or "none", told.interval, "stands out" if unit.name in odd else "")
        )
    limit = wording.told(look.subject, None).limit
    return Grid(
        f"{look.subject.title}" + (f", {limit}" if limit else ""),
        ("unit", "value", "interval", ""),
        tuple(rows),
    )


def curve_grid(decision: Decision) -> Grid:
    """Return the operating characteristic as a table."""
    points = decision.curve.points if decision.curve else ()
    lot = decision.asked.size
    rows = tuple(
        (wording.share(bad), *((round(bad * lot),) if lot else ()), wording.share(accepted))
        for bad, accepted in points
    )
    heads = ("bad units in the lot", *(("that is",) if lot else ()), "accepted in so many of all cases")
    return Grid("Operating characteristic", heads, rows)


def left_out(lot: Lot, most: int) -> list[str]:
    """Name what could not be compared."""
    lines = [f"Left out: {why}." for why in lot.left_out[:most]]
    return lines + ([f"Left out: {len(lot.left_out) - most} more."] if len(lot.left_out) > most else [])


def _wrap(lines: Iterable[str], width: int) -> str:
    return "\n".join(
        textwrap.fill(clean(line, 1000), width, subsequent_indent="  ", break_on_hyphens=False)
        for line in lines
    )

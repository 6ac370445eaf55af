"""How is a strip drawn? Every packet one mark, row by row, as many in a row as make a round time.

Where there are more packets than marks have room, a mark stands for several and shows the worst of them, so
that no loss goes out of sight; the note says so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from harness.plots.looks import HOLLOW, MARKERS, Palette
from harness.plots.model import Bytes, Floats, Strip
from harness.plots.sheet import ROOM, SMALL_PT, Legend, Sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ROWS_MOST: Final = 90
COLUMNS_LEAST, COLUMNS_MOST = 60, 140
ROUND_S: Final = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 2.5, 4.0, 5.0, 10.0, 20.0, 60.0)
LABELS: Final = 16


def draw_strip(strip: Strip, look: Palette) -> Figure:
    """Return a strip as a figure."""
    columns = columns_for(strip.at_s)
    each = max(1, -(-len(strip.fate) // (columns * ROWS_MOST)))
    shown = worst_of(strip, each)
    rows = max(1, -(-len(shown) // columns))
    pitch = ROOM / columns
    note = _note(strip, each, columns)
    sheet = Sheet(
        strip.title, note, int(rows * pitch * 1.15) + 8, look, above_px=0, axis_px=14,
        legend=_legend(strip, look),
    )  # fmt: skip
    axes = sheet.axes
    axes.set_xlim(-0.5, columns - 0.5)
    axes.set_ylim(rows - 0.3, -0.7)
    _marks(axes, strip, shown, columns, look)
    _breaks(axes, strip, each, columns, look)
    _times(axes, strip, each, columns, rows)
    sheet.dress()
    for spine in axes.spines.values():
        spine.set_visible(False)
    return sheet.figure


def columns_for(at_s: Floats) -> int:
    """Return how many packets make a row: those of a round time, so that rhythms make columns."""
    if len(at_s) < 2:
        return COLUMNS_LEAST
    period = float(np.median(np.diff(at_s)))
    fits = [round(time / period) for time in ROUND_S] if period > 0 else []
    good = [count for count in fits if COLUMNS_LEAST <= count <= COLUMNS_MOST]
    return max(good, default=100)


def worst_of(strip: Strip, each: int) -> Bytes:
    """Return the fates of so many packets together: of the highest rank."""
    if each == 1 or not len(strip.fate):
        return strip.fate
    rank = np.array([fate.rank for fate in strip.fates], dtype=np.int64)
    by_rank = np.argsort(rank, kind="stable")
    place = np.empty(len(rank), dtype=np.int64)
    place[by_rank] = np.arange(len(rank))
    worst = np.maximum.reduceat(place[strip.fate], np.arange(0, len(strip.fate), each))
    return by_rank[worst].astype(np.uint8)


def _marks(axes: Axes, strip: Strip, shown: Bytes, columns: int, look: Palette) -> None:
    room = ROOM / columns * 0.72  # points, of a pitch in pixels at 100 dots an inch
    for number, fate in enumerate(strip.fates):
        places = np.flatnonzero(shown == number)
        usual = fate.rank == 0
        colour = look.tones[fate.tone]
        hollow = fate.tone in HOLLOW
        axes.plot(
            places % columns, places // columns, linestyle="none", marker=MARKERS[fate.symbol],
            markersize=room * (0.42 if usual else 0.62 if fate.tone != "bad" else 0.95),
            markerfacecolor="none" if hollow else colour, markeredgecolor=colour,
            markeredgewidth=0.9 if hollow else 1.7 if fate.symbol in ("cross", "bar") else 0.0,
            alpha=0.55 if usual else 1.0, zorder=2 + fate.rank,
        )  # fmt: skip


def _breaks(axes: Axes, strip: Strip, each: int, columns: int, look: Palette) -> None:
    """Draw an upright line before each mark before which something was done."""
    places = np.unique(np.array([place // each for place, _ in strip.breaks], dtype=np.int64))
    row, column = places // columns, places % columns - 0.5
    axes.vlines(column, row - 0.48, row + 0.48, colors=look.ink, linewidth=1.0, zorder=1.5)


def _times(axes: Axes, strip: Strip, each: int, columns: int, rows: int) -> None:
    """Tell at the left when the first packet of some rows was sampled."""
    step = max(1 if rows == 1 else 2, -(-rows // LABELS))
    places = [row for row in range(0, rows, step) if row * columns * each < len(strip.at_s)]
    axes.set_yticks(places, labels=[f"{strip.at_s[row * columns * each]:.1f}" for row in places])
    axes.tick_params(length=0, labelsize=SMALL_PT)
    axes.set_xticks([])


def _note(strip: Strip, each: int, columns: int) -> str:
    parts = [f"{columns * each} packets a row; at the left when it begins, in s of the run."]
    if strip.breaks:
        parts.append("An upright line: a step begins, or something was done to the link.")
    if each > 1:
        parts.append(f"One mark stands for {each} packets and shows the worst of them.")
    return " ".join(part for part in (*parts, strip.note) if part)


def _legend(strip: Strip, look: Palette) -> Legend:
    from matplotlib.lines import Line2D

    legend = Legend()
    counts = np.bincount(strip.fate, minlength=len(strip.fates))
    for number in sorted(range(len(strip.fates)), key=lambda number: strip.fates[number].rank):
        fate = strip.fates[number]
        if not counts[number]:
            continue
        colour, hollow = look.tones[fate.tone], fate.tone in HOLLOW
        handle = Line2D(
            [], [], linestyle="none", marker=MARKERS[fate.symbol], markersize=6,
            markerfacecolor="none" if hollow else colour, markeredgecolor=colour,
            markeredgewidth=0.9 if hollow else 1.7 if fate.symbol in ("cross", "bar") else 0.0,
        )  # fmt: skip
        legend.add(f"{fate.word}: {counts[number]}", handle)
    return legend


__all__ = ["columns_for", "draw_strip", "worst_of"]

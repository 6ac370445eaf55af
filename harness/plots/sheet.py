"""Where do things stand on a picture? A sheet with a title, room for labels, a legend and a note.

All lengths are in pixels from the top left; only `Sheet` knows matplotlib's shares of a figure.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from harness.escape import clean
from harness.plots.looks import Palette

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DPI: Final = 100
WIDTH: Final = 1100
LEFT, RIGHT = 80, 24
TITLE_PX, LINE_PX, LABEL_PX, LEGEND_PX = 42, 17, 15, 20
TITLE_PT, TEXT_PT, SMALL_PT = 12.0, 9.0, 8.0
CHAR_PX: Final = 6.4
"""Mean width of a character of the small size, on the wide side (DejaVu Sans, 100 dots an inch)."""
ROOM: Final = WIDTH - LEFT - RIGHT
GAP_PX: Final = 8


def text_px(text: str) -> float:
    """Return about how wide a small text is."""
    return CHAR_PX * len(text)


class Legend:
    """The entries of a legend, each name once, packed into rows."""

    def __init__(self) -> None:
        self.entries: dict[str, Artist] = {}

    def add(self, name: str, handle: Artist) -> None:
        """Add an entry unless the name has one."""
        self.entries.setdefault(clean(name, 60), handle)

    @property
    def columns(self) -> int:
        """How many entries stand beside each other."""
        widest = max((text_px(name) + 48 for name in self.entries), default=1.0)
        return max(1, min(len(self.entries), int(ROOM / widest)))

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return -(-len(self.entries) // self.columns)


class Sheet:
    """A figure with one pair of axes of `inner_px` height, labels above it and legend and note below it."""

    def __init__(
        self,
        title: str,
        note: str,
        inner_px: int,
        look: Palette,
        *,
        above_px: int,
        axis_px: int,
        legend: Legend,
    ) -> None:
        from matplotlib.figure import Figure

        self.look = look
        lines = textwrap.wrap(clean(note, 1_000), int(ROOM / CHAR_PX))
        below = axis_px + LEGEND_PX * legend.rows + LINE_PX * len(lines) + 12
        self.height = TITLE_PX + above_px + inner_px + below
        self.figure: Figure = Figure(figsize=(WIDTH / DPI, self.height / DPI), dpi=DPI, facecolor=look.paper)
        self.axes: Axes = self.figure.add_axes(
            (LEFT / WIDTH, below / self.height, ROOM / WIDTH, inner_px / self.height), facecolor=look.paper
        )
        self.write(12, 16, clean(title, 120), TITLE_PT, look.ink, weight="bold")
        legend_at = TITLE_PX + above_px + inner_px + axis_px
        self._legend(legend, legend_at)
        for number, line in enumerate(lines):
            at_px = legend_at + LEGEND_PX * legend.rows + 8 + LINE_PX * number
            self.write(LEFT, at_px, line, SMALL_PT, look.ink)

    def write(self, x: float, y: float, text: str, size: float, colour: str, **more: Any) -> None:
        """Write text whose left end and middle height are at a place, in pixels from the top left."""
        self.figure.text(
            x / WIDTH, 1 - y / self.height, text, fontsize=size, color=colour, va="center", parse_math=False,
            **more,
        )  # fmt: skip

    def _legend(self, legend: Legend, at_px: float) -> None:
        if not legend.entries:
            return
        names = [f" {name}" if name.startswith("_") else name for name in legend.entries]
        drawn = self.figure.legend(
            list(legend.entries.values()), names, loc="upper left", ncols=legend.columns, frameon=False,
            bbox_to_anchor=((LEFT - 8) / WIDTH, 1 - at_px / self.height), fontsize=SMALL_PT, borderpad=0,
            labelcolor=self.look.ink, handlelength=2.2, columnspacing=1.6,
        )  # fmt: skip
        for text in drawn.get_texts():
            text.set_parse_math(False)

    def dress(self) -> None:
        """Give the axes their colours."""
        for side, spine in self.axes.spines.items():
            spine.set_color(self.look.ink if side in ("left", "bottom") else self.look.faint)
        self.axes.tick_params(colors=self.look.ink, labelsize=SMALL_PT, which="both")
        self.axes.xaxis.label.set_color(self.look.ink)
        self.axes.yaxis.label.set_color(self.look.ink)


def packed(starts_px: Sequence[float], widths_px: Sequence[float], rows: int) -> list[int]:
    """Return for each label, the weightiest first, the lowest row in which it has room; -1 for none."""
    taken: list[list[tuple[float, float]]] = [[] for _ in range(rows)]
    found = []
    for start, width in zip(starts_px, widths_px, strict=True):
        low, high = start - GAP_PX, start + width + GAP_PX
        free = (row for row, spans in enumerate(taken) if all(e <= low or s >= high for s, e in spans))
        row = next(free, -1)
        if row >= 0:
            taken[row].append((start, start + width))
        found.append(row)
    return found


__all__ = [
    "CHAR_PX",
    "LABEL_PX",
    "LEFT",
    "ROOM",
    "SMALL_PT",
    "TEXT_PT",
    "Legend",
    "Sheet",
    "packed",
    "text_px",
]

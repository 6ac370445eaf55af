"""How is a run shown on a terminal of any size? As rows of words in fixed places, made from one snapshot.

Each row has a rank; where a terminal has fewer lines than there are rows, those of the greatest rank are left
out, and what is left keeps its order. So nothing moves while a run goes on: the same terminal, plan and
bench give the same rows. Foreign text is cleaned here, and whoever draws gets plain text and a style for each
piece. Styles are the sixteen colours that every terminal has a meaning for; shapes and words say the same.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len, set_cell_size

from harness.report.escape import clean
from harness.report.glyphs import glyphs_for
from harness.report.sheet import DIM, Part, Row, Sheet
from harness.report.snapshot import Snapshot


class View:
    """Draws snapshots for one stream, whose `encoding` decides about characters."""

    def __init__(self, encoding: str | None = "utf-8") -> None:
        self._encoding = encoding or "ascii"
        self._glyphs = glyphs_for(encoding)

    def lines(self, snapshot: Snapshot, width: int, height: int) -> list[list[Part]]:
        """Return at most `height` lines of at most `width` cells each, at least one."""
        sheet = Sheet(snapshot, max(8, width), height, self._glyphs, self._plain)
        rows = _fitting(sheet.rows(), max(1, height))
        return [_cropped(row.parts, width, self._glyphs.more) for row in rows]

    def _plain(self, text: str) -> str:
        """Return foreign text as the stream can show it: what it lacks is escaped before it is measured."""
        return clean(text).encode(self._encoding, "backslashreplace").decode(self._encoding)


def _fitting(rows: Sequence[Row], height: int) -> list[Row]:
    """Leave out rows until the rest fits: those of the greatest rank first, and of these the last."""
    spare = len(rows) - height
    by_rank = sorted(range(len(rows)), key=lambda place: (-rows[place].rank, -place))
    out = set(by_rank[: max(0, spare)])
    kept = [row for place, row in enumerate(rows) if place not in out]
    hidden = sum(rows[place].is_channel for place in out)
    shown = [place for place, row in enumerate(kept) if row.is_channel]
    if hidden and len(shown) > 2:
        kept[shown[-1]] = Row(0, ((f"and {hidden + 1} more channels", DIM),))
    return kept


def _cropped(parts: Sequence[Part], width: int, more: str) -> list[Part]:
    """Cut a line at the edge of the terminal; a wider one would move everything below it."""
    kept, left = [], width
    for text, style in parts:
        size = cell_len(text)
        if size > left:
            text = set_cell_size(text, left - 1) + more if left else ""  # noqa: PLW2901
            size = left
        if text:
            kept.append((text, style))
        left -= size
    return kept

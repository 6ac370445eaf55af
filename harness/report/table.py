"""How do all checks stand in one table? Fitted to a terminal by rich, or as plain aligned lines."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from harness.report.escape import clean
from harness.report.figures import figures
from harness.verdict import CheckResult, Verdict

if TYPE_CHECKING:
    from rich.box import Box
    from rich.table import Table

HEADS: Final = ("check", "verdict", "value", "interval", "limit", "margin", "samples")
NARROW_HEADS: Final = ("check", "verdict", "value\ninterval", "limit\nmargin", "samples")
GAP: Final = 2
NAME_MIN: Final = 10
"""A check's name may be folded into this many columns before anything else is."""
STYLES: Final = {
    Verdict.NONE: "dim",
    Verdict.PASS: "green",
    Verdict.INCONCLUSIVE: "yellow",
    Verdict.FAIL: "bold red",
    Verdict.ERROR: "bold magenta",
}


def plain_table(results: Sequence[CheckResult]) -> str:
    """Return one aligned line a check, under a line of headings."""
    rows = [HEADS, *map(_row, results)]
    widths = _widths(rows)
    lines = []
    for row in rows:
        cells = [cell + " " * (width - columns(cell)) for cell, width in zip(row, widths, strict=True)]
        lines.append((" " * GAP).join(cells).rstrip())
    return "\n".join(lines)


def terminal_table(results: Sequence[CheckResult], width: int, *, colour: bool) -> str:
    """Return a table for a terminal of `width` columns.

    Where seven columns do not fit, value and limit take a second line in each row for interval and margin;
    where that does not fit either, the names are folded, and at last the numbers too.
    """
    from rich.table import Table
    from rich.text import Text

    heads: tuple[str, ...] = HEADS
    rows = [_row(result) for result in results]
    if _full_width(_widths([heads, *rows])) > width:
        heads, rows = NARROW_HEADS, [_two_line_row(result) for result in results]
    name, *others = _widths([heads, *rows])
    roomy = _full_width([min(name, NAME_MIN), *others]) <= width
    table = Table(box=_dashes(), show_edge=False, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    for head in heads:
        table.add_column(head, no_wrap=head == "verdict" or (roomy and head != "check"), overflow="fold")
    for row, result in zip(rows, results, strict=True):
        styles = ["", STYLES[result.verdict], *[""] * (len(row) - 2)]
        table.add_row(*(Text(cell, style) for cell, style in zip(row, styles, strict=True)))
    return _printed(table, width, colour=colour)


def _row(result: CheckResult) -> tuple[str, ...]:
    told = figures(result)
    name = clean(result.name)
    return (name, result.verdict.value, told.value, told.interval, told.limit, told.margin, told.samples)


def _two_line_row(result: CheckResult) -> tuple[str, ...]:
    name, verdict, value, interval, limit, margin, samples = _row(result)
    return (name, verdict, f"{value}\n{interval}".rstrip(), f"{limit}\n{margin}".rstrip(), samples)


def _widths(rows: Sequence[Sequence[str]]) -> list[int]:
    stacked = zip(*rows, strict=True)
    return [max(columns(line) for cell in column for line in cell.split("\n")) for column in stacked]


def _full_width(widths: Sequence[int]) -> int:
    return sum(widths) + GAP * (len(widths) - 1)


def columns(text: str) -> int:
    """Return how many columns `text` takes on a terminal."""
    wide = sum(unicodedata.east_asian_width(char) in "WF" for char in text)
    return len(text) + wide - sum(unicodedata.combining(char) > 0 for char in text)


def _dashes() -> Box:
    """A line of dashes under the headings, nothing else: sound in any character set."""
    from rich.box import Box

    empty = "    \n"
    return Box(empty + empty + " -- \n" + empty * 5, ascii=True)


def _printed(table: Table, width: int, *, colour: bool) -> str:
    from rich.console import Console

    out = io.StringIO()
    console = Console(
        file=out, width=width, force_terminal=colour, color_system="standard" if colour else None,
        markup=False, highlight=False, emoji=False, legacy_windows=False,
    )  # fmt: skip
    console.print(table)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines())

"""How is told what was measured beside the verdicts? Figures line by line, small tables, whole sentences."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from typing import Final

from harness.findings import Cell, Figure, Grid, Section, percent
from harness.report.escape import clean
from harness.report.figures import with_unit
from harness.report.table import columns

INDENT: Final = "  "
GAP: Final = "  "
DIGITS: Final = 4
"""Significant digits of a number without an interval; with one, two digits of its width are shown."""
PLACES_MAX: Final = 9
FOLD_MIN: Final = 12
"""Columns of text are folded to no less than this."""
TINY: Final = 1e-4
"""A number smaller than this is written with its power of ten."""


def render_sections(sections: Sequence[Section], width: int) -> list[str]:
    """Return one paragraph for each section: heading, figures, tables, notes, wrapped at `width` columns."""
    return ["\n".join(_lines(section, width)) for section in sections]


def render_grid(grid: Grid, width: int) -> str:
    """Return one table by itself, with its title and note, fitted to `width` columns."""
    return "\n".join(_grid(grid, width))


def titles(sections: Iterable[Section]) -> str:
    """Return the sections' titles in one line."""
    return ", ".join(clean(section.title) for section in sections)


def _lines(section: Section, width: int) -> list[str]:
    lines = [clean(section.title)]
    lines += _figures(section.figures, width)
    for grid in section.grids:
        lines += _grid(grid, width)
    for note in section.notes:
        lines += _wrapped(clean(note, 400), width, INDENT)
    return lines


def _figures(figures: Sequence[Figure], width: int) -> list[str]:
    """Return a line for each figure: name, value, interval, note; names and values stand under each other."""
    rows = [(clean(figure.name), *value_words(figure)) for figure in figures]
    names = max((columns(name) for name, _, _ in rows), default=0)
    values = max((columns(value) for _, value, _ in rows), default=0)
    lines = []
    for figure, (name, value, interval) in zip(figures, rows, strict=True):
        head = f"{INDENT}{_padded(name, names)}{GAP}{_padded(value, values)}"
        tail = "; ".join(words for words in (interval, clean(figure.note)) if words)
        indent = " " * (len(INDENT) + names + values + 2 * len(GAP))
        line = f"{head}{GAP}{tail}".rstrip()
        if not tail or columns(line) <= width or len(indent) > width // 2:
            lines += _wrapped(line, width, "", INDENT * 3)
        else:
            told = textwrap.wrap(tail, max(20, width - len(indent)), break_on_hyphens=False)
            lines += [f"{head}{GAP}{told[0]}", *(indent + more for more in told[1:])]
    return lines


def value_words(figure: Figure) -> tuple[str, str]:
    """Return a figure's value and its interval in words."""
    if figure.value is None and figure.interval is None:
        return "", ""
    places = _places(figure)
    value = "" if figure.value is None else _number(figure.value, places)
    if figure.value is not None and math.isfinite(figure.value):
        value = with_unit(value, clean(figure.unit))
    low, high = figure.interval or (None, None)
    told = ""
    if low is not None and high is not None:
        ends = _number(low, places), _number(high, places)
        told = f"{ends[0]} to {ends[1]}" if ends[0] != ends[1] else "" if low == figure.value else ends[0]
    elif low is not None:
        told = f"{_number(low, places)} or more"
    elif high is not None:
        told = f"{_number(high, places)} or less"
    if told and figure.confidence is not None:
        told += f" ({percent(figure.confidence)})"
    return value, told


def _places(figure: Figure) -> int | None:
    """Return the decimal places that two digits of the interval's width deserve; None without a width."""
    low, high = figure.interval or (None, None)
    if low is None or high is None or not math.isfinite(high - low) or high == low:
        return None
    return min(max(0, 1 - math.floor(math.log10(abs(high - low)))), PLACES_MAX)


def _number(number: float, places: int | None = None) -> str:
    """Return a number with `places` decimals, or with four significant digits and no idle zeros."""
    if isinstance(number, int) or not math.isfinite(number):
        return _odd(number)
    if places is not None:
        text = f"{number:.{places}f}"
        return text.removeprefix("-") if float(text) == 0 else text
    if 0 < abs(number) < TINY:
        return f"{number:.2g}"
    whole = abs(number) >= 10**DIGITS
    return f"{number:.0f}" if whole else f"{float(f'{number:.{DIGITS}g}'):.10g}"


def _odd(number: float) -> str:
    if isinstance(number, int):
        return str(number)
    return "not a number" if math.isnan(number) else "without end" if number > 0 else "minus without end"


def _grid(grid: Grid, width: int) -> list[str]:
    """Return a table under its title: text to the left, numbers to the right, folded to fit `width`."""
    rows = [tuple(cell_words(cell) for cell in row) for row in grid.rows]
    heads = tuple(clean(head) for head in grid.heads)
    numeric = [
        all(isinstance(row[place], int | float | None) for row in grid.rows) for place in range(len(heads))
    ]
    widths = _fitted(heads, rows, numeric, width - len(INDENT * 2))
    lines = [f"{INDENT}{clean(grid.title)}"] if grid.title else []
    for row in (heads, *rows):
        lines += _row(row, widths, numeric, width)
    if grid.note:
        lines += _wrapped(clean(grid.note, 400), width, INDENT * 2)
    return lines


def _fitted(
    heads: Sequence[str], rows: Sequence[Sequence[str]], numeric: Sequence[bool], width: int
) -> list[int]:
    """Return a width for each column: whole cells if they fit, else folded heads, else folded texts too.

    Numbers are never folded. What still does not fit is left too wide, for `_row` to wrap.
    """
    cells = [[row[place] for row in rows] for place in range(len(heads))]
    whole = [max(map(columns, (head, *column))) for head, column in zip(heads, cells, strict=True)]
    if _total(whole) <= width:
        return whole
    body = [max(map(columns, (*column, ""))) for column in cells]
    least = [max(_word(head), room) for head, room in zip(heads, body, strict=True)]
    texts = [place for place, right in enumerate(numeric) if not right]
    narrow = [max(_word(heads[place]), *map(_word, (*cells[place], ""))) for place in range(len(heads))]
    while _total(least) > width and (wide := [p for p in texts if least[p] > max(narrow[p], FOLD_MIN)]):
        least[max(wide, key=lambda place: least[place])] -= 1
    return _widened(least, whole, width)


def _widened(widths: Sequence[int], whole: Sequence[int], width: int) -> list[int]:
    """Return the columns given back what room is left, the narrowest of the folded ones first."""
    given = list(widths)
    while _total(given) < width:
        folded = [place for place, room in enumerate(given) if room < whole[place]]
        if not folded:
            break
        given[min(folded, key=lambda place: given[place])] += 1
    return given


def _total(widths: Sequence[int]) -> int:
    return sum(widths) + len(GAP) * (len(widths) - 1)


def _word(text: str) -> int:
    """Return the length of the longest word."""
    return max(map(columns, text.split()), default=0)


def _row(row: Sequence[str], widths: Sequence[int], numeric: Sequence[bool], width: int) -> list[str]:
    """Return one row in as many lines as its longest cell takes."""
    folded = [_folded(cell, room) for cell, room in zip(row, widths, strict=True)]
    lines = []
    for turn in range(max(map(len, folded))):
        cells = [
            " " * (room - columns(part)) + part if right else _padded(part, room)
            for cell, room, right in zip(folded, widths, numeric, strict=True)
            for part in [cell[turn] if turn < len(cell) else ""]
        ]
        line = (INDENT * 2 + GAP.join(cells)).rstrip()
        lines += [line] if columns(line) <= width else _wrapped(line, width, "", INDENT * 4)
    return lines


def _folded(cell: str, room: int) -> list[str]:
    if columns(cell) <= room:
        return [cell]
    return textwrap.wrap(cell, max(1, room), break_on_hyphens=False) or [""]


def cell_words(cell: Cell) -> str:
    """Return a cell in words: text cleaned, a number with four significant digits, nothing for None."""
    if cell is None:
        return ""
    return clean(cell) if isinstance(cell, str) else _number(cell)


def _padded(text: str, width: int) -> str:
    return text + " " * (width - columns(text))


def _wrapped(text: str, width: int, first: str, then: str | None = None) -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=first + INDENT if then is None else then,
        break_on_hyphens=False, drop_whitespace=True, replace_whitespace=False,
    )  # fmt: skip

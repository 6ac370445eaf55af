"""Which figures do the chosen runs have? Their values in the order of runs, and whole checks where needed."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from harness.errors import UserError
from harness.history.entry import CheckEntry
from harness.history.index import FIGURE_COLUMNS, NUMBER_COLUMNS, VERDICTS
from harness.history.rows import NUMBER, WHOLE, Group, RunRow, checked, matches, typed
from harness.plan.wording import nearest, quoted

_TEXT: Final = (str,)
_FIGURE_TYPES: Final = {"id": (int,), **dict.fromkeys(FIGURE_COLUMNS, _TEXT)}
_POINT_TYPES: Final = {"place": (int,), "figure": (int,), "verdict": (int,), "value": NUMBER}
_NUMBER_TYPES: Final = {name: WHOLE if name in ("samples", "needed") else NUMBER for name in NUMBER_COLUMNS}
_WORDS: Final = tuple(verdict.value for verdict in VERDICTS)
_CHECK_TYPES: Final = {"place": (int,), "figure": (int,), "verdict": (int,), **_NUMBER_TYPES}


class Figure(NamedTuple):
    """What a check of many runs has in common."""

    id: int
    name: str
    kind: str
    unit: str
    side: str
    sample_unit: str


@dataclass(frozen=True, slots=True)
class Line:
    """One figure of one group: runs that have it, oldest first, with value and verdict of each.

    A value is None where a run had none, or had it in another unit than the newest. `last` is all that the
    newest run says of it.
    """

    name: str
    runs: tuple[RunRow, ...]
    values: tuple[float | None, ...]
    verdicts: tuple[str, ...]
    last: CheckEntry


def lines_of(
    database: sqlite3.Connection, chosen: Sequence[Group], figures: Sequence[str] = ()
) -> tuple[tuple[Line, ...], ...]:
    """Return the figures of each group, in the newest run's order; only `figures` if there are any.

    Raises UserError if a figure is named that no run has.
    """
    runs = _choose(database, chosen)
    known = _figures(database)
    wanted = {figure.id for figure in _wanted(known.values(), figures)}
    points = database.execute(
        "SELECT place, figure, checks.verdict, value FROM chosen JOIN checks ON run = chosen.id "
        "ORDER BY place, position"
    )
    groups = [number for number, group in enumerate(chosen) for _ in group.runs]
    found: list[dict[str, list[tuple[int, int, int, float | None]]]] = [{} for _ in chosen]
    for point in _known(checked(points.fetchall(), _POINT_TYPES), known):
        place, figure = point[0], point[1]
        if figure in wanted:
            found[groups[place]].setdefault(known[figure].name, []).append(point)
    newest = {points[-1][0] for group in found for points in group.values()}
    whole = checks_of(database, newest)
    return tuple(tuple(_lines(group, runs, known, whole)) for group in found)


def _lines(
    group: Mapping[str, Sequence[tuple[int, int, int, float | None]]],
    runs: Sequence[RunRow],
    known: Mapping[int, Figure],
    whole: Mapping[int, Sequence[CheckEntry]],
) -> Iterator[Line]:
    order = {name: place for place, name in enumerate(_order(group, whole))}
    for name in sorted(group, key=order.__getitem__):
        places, figures, verdicts, values = zip(*group[name], strict=True)
        last = next(check for check in whole[places[-1]] if check.name == name)
        if any(known[figure].unit != last.unit for figure in set(figures)):
            like = [known[figure].unit == last.unit for figure in figures]
            values = tuple(value if same else None for value, same in zip(values, like, strict=True))
        yield Line(
            name=name,
            runs=tuple(map(runs.__getitem__, places)),
            values=values,
            verdicts=tuple(map(_WORDS.__getitem__, verdicts)),
            last=last,
        )


def _order(
    group: Mapping[str, Sequence[tuple[int, int, int, float | None]]],
    whole: Mapping[int, Sequence[CheckEntry]],
) -> Iterator[str]:
    """Yield the names in the newest run's order, then those that it has no longer."""
    if group:
        newest = max(points[-1][0] for points in group.values())
        yield from dict.fromkeys(check.name for check in whole[newest] if check.name in group)
        yield from (name for name, points in group.items() if points[-1][0] != newest)


def _known(rows: list[tuple[Any, ...]], figures: Mapping[int, Figure]) -> list[tuple[Any, ...]]:
    """Return rows of place, figure, verdict and more, if there are such figures and verdicts."""
    if not {row[1] for row in rows} <= figures.keys():
        raise sqlite3.DatabaseError("a check's figure is not there")
    if not {row[2] for row in rows} <= set(range(len(VERDICTS))):
        raise sqlite3.DatabaseError("a check's verdict is none")
    return rows


def checks_of(database: sqlite3.Connection, places: Iterable[int]) -> dict[int, list[CheckEntry]]:
    """Return whole checks by the run's place, in the plan's order, after `lines_of` was called."""
    known = _figures(database)
    columns = ", ".join(NUMBER_COLUMNS)
    found: dict[int, list[CheckEntry]] = {place: [] for place in places}
    for place, checks in found.items():
        rows = database.execute(
            f"SELECT place, figure, checks.verdict, {columns} FROM chosen JOIN checks ON run = chosen.id "  # noqa: S608 - names only
            "WHERE place = ? ORDER BY position",
            (place,),
        )
        for row in _known(checked(rows.fetchall(), _CHECK_TYPES), known):
            checks.append(_check(known, *row[1:]))
    return found


def _check(known: Mapping[int, Figure], figure: int, verdict: int, *numbers: float | None) -> CheckEntry:
    value, low, high, confidence, uncertainty, limit, samples, needed = numbers
    one = known[figure]
    return CheckEntry(
        one.name, one.kind, VERDICTS[verdict].value, value, low, high, confidence, uncertainty, limit,
        one.side, one.unit, _whole(samples), one.sample_unit, _whole(needed),
    )  # fmt: skip


def _whole(number: float | None) -> int | None:
    return None if number is None else int(number)


def _choose(database: sqlite3.Connection, chosen: Sequence[Group]) -> list[RunRow]:
    """Have the chosen runs by their place in a table of this connection; returns them by place."""
    runs = [run for group in chosen for run in group.runs]
    database.execute("CREATE TEMP TABLE IF NOT EXISTS chosen (place INTEGER PRIMARY KEY, id INTEGER)")
    database.execute("DELETE FROM chosen")
    database.executemany(
        "INSERT INTO chosen VALUES (?, ?)", ((place, run.id) for place, run in enumerate(runs))
    )
    return runs


def _figures(database: sqlite3.Connection) -> dict[int, Figure]:
    columns = ", ".join(FIGURE_COLUMNS)
    rows = database.execute(f"SELECT id, {columns} FROM figures").fetchall()  # noqa: S608 - names only
    return {figure.id: figure for figure in typed(Figure._make, rows, _FIGURE_TYPES, {})}


def _wanted(known: Iterable[Figure], figures: Sequence[str]) -> list[Figure]:
    """Return the figures that were named, by name or kind; all where none was."""
    every = list(known)
    for word in figures:
        if not any(_is(figure, word) for figure in every):
            names = sorted({figure.name for figure in every})
            near = nearest(word, names)
            raise UserError(
                f"--figure {quoted(word)} is no check of these runs; there are: {', '.join(names)}"
                + (f"; did you mean {near}?" if near else "")
            )
    return [figure for figure in every if not figures or any(_is(figure, word) for word in figures)]


def _is(figure: Figure, word: str) -> bool:
    return word == figure.kind or matches(figure.name, word)

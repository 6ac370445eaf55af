"""Which runs are asked for, in which order? Rows from the index, chosen, sorted and put into groups."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from fnmatch import fnmatchcase
from typing import Any, Final, NamedTuple, TypeVar

from harness.clock import label_of
from harness.errors import UserError
from harness.escape import clean
from harness.history.entry import RunEntry
from harness.history.index import RUN_COLUMNS
from harness.kept import NUMBER_MAX
from harness.plan.wording import nearest, quoted

UNTOLD: Final = "not told"
"""Stands for a firmware or a unit of which a run says nothing."""
LISTED_MAX: Final = 12
T = TypeVar("T")
Row = TypeVar("Row", bound=Sequence[Any])
WHOLE: Final = (int, type(None))
NUMBER: Final = (float, type(None))
_KINDS: Final = {"str": (str,), "int": (int,), "bool": (int,), "int | None": WHOLE, "float | None": NUMBER}
_TYPES: Final = {
    "id": (int,),
    "folder": (bytes,),
    **{field.name: _KINDS[str(field.type)] for field in fields(RunEntry) if field.name in RUN_COLUMNS},
    "seed": (str,),
}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was asked for. Words match whole, or by `*` for anything; `last` counts runs of each group."""

    unit: str = ""
    firmware: str = ""
    plan: str = ""
    since_s: int | None = None
    figures: tuple[str, ...] = ()
    last: int | None = None


class RunRow(NamedTuple):
    """One run as the index holds it; `folder` is its path below the folder that was asked for, cleaned."""

    id: int
    folder: str
    at_s: int
    dated: bool
    unit: str
    module: str
    firmware: str
    plan: str
    plan_sha256: str
    rig: str
    hardware: bool
    seed: int
    version: str
    verdict: str
    link_seconds: float | None
    sent: int | None
    applied: int | None

    @property
    def date(self) -> str:
        """When the run was, in UTC."""
        return label_of(self.at_s)

    @property
    def group(self) -> tuple[str, str, str]:
        """What runs have in common that are held against each other."""
        return self.unit or UNTOLD, self.firmware or UNTOLD, self.plan


@dataclass(frozen=True, slots=True)
class Group:
    """Runs of one unit with one firmware by one plan, the newest last."""

    unit: str
    firmware: str
    plan: str
    runs: tuple[RunRow, ...]


@dataclass(frozen=True, slots=True)
class Unread:
    """A run folder of which nothing is believed, and why."""

    folder: str
    problem: str


def unread(database: sqlite3.Connection) -> tuple[Unread, ...]:
    """Return the runs that cannot be read, by name."""
    rows = database.execute("SELECT folder, problem FROM runs WHERE problem IS NOT NULL ORDER BY folder")
    return tuple(Unread(_shown(folder), str(problem)) for folder, problem in rows)


def groups(database: sqlite3.Connection, wanted: Wanted) -> tuple[Group, ...]:
    """Return the runs asked for, group by group; raises UserError if there are none."""
    every = _runs(database)
    if not every:
        return ()
    chosen = [run for run in every if _is_wanted(run, wanted)]
    if not chosen:
        raise UserError(_nothing(every, wanted))
    found: dict[tuple[str, str, str], list[RunRow]] = {}
    for run in chosen:
        found.setdefault(run.group, []).append(run)
    cut = -wanted.last if wanted.last else None
    return tuple(Group(*key, tuple(runs[cut:])) for key, runs in sorted(found.items()))


def _runs(database: sqlite3.Connection) -> list[RunRow]:
    columns = ", ".join(RUN_COLUMNS)
    rows = database.execute(
        f"SELECT id, folder, {columns} FROM runs WHERE problem IS NULL ORDER BY at_s, modified_ns, folder"  # noqa: S608 - names only
    )
    return typed(
        RunRow._make, rows, _TYPES, {"folder": _shown, "seed": _seed, "dated": bool, "hardware": bool}
    )


def typed(
    make: Callable[[Iterable[Any]], T],
    rows: Iterable[Sequence[object]],
    types: Mapping[str, tuple[type, ...]],
    reading: Mapping[str, Callable[[Any], object]],
) -> list[T]:
    """Return rows of the index as values, some columns read by a function; raises as `checked` does."""
    columns = zip(types, zip(*checked(rows, types), strict=True), strict=False)
    read = [map(reading[name], column) if name in reading else column for name, column in columns]
    return list(map(make, zip(*read, strict=True)))


def checked(rows: Iterable[Row], types: Mapping[str, tuple[type, ...]]) -> list[Row]:
    """Return the rows as they are; raises sqlite3.DatabaseError if one is not as we wrote it.

    The index may be anybody's file: every column has its types, finite numbers and clean texts.
    """
    every = list(rows)
    for (name, allowed), column in zip(types.items(), zip(*every, strict=True), strict=False):
        if not set(map(type, column)) <= set(allowed):
            raise sqlite3.DatabaseError(f"a row's {name} has an unknown type")
        if str in allowed and any(clean(text) != text for text in set(column)):
            raise sqlite3.DatabaseError(f"a row's {name} holds what was never written")
        if float in allowed and max(map(abs, filter(None, column)), default=0) > NUMBER_MAX:
            raise sqlite3.DatabaseError(f"a row's {name} is beyond any figure")
    return every


def _seed(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 20):
        raise sqlite3.DatabaseError("a run's seed is no number")
    return int(text)


def _shown(folder: bytes) -> str:
    return clean(os.fsdecode(folder).replace(os.sep, "/"))


def _is_wanted(run: RunRow, wanted: Wanted) -> bool:
    unit, firmware, plan = run.group
    return (
        matches(unit, wanted.unit)
        and matches(firmware, wanted.firmware)
        and matches(plan, wanted.plan)
        and (wanted.since_s is None or run.at_s >= wanted.since_s)
    )


def matches(text: str, pattern: str) -> bool:
    """Return whether a text is what was asked for: nothing, itself, or a pattern with `*`."""
    return not pattern or text == pattern or fnmatchcase(text, pattern.replace("[", "[[]"))


def _nothing(every: Sequence[RunRow], wanted: Wanted) -> str:
    """Say why no run is left, by the first word that fits none."""
    for option, pattern, place in (
        ("--unit", wanted.unit, 0),
        ("--firmware", wanted.firmware, 1),
        ("--plan", wanted.plan, 2),
    ):
        known = sorted({run.group[place] for run in every})
        if pattern and not any(matches(text, pattern) for text in known):
            near = nearest(pattern, known)
            more = f" and {len(known) - LISTED_MAX} more" if len(known) > LISTED_MAX else ""
            return (
                f"{option} {quoted(pattern)} fits none of {len(every)} runs; there are: "
                f"{'; '.join(known[:LISTED_MAX])}{more}; write one of them, or * for anything in it"
                + (f"; did you mean {near}?" if near else "")
            )
    newest = max(run.at_s for run in every)
    return (
        f"none of {len(every)} runs fits everything that was asked for; the newest is of {label_of(newest)}; "
        "leave an option out"
    )

"""Which runs are known already? An SQLite file of what verdict.json files said, which may be thrown away.

The run folders are the truth: each row stands for a verdict.json with the time and size that it had, and is
read anew when one of them changes. An index that is missing, damaged, of another version or not to be written
costs time and nothing else. Two programs may use it at once: each writes in short transactions.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import fields
from itertools import islice
from pathlib import Path
from typing import Final, TypeVar

from harness.errors import UserError
from harness.escape import clean
from harness.history.entry import CheckEntry, OddRunError, RunEntry, entry_of
from harness.kept import RunFile, read_run
from harness.report.folder import VERDICT
from harness.verdict import Verdict

INDEX: Final = ".propsoff-index.sqlite"
SCHEMA: Final = 1
"""Raised with every change of the tables, or of how `entry_of` reads a run."""
APPLICATION: Final = 0x70726F70
"""SQLite's application_id of our files: "prop" in ASCII."""
BUSY_S: Final = 20.0
"""How long to wait for another program's transaction, which takes a fraction of a second."""
TOLD_FROM: Final = 2000
"""So many runs take seconds to read."""
BATCH: Final = 250
"""Runs in one transaction."""

RUN_COLUMNS: Final = tuple(field.name for field in fields(RunEntry) if field.name != "checks")
FIGURE_COLUMNS: Final = ("name", "kind", "unit", "side", "sample_unit")
"""What the checks of many runs have in common, kept once."""
VERDICTS: Final = tuple(Verdict)
"""A check's verdict is kept as its place in here."""
NUMBER_COLUMNS: Final = (
    "value", "low", "high", "confidence", "uncertainty", "threshold", "samples", "needed",
)  # fmt: skip
_TABLES: Final = (
    f"""CREATE TABLE runs (id INTEGER PRIMARY KEY, folder BLOB UNIQUE NOT NULL, modified_ns INTEGER NOT NULL,
    size INTEGER NOT NULL, problem TEXT, {", ".join(RUN_COLUMNS)})""",
    f"""CREATE TABLE figures (id INTEGER PRIMARY KEY, {", ".join(FIGURE_COLUMNS)},
    UNIQUE ({", ".join(FIGURE_COLUMNS)}))""",
    f"""CREATE TABLE checks (run INTEGER NOT NULL, position INTEGER NOT NULL, figure INTEGER NOT NULL,
    verdict INTEGER NOT NULL, {", ".join(NUMBER_COLUMNS)}, PRIMARY KEY (run, position)) WITHOUT ROWID""",
)
_PUT_RUN: Final = (
    f"INSERT INTO runs (folder, modified_ns, size, problem, {', '.join(RUN_COLUMNS)}) "  # noqa: S608 - names only
    f"VALUES ({', '.join('?' * (4 + len(RUN_COLUMNS)))})"
)
_PUT_CHECK: Final = f"INSERT INTO checks VALUES ({', '.join('?' * (4 + len(NUMBER_COLUMNS)))})"  # noqa: S608
_PUT_FIGURE: Final = f"INSERT OR IGNORE INTO figures ({', '.join(FIGURE_COLUMNS)}) VALUES (?, ?, ?, ?, ?)"  # noqa: S608
_FIND_FIGURE: Final = f"SELECT id FROM figures WHERE ({', '.join(FIGURE_COLUMNS)}) = (?, ?, ?, ?, ?)"  # noqa: S608

Say = Callable[[str], None]
T = TypeVar("T")


def ask(root: Path, files: Iterable[RunFile], read: Callable[[sqlite3.Connection], T], say: Say) -> T:
    """Return what `read` makes of the index of a folder, in step with the runs that were found in it.

    The index lies in `root`, or in memory where it cannot; `say` is told why. `read` raises
    sqlite3.DatabaseError if rows are not what they should be, and is then called again with a new index.
    """
    known = {os.fsencode(file.name): file for file in files}
    path = root / INDEX
    for again in (False, True):
        if not _may_be_kept(root, path, say):
            break
        try:
            with closing(_connect(path)) as database:
                if not _prepared(database, path, say):
                    break
                _update(database, known, say)
                return read(database)
        except sqlite3.DatabaseError as error:
            if not _is_damage(error):
                say(f"{path} cannot be kept here ({error}); all runs are read anew each time")
                break
            if not _thrown_away(path, error, say) or again:
                break
    with closing(_connect(":memory:")) as database:
        _make(database)
        _update(database, known, say)
        return read(database)


def _may_be_kept(root: Path, path: Path, say: Say) -> bool:
    """Return whether an index may lie in this folder; that of a single run stays as it is."""
    if (root / VERDICT).exists():
        return False
    if os.path.lexists(path) and (path.is_symlink() or not path.is_file()):
        say(f"{path} is no ordinary file and is left alone; all runs are read anew")
        return False
    return True


def _is_damage(error: sqlite3.DatabaseError) -> bool:
    """Tell a torn file from a folder that cannot be written, a full disk, or a lock that never opens."""
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
    return code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)


def _thrown_away(path: Path, trouble: sqlite3.Error, say: Say) -> bool:
    """Remove a damaged index; returns whether that worked."""
    try:
        path.unlink(missing_ok=True)
        path.with_name(path.name + "-journal").unlink(missing_ok=True)
    except OSError as error:
        say(f"{path} is damaged ({trouble}) and cannot be removed ({error.strerror}); all runs are read anew")
        return False
    say(f"{path} was damaged ({trouble}) and is built again")
    return True


def _connect(path: Path | str) -> sqlite3.Connection:
    return sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)


def _prepared(database: sqlite3.Connection, path: Path, say: Say) -> bool:
    """Have the tables of this version in the file; returns False if the file is somebody else's."""
    if _is_ours(database):
        return True
    database.execute("BEGIN IMMEDIATE")
    with _transaction(database):
        if _is_ours(database):  # another program was quicker
            return True
        tables = database.execute(
            "SELECT type, name FROM sqlite_master WHERE type IN ('table', 'view')"
        ).fetchall()
        if tables and _pragma(database, "application_id") != APPLICATION:
            say(f"{path} is another program's and is left alone; all runs are read anew")
            return False
        if tables:
            say(f"{path} was made by another version of propsoff and is built again")
        for kind, name in tables:
            quoted = str(name).replace('"', '""')
            database.execute(f'DROP {kind} "{quoted}"')
        _make(database)
    return True


def _is_ours(database: sqlite3.Connection) -> bool:
    """Return whether the file holds our tables and nothing else, such as a view with their name."""
    marked = (_pragma(database, "application_id"), _pragma(database, "user_version"))
    made = database.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    return marked == (APPLICATION, SCHEMA) and sorted(sql for (sql,) in made) == sorted(_TABLES)


def _pragma(database: sqlite3.Connection, name: str) -> int:
    return int(database.execute(f"PRAGMA {name}").fetchone()[0])


def _make(database: sqlite3.Connection) -> None:
    for table in _TABLES:
        database.execute(table)
    database.execute(f"PRAGMA application_id = {APPLICATION}")
    database.execute(f"PRAGMA user_version = {SCHEMA}")


@contextmanager
def _transaction(database: sqlite3.Connection) -> Iterator[None]:
    """End the transaction that is open, by ROLLBACK if something is raised."""
    try:
        yield
    except BaseException:
        if database.in_transaction:
            database.execute("ROLLBACK")
        raise
    database.execute("COMMIT")


def _update(database: sqlite3.Connection, files: dict[bytes, RunFile], say: Say) -> None:
    """Bring the rows in step with the folders: gone ones out, new and changed ones read."""
    known = {
        folder: (modified_ns, size)
        for folder, modified_ns, size in database.execute("SELECT folder, modified_ns, size FROM runs")
    }
    if not all(isinstance(folder, bytes) for folder in known):
        raise sqlite3.DatabaseError("a folder's name is no name")
    gone = iter(known.keys() - files.keys())
    while batch := list(islice(gone, BATCH)):
        database.execute("BEGIN IMMEDIATE")
        with _transaction(database):
            _remove(database, batch)
    changed = [
        (name, file) for name, file in files.items() if known.get(name) != (file.modified_ns, file.size)
    ]
    if len(changed) > TOLD_FROM:
        say(f"{len(changed)} runs are new to the index and are read once")
    for start in range(0, len(changed), BATCH):
        some = changed[start : start + BATCH]
        read = [(name, file, *_read(file)) for name, file in some]  # takes longest, and holds no lock
        database.execute("BEGIN IMMEDIATE")
        with _transaction(database):
            _remove(database, [name for name, _ in some])
            for name, file, entry, problem in read:
                _put(database, name, file, entry, problem)


def _remove(database: sqlite3.Connection, folders: list[bytes]) -> None:
    for folder in folders:
        database.execute("DELETE FROM checks WHERE run IN (SELECT id FROM runs WHERE folder = ?)", (folder,))
        database.execute("DELETE FROM runs WHERE folder = ?", (folder,))


def _read(file: RunFile) -> tuple[RunEntry | None, str | None]:
    """Return what a run says, or why it cannot be read."""
    try:
        return entry_of(read_run(file.folder)), None
    except UserError as error:
        words = str(error).removeprefix(f"{file.folder / VERDICT}: ")
        return None, clean(words)
    except OddRunError as error:
        return None, f"{VERDICT} is none of ours: {error}"


def _put(
    database: sqlite3.Connection, name: bytes, file: RunFile, entry: RunEntry | None, problem: str | None
) -> None:
    told: list[object] = [None] * len(RUN_COLUMNS)
    if entry is not None:
        told = [getattr(entry, column) for column in RUN_COLUMNS]
        told[RUN_COLUMNS.index("seed")] = str(entry.seed)  # may be beyond SQLite's whole numbers
    put = database.execute(_PUT_RUN, (name, file.modified_ns, file.size, problem, *told))
    if entry is not None:
        rows = [
            (put.lastrowid, position, *_check_row(database, check))
            for position, check in enumerate(entry.checks)
        ]
        database.executemany(_PUT_CHECK, rows)


def _check_row(database: sqlite3.Connection, check: CheckEntry) -> tuple[object, ...]:
    figure = (check.name, check.kind, check.unit, check.side, check.sample_unit)
    found = database.execute(_FIND_FIGURE, figure).fetchone()
    if found is None:
        database.execute(_PUT_FIGURE, figure)
        found = database.execute(_FIND_FIGURE, figure).fetchone()
    numbers = (
        check.value, check.low, check.high, check.confidence, check.uncertainty, check.limit,
        check.samples, check.needed,
    )  # fmt: skip
    return (found[0], VERDICTS.index(Verdict(check.verdict)), *numbers)

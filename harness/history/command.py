"""What does `propsoff history` do? Finds runs, brings the index in step, tells or writes what it holds."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TextIO

from harness.errors import UserError
from harness.escape import clean
from harness.history.courses import MARKS, told_of
from harness.history.entry import CheckEntry
from harness.history.index import ask
from harness.history.rows import Group, Wanted, groups, unread
from harness.history.series import Line, checks_of, lines_of
from harness.history.telling import WIDTH, History, render
from harness.kept import FOLDERS_MAX, Found, find_runs
from harness.plan.wording import many
from harness.report.files import require_free, write_whole
from harness.report.folder import VERDICT

Say = Callable[[str], None]
SHOWN_MAX: Final = 200


@dataclass(frozen=True, slots=True)
class Outputs:
    """Files that were asked for, None where one was not; `overwrite` is for tables, not for the page."""

    csv: Path | None = None
    parquet: Path | None = None
    page: Path | None = None
    overwrite: bool = False

    @property
    def files(self) -> tuple[Path, ...]:
        """All that are to be written."""
        return tuple(file for file in (self.csv, self.parquet, self.page) if file is not None)

    def require_free(self) -> None:
        """Raise UserError if one of the files may not be written."""
        if len({file.resolve() for file in self.files}) < len(self.files):
            raise UserError("two outputs have the same name; give each file a name of its own")
        for file in (self.csv, self.parquet):
            if file is not None:
                require_free(file, overwrite=self.overwrite)
        if self.page is not None:
            from harness.page.storing import require_page_place  # dear: pages draw plots

            require_page_place(self.page)


def history(path: Path, wanted: Wanted, say: Say, *, whole: bool = False) -> History:
    """Return the history of the runs in a folder, with `whole` every check; raises UserError if none fits.

    Runs that cannot be read, or broke off, are in it too and hide no others.
    """
    if not path.is_dir():
        what = "is no folder" if path.exists() else "is not there"
        raise UserError(f"{path}: {what}; name a folder of runs, such as propsoff-runs")
    found = find_runs(path)
    if not found.whole:
        say(f"{path}: more than {FOLDERS_MAX} folders; the rest was not looked into, so name a smaller one")
    if not found.runs:
        raise UserError(_no_run(path, found))

    def read(database: sqlite3.Connection) -> History:
        chosen = groups(database, wanted)
        lines = lines_of(database, chosen, wanted.figures)
        return History(
            clean(str(path), SHOWN_MAX),
            told_of(chosen, lines),
            unread(database),
            tuple(map(_below, found.broken)),
            tuple(map(_below, found.unjudged)),
            bool(wanted.figures),
            wanted.last,
            _whole(database, chosen, lines) if whole else {},
        )

    told = ask(path, found.runs, read, say)
    if not told.groups:
        first = told.unread[0]
        raise UserError(
            f"{path}: none of {many(len(told.unread), 'run')} can be read; {first.folder}: {first.problem}"
        )
    return told


def show(told: History, *, json: bool, terminal: TextIO) -> str:
    """Return what is printed: JSON, or text that fits the terminal if it is one."""
    if json:
        from harness.history.document import history_document
        from harness.report.document import to_json

        return to_json(history_document(told))
    width = shutil.get_terminal_size().columns if terminal.isatty() else WIDTH
    return render(told, width=width, plain=not _can_show(MARKS, terminal.encoding))


def _can_show(text: str, encoding: str | None) -> bool:
    try:
        text.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _whole(
    database: sqlite3.Connection, chosen: Sequence[Group], lines: Sequence[Sequence[Line]]
) -> dict[int, list[CheckEntry]]:
    """Return every check of the chosen runs that was asked for, by the run's id."""
    runs = [run for group in chosen for run in group.runs]
    names = {line.name for some in lines for line in some}
    found = checks_of(database, range(len(runs)))
    return {
        run.id: [check for check in found[place] if check.name in names] for place, run in enumerate(runs)
    }


def _below(folder: str) -> str:
    return clean(folder.replace(os.sep, "/"), SHOWN_MAX)


def _no_run(path: Path, found: Found) -> str:
    others = [*found.unjudged, *found.broken]
    hint = f"; {path / others[0]} holds a recording: `propsoff judge` judges it" if others else ""
    return f"{path}: no run in here (no {VERDICT}){hint}; name a folder of runs, such as propsoff-runs"


def write(told: History, outputs: Outputs, say: Say) -> None:
    """Write every file that was asked for, each whole or not at all; nothing if one of them may not be.

    Raises UserError and StorageError.
    """
    from harness.history import tables

    made: list[tuple[Path, bytes]] = []
    if outputs.parquet is not None:
        made.append((outputs.parquet, tables.parquet_bytes(told)))
    if outputs.csv is not None:
        made.append((outputs.csv, tables.csv_bytes(told)))
    page = "" if outputs.page is None else _page(told)
    runs = many(len(told.runs), "run")
    rows = many(tables.row_count(told), "row") if made else ""
    for file, data in made:
        write_whole(file, data, overwrite=outputs.overwrite)
        say(f"{file}: written ({rows}, {runs})")
    if outputs.page is not None:
        from harness.page.storing import store_page

        store_page(outputs.page, page)
        say(f"{outputs.page}: written (page, {runs})")


def _page(told: History) -> str:
    from harness.history.page import page
    from harness.page.writing import render

    return render(page(told))

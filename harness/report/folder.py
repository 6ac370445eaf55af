"""Where do a run's results go? Into a folder that is complete or not there at all.

Everything is written aside, into `.NAME.partial-PID` beside the folder, and renamed at the end. A run that
breaks off leaves what was recorded under that name: evidence is not thrown away, but never looks whole.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from itertools import count, islice
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Final, Self

from harness.errors import StorageError

RECORDING: Final = "recording.pcapng"
VERDICT: Final = "verdict.json"
JUNIT: Final = "junit.xml"
REPORT: Final = "report.txt"
PAGE: Final = "report.html"
RUNS: Final = Path("propsoff-runs")
NUMBERS_MAX: Final = 10_000
NAME_MAX: Final = 100
_DEVICE: Final = re.compile(r"(?i)con|prn|aux|nul|com[0-9\xb9\xb2\xb3]|lpt[0-9\xb9\xb2\xb3]")
"""Names that lead to devices in every folder on Windows (its documentation, "Naming Files, Paths")."""


def default_out(plan_name: str, seed: int) -> Path:
    """Return where a run goes if nobody says: `propsoff-runs/PLAN-SEED`, odd characters replaced."""
    return RUNS / f"{safe_name(plan_name)}-{seed}"


def safe_name(text: str) -> str:
    """Return a name for a file or folder that every system takes, as like `text` as may be.

    Letters and digits of any script, `-`, `_` and `.` stay; no dot stands at an end, and no name is one that
    Windows keeps for devices, with or without a suffix. At most 100 characters and 200 bytes.
    """
    name = "".join(char if char.isalnum() or char in "-_." else "_" for char in text[:NAME_MAX])
    name = name.encode("utf-8", "replace")[: 2 * NAME_MAX].decode("utf-8", "ignore").strip(".") or "plan"
    return f"_{name}" if _DEVICE.fullmatch(name.partition(".")[0]) else name


class RunFolder:
    """A context manager: write into `path`; leaving it normally makes it `final`, an exception does not.

    `kept` names what was left aside after an exception; None if nothing was recorded.
    """

    def __init__(self, path: Path, final: Path, *, numbered_from: Path | None = None) -> None:
        self.path = path
        self.final = final
        self.kept: Path | None = None
        self._worthless = False
        self._numbered_from = numbered_from

    @classmethod
    def create(cls, out: Path, *, numbered: bool = False) -> Self:
        """Make the folder aside; with `numbered`, when `out` is taken, for the first free `out-2`, `out-3`.

        Raises StorageError if `out` is taken, or if nothing can be written beside it.
        """
        final = _first_free(out) if numbered else out
        if not numbered and os.path.lexists(final):
            raise StorageError(_taken(final))
        try:
            final.parent.mkdir(parents=True, exist_ok=True)
            path = _make_aside(final)
        except OSError as error:
            reason = error.strerror or str(error)
            raise StorageError(
                f"{out}: cannot make a run folder here: {reason}; choose another with --out"
            ) from error
        return cls(path, final, numbered_from=out if numbered else None)

    def open_recording(self) -> BinaryIO:
        """Return a new unbuffered file for the recording; raises StorageError."""
        path = self.path / RECORDING
        try:
            return path.open("xb", buffering=0)
        except OSError as error:
            raise _cannot_write(path, error) from error

    def write(self, name: str, text: str) -> None:
        """Write a text file in UTF-8; raises StorageError."""
        path = self.path / name
        try:
            path.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")
        except OSError as error:
            raise _cannot_write(path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self._finish()
        else:
            self._leave_aside()

    def _finish(self) -> None:
        try:
            _sync(self.path)
            self._rename()
            _sync_folder(self.final.parent)
        except OSError as error:
            self._leave_aside()
            reason = error.strerror or str(error)
            raise StorageError(
                f"{self.final}: cannot finish the run folder: {reason}; see {self.path}"
            ) from error

    def _rename(self) -> None:
        """Give the folder its final name; a numbered one passes over what was taken in the meantime."""
        while self._numbered_from is not None:
            self.final = _first_free(self._numbered_from)
            try:
                self.path.rename(self.final)
            except OSError:
                if not os.path.lexists(self.final):
                    raise
                continue  # another run took it just now
            return
        if os.path.lexists(self.final):
            self._leave_aside()
            raise StorageError(f"{_taken(self.final)}; the results of this run are in {self.path}")
        self.path.rename(self.final)

    def discard(self) -> None:
        """Say that nothing in the folder is worth keeping if the run fails now."""
        self._worthless = True

    def _leave_aside(self) -> None:
        recording = self.path / RECORDING
        if not self._worthless and recording.is_file() and recording.stat().st_size:
            self.kept = self.path
        else:
            shutil.rmtree(self.path, ignore_errors=True)


def _first_free(out: Path) -> Path:
    names = islice(_numbered(out), NUMBERS_MAX)
    free = next((path for path in names if not os.path.lexists(path)), None)
    if free is None:
        raise StorageError(f"{out}: {NUMBERS_MAX} runs are stored under this name; remove some or use --out")
    return free


def _numbered(out: Path) -> Iterator[Path]:
    yield out
    for number in count(2):
        yield out.with_name(f"{out.name}-{number}")


def _make_aside(final: Path) -> Path:
    """Make `.NAME.partial-PID`, with a number behind it where an earlier run of the same id left one."""
    for path in islice(_numbered(final.with_name(f".{final.name}.partial-{os.getpid()}")), NUMBERS_MAX):
        try:
            path.mkdir()
        except FileExistsError:
            continue
        return path
    raise StorageError(f"{final.parent}: too many broken-off runs in here; remove the .partial folders")


def _taken(final: Path) -> str:
    return f"{final}: is there already and stays as it is; choose another folder with --out, or leave it away"


def _cannot_write(path: Path, error: OSError) -> StorageError:
    reason = error.strerror or str(error)
    return StorageError(
        f"{path}: cannot write: {reason}; free some space or choose another folder with --out"
    )


def _sync(folder: Path) -> None:
    """Have the disk hold every file in `folder`, and their names, before the folder gets its own."""
    for path in sorted(folder.iterdir()):
        with path.open("rb+") as file:
            os.fsync(file.fileno())
    _sync_folder(folder)


def _sync_folder(folder: Path) -> None:
    """A folder can be opened, and so synced, on POSIX only."""
    if hasattr(os, "O_DIRECTORY"):
        number = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(number)
        finally:
            os.close(number)

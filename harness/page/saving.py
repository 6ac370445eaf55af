"""How does a page get to disk? Whole or not at all, over an older page, and over nothing else."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from harness.errors import StorageError, UserError
from harness.escape import printable
from harness.page.writing import BEGINNING


def require_place(file: Path) -> None:
    """Raise UserError if something else than a page stands there, OSError if it cannot be read."""
    if file.is_dir():
        raise UserError(f"{_named(file)}: is a folder; name a file in it with --page")
    if file.exists() and not _is_page(file):
        raise UserError(f"{_named(file)}: is there already and is no page; choose another name for --page")


def save_page(text: str, file: Path) -> None:
    """Write a page's HTML. Raises UserError if something else is there, StorageError if it cannot be written.

    It is written aside first, so that an older page stays as it was until the new one is on disk.
    """
    aside = ""
    try:
        require_place(file)
        place = file.resolve()
        handle, aside = tempfile.mkstemp(".partial", ".page-", place.parent)
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(aside, 0o644)  # mkstemp makes it private, and it is no secret
        os.replace(aside, place)
    except OSError as error:
        if aside:
            Path(aside).unlink(missing_ok=True)
        why = f"cannot write: {error.strerror or error}; choose another place with --page"
        raise StorageError(f"{_named(file)}: {why}") from error


def _is_page(file: Path) -> bool:
    with file.open("rb") as stream:
        return stream.read(len(BEGINNING)) == BEGINNING.encode()


def _named(file: Path) -> str:
    return printable(str(file))

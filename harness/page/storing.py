"""Where may a page be written? Where nothing stands, or an older page of ours: never over anything else.

`--page` of every command goes through here, so that it behaves alike everywhere.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from harness.errors import UserError
from harness.page.writing import BEGINNING
from harness.report.files import write_whole

_HEAD: Final = 400
"""So many bytes of a page hold its beginning and the name of its policy: pages of others rarely have both."""


def require_page_place(file: Path) -> None:
    """Raise UserError if something stands there that is no page of ours, or there is no such folder."""
    if file.is_dir():
        raise UserError(f"--page {file}: is a folder; name a file in it")
    if not file.parent.is_dir():
        raise UserError(f"--page {file}: there is no folder {file.parent}; make it, or name another file")
    try:
        with file.open("rb") as stream:
            head = stream.read(_HEAD)
    except FileNotFoundError:
        return
    except OSError as error:
        raise UserError(f"--page {file}: {error.strerror or error}; name another file") from error
    if not (head.startswith(BEGINNING.encode()) and b"Content-Security-Policy" in head):
        raise UserError(f"--page {file}: is there already, is no page, and stays as it is; name another file")


def store_page(file: Path, text: str) -> None:
    """Write a page whole or not at all. Raises UserError, and StorageError if it cannot be written."""
    require_page_place(file)
    write_whole(file, text.encode("utf-8", "backslashreplace"), overwrite=True)


__all__ = ["require_page_place", "store_page"]

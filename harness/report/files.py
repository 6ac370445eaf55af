"""How does a file come to be whole or not at all? Written aside, and over another only if told."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from harness.errors import StorageError, UserError


def require_free(file: Path, *, overwrite: bool) -> None:
    """Raise UserError if something stands where the file would go and may not be written over."""
    if file.is_dir():
        raise UserError(f"{file} is a folder; name a file in it")
    if os.path.lexists(file) and not overwrite:
        raise UserError(f"{file} is there already and stays as it is; name another file, or add --overwrite")


def write_whole(file: Path, data: bytes, *, overwrite: bool) -> None:
    """Write the file aside and give it its name when all of it is on disk. Raises UserError, StorageError."""
    require_free(file, overwrite=overwrite)
    aside = ""
    try:
        handle, aside = tempfile.mkstemp(".partial", f".{file.name[:100]}.", file.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(aside, 0o644)  # mkstemp makes it private, and it is no secret
        os.replace(aside, file)
    except OSError as error:
        if aside:
            Path(aside).unlink(missing_ok=True)
        reason = error.strerror or error
        raise StorageError(
            f"{file}: cannot be written: {reason}; free some space or name another file"
        ) from error

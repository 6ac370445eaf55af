"""What do several plans of one call leave together? A junit.xml and a Markdown summary, where asked for.

Programs pick such files up by name. So one from an earlier run goes before the new run begins: a run that
breaks off must not be reported by the results of another. Nothing that we did not write is ever removed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.errors import StorageError, UserError
from harness.report import junit, markdown
from harness.report.document import Outcome
from harness.report.files import write_whole

_OURS: Final = {
    "--junit": b"<?xml version='1.0' encoding='us-ascii'?>\n<testsuites ",
    "--markdown": b"<!-- propsoff -->",
}


@dataclass(frozen=True, slots=True)
class Summaries:
    """Where the summaries of a call go; None for those that nobody asked for."""

    junit: Path | None = None
    markdown: Path | None = None

    def clear(self) -> None:
        """Take away summaries of an earlier run. Raises UserError where something else has the name."""
        given = {"--junit": self.junit, "--markdown": self.markdown}
        for option, file in given.items():
            if file is not None:
                _require_ours(file, option)
        if self.junit is not None and self.junit == self.markdown:
            raise UserError(f"--junit and --markdown both name {self.junit}; give each a file of its own")
        for file in given.values():
            if file is not None:
                _removed(file)

    def write(self, outcomes: Sequence[Outcome], recordings: Sequence[str]) -> None:
        """Write what was asked for of all outcomes. Raises StorageError."""
        if self.junit is not None:
            write_whole(self.junit, _bytes(junit.junit_xml(outcomes)), overwrite=True)
        if self.markdown is not None:
            text = markdown.markdown_summary(outcomes, recordings)
            write_whole(self.markdown, _bytes(text), overwrite=True)


def _require_ours(file: Path, option: str) -> None:
    if not file.parent.is_dir():
        raise UserError(f"{option} {file}: there is no folder {file.parent}; make it, or name another file")
    try:
        with file.open("rb") as stream:
            head = stream.read(100)
    except FileNotFoundError:
        return
    except OSError as error:
        raise UserError(f"{option} {file}: {error.strerror}; name another file") from error
    if not head.startswith(_OURS[option]):
        raise UserError(
            f"{option} {file}: is there already, is no such summary, and stays as it is; name another file"
        )


def _removed(file: Path) -> None:
    try:
        file.unlink(missing_ok=True)
    except OSError as error:
        raise StorageError(f"{file}: cannot be replaced: {error.strerror}; name another file") from error


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "backslashreplace")

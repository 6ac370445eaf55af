"""Which runs were kept, and what does each say of itself? Read from the run folders, the only truth."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from harness.errors import UserError
from harness.report.folder import RECORDING, VERDICT

UNIT: Final = "unit"
"""Key of the fact that names the unit under test, where somebody named it."""
DEPTH_MAX: Final = 4
"""Run folders are looked for this many levels below a folder that was named."""


@dataclass(frozen=True, slots=True)
class KeptRun:
    """One run folder: `document` is its verdict.json as it was read; `modified_ns` when that was written."""

    folder: Path
    document: Mapping[str, Any]
    modified_ns: int

    @property
    def recording(self) -> Path:
        """The run's recording; it may have been thrown away."""
        return self.folder / RECORDING

    @property
    def unit(self) -> str:
        """The unit under test: the name it was given, else what both devices say of themselves."""
        named = self.document["rig"]["facts"].get(UNIT, "")
        if named:
            return str(named)
        devices = self.document["devices"]
        return "; ".join(f"{role}: {words}" for role, words in sorted(devices.items()))


def runs_below(path: Path) -> tuple[KeptRun, ...]:
    """Return the run in this folder, or all runs in folders below it, by name; raises UserError if none."""
    if not path.exists():
        raise UserError(f"{path}: is not there; name a run folder, or a folder of runs")
    runs = tuple(read_run(folder) for folder in _folders(path))
    if not runs:
        raise UserError(f"{path}: no run in here (no {VERDICT}); name a run folder, or a folder of runs")
    return runs


def _folders(path: Path, depth: int = 0) -> Iterator[Path]:
    if (path / VERDICT).is_file():
        yield path
    elif path.is_dir() and depth < DEPTH_MAX:
        for below in sorted(path.iterdir()):
            if below.is_dir() and not below.name.startswith("."):  # runs that broke off begin with a dot
                yield from _folders(below, depth + 1)


def read_run(folder: Path) -> KeptRun:
    """Return the run in a folder; raises UserError if its verdict.json cannot be read."""
    path = folder / VERDICT
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        modified_ns = path.stat().st_mtime_ns
    except (OSError, ValueError) as error:
        raise UserError(
            f"{path}: cannot read: {error}; judge its recording again, or leave it out"
        ) from error
    return KeptRun(folder, document, modified_ns)

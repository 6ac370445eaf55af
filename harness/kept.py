"""Which runs were kept, and what does each say of itself? Read from the run folders, the only truth.

A verdict.json may be anybody's: what is read of it is bounded, and texts are cleaned by whoever shows them.
"""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, NamedTuple, NoReturn

from harness.bench.protocol import DEVICES
from harness.errors import UserError
from harness.recording.model import MODULE_FACT, UNIT_FACT
from harness.report.folder import RECORDING, VERDICT

UNIT: Final = UNIT_FACT
"""Key of the fact that names the unit under test, where somebody named it."""
DEPTH_MAX: Final = 4
"""Run folders are looked for this many levels below a folder that was named."""
BYTES_MAX: Final = 64 << 20
"""Largest verdict.json that is read: a soak of a day has about one."""
FOLDERS_MAX: Final = 200_000
"""So many folders are looked into, and no more: somebody may name the root of a disk."""
NUMBER_MAX: Final = 1e18
"""Beyond any figure: a century is 3.2e18 ns, and no run lasts one."""
BROKEN_OFF: Final = ".partial-"
"""In the name of a folder whose run broke off (`harness.report.folder`)."""


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
        """The unit under test: its name, else serial numbers, else all that devices say of themselves."""
        return self._fact(UNIT) or self._told("serial") or self._devices()

    @property
    def module(self) -> str:
        """The transceiver module that is fitted; "" where nobody said."""
        return self._fact(MODULE_FACT)

    @property
    def firmware(self) -> str:
        """Name and version of both devices' firmware; "" where the document does not tell them apart."""
        return self._told("firmware", "version")

    def _fact(self, name: str) -> str:
        rig = self.document.get("rig")
        facts = rig.get("facts") if isinstance(rig, dict) else None
        named = facts.get(name) if isinstance(facts, dict) else None
        return named if isinstance(named, str) else ""

    def _told(self, *keys: str) -> str:
        """Return these words of both devices' identities, each behind its role; one alone if they agree."""
        units = self.document.get("units")
        found = {}
        for role in DEVICES:
            told = units.get(role.value) if isinstance(units, dict) else None
            words = [told.get(key) for key in keys] if isinstance(told, dict) else []
            joined = " ".join(word for word in words if isinstance(word, str) and word)
            if joined:
                found[role.value] = joined
        if len(found) == len(DEVICES) and len(set(found.values())) == 1:
            return next(iter(found.values()))
        return ", ".join(f"{role} {words}" for role, words in found.items())

    def _devices(self) -> str:
        devices = self.document.get("devices")
        if not isinstance(devices, dict):
            return ""
        return "; ".join(f"{role}: {words}" for role, words in sorted(devices.items()))


class RunFile(NamedTuple):
    """A run folder that was found, not yet read: its verdict.json's time of writing and size in bytes.

    `name` is the folder's, as a path below `root`; `size` is -1 where verdict.json is no ordinary file.
    """

    root: Path
    name: str
    modified_ns: int
    size: int

    @property
    def folder(self) -> Path:
        """The run folder."""
        return self.root / self.name


@dataclass(slots=True)
class Found:
    """What stands below a folder: runs by name, runs that broke off, recordings without a verdict."""

    root: Path
    runs: list[RunFile] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    unjudged: list[str] = field(default_factory=list)
    looked_at: int = 0

    @property
    def whole(self) -> bool:
        """Whether every folder was looked into."""
        return self.looked_at <= FOLDERS_MAX


def find_runs(path: Path) -> Found:
    """Return what there is in this folder and below, read from names and sizes alone.

    Links to folders count if they lead to a run folder, and are not followed further.
    """
    found = Found(path)
    _find(".", found, DEPTH_MAX)
    return found


def _find(name: str, found: Found, depth: int) -> None:
    """Look into the folder of this name below the root; plain text, for there may be 10 000."""
    found.looked_at += 1
    whole = os.path.join(found.root, name)
    if not found.whole or _is_run(name, whole, found) or depth == 0:
        return
    try:
        below = sorted((entry.name, entry.is_symlink()) for entry in os.scandir(whole) if entry.is_dir())
    except OSError:
        return
    for last, is_link in below:
        inner = last if name == "." else f"{name}{os.sep}{last}"
        if last.startswith("."):  # runs that broke off begin with a dot
            if BROKEN_OFF in last and os.path.lexists(os.path.join(whole, last, RECORDING)):
                found.broken.append(inner)
        elif is_link:
            _is_run(inner, os.path.join(whole, last), found)
        else:
            _find(inner, found, depth - 1)


def _is_run(name: str, whole: str, found: Found) -> bool:
    """Note a run folder, or one with a recording alone; returns whether it was the first."""
    try:
        told = os.stat(f"{whole}{os.sep}{VERDICT}")
    except OSError:
        if os.path.isfile(f"{whole}{os.sep}{RECORDING}"):
            found.unjudged.append(name)
        return False
    size = told.st_size if stat.S_ISREG(told.st_mode) else -1
    found.runs.append(RunFile(found.root, name, told.st_mtime_ns, size))
    return True


def runs_below(path: Path) -> tuple[KeptRun, ...]:
    """Return the run in this folder, or all runs in folders below it, by name; raises UserError if none."""
    if not os.path.exists(path):
        raise UserError(f"{path}: is not there; name a run folder, or a folder of runs")
    found = find_runs(path)
    if not found.whole:
        raise UserError(f"{path}: more than {FOLDERS_MAX} folders in here; name a smaller one")
    if not found.runs:
        raise UserError(f"{path}: no run in here (no {VERDICT}); name a run folder, or a folder of runs")
    return tuple(read_run(file.folder) for file in found.runs)


def read_run(folder: Path) -> KeptRun:
    """Return the run in a folder; raises UserError if its verdict.json cannot be read."""
    path = folder / VERDICT
    try:
        told = path.stat()
        if not stat.S_ISREG(told.st_mode):
            raise ValueError("it is no ordinary file")
        if told.st_size > BYTES_MAX:
            raise ValueError(f"it has {told.st_size} bytes, more than {BYTES_MAX}")
        document = json.loads(path.read_bytes(), parse_constant=_no_number)
        if not isinstance(document, dict):
            raise ValueError("it holds no JSON object")
    except (OSError, ValueError, RecursionError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error
        raise UserError(
            f"{path}: cannot read: {reason}; judge its recording again, or leave it out"
        ) from error
    return KeptRun(folder, document, told.st_mtime_ns)


def _no_number(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number in JSON (RFC 8259, section 6)")

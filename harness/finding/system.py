"""Where does one look for serial ports and what is known of them? The machine, or a tree that stands for it.

Everything that depends on the machine is one value, so that adapters, links, rights and holders can be
arranged in a folder: `root` is put before every path of the system.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from harness.bench.ports import group_name

BOTH = stat.S_IRGRP | stat.S_IWGRP


class Listed(Protocol):
    """One port as pyserial's `list_ports` tells it; texts come out of the device and are untrusted."""

    device: str
    description: str | None
    vid: int | None
    pid: int | None
    serial_number: str | None


@dataclass(frozen=True, slots=True)
class Owned:
    """Whom a device file belongs to: its group, whether that may read and write, and whether it is root's.

    `member` is true if the account is listed in the group, though this login may not know it yet.
    """

    group: str
    group_may: bool
    is_roots: bool
    member: bool = False


def _comports() -> Iterable[Listed]:
    from serial.tools import list_ports

    found: list[Any] = [*list_ports.comports()]
    return found


def _allowed(path: Path) -> bool:
    """Return whether this process may read and write a file; elsewhere than on POSIX opening it tells."""
    return os.name != "posix" or os.access(path, os.R_OK | os.W_OK)


def _owned(path: Path) -> Owned:
    found = os.stat(path)
    name = group_name(found.st_gid)
    return Owned(name, found.st_mode & BOTH == BOTH, found.st_gid == 0, _is_member(name))


def _is_member(group: str) -> bool:
    import grp
    import pwd

    try:
        return pwd.getpwuid(os.getuid()).pw_name in grp.getgrnam(group).gr_mem
    except KeyError:
        return False


@dataclass(frozen=True, slots=True)
class System:
    """What the listing asks. `allowed` is whether a file may be read and written, `owned` whose it is."""

    root: Path = Path("/")
    comports: Callable[[], Iterable[Listed]] = _comports
    allowed: Callable[[Path], bool] = _allowed
    owned: Callable[[Path], Owned] = _owned

    def at(self, path: str) -> Path:
        """Return where a path of the system stands."""
        return self.root / path.lstrip("/") if path.startswith("/") else Path(path)

    def real(self, path: str) -> str:
        """Return the device behind a name, links followed, as a path of the system."""
        if not path.startswith("/"):
            return path
        found, root = os.path.realpath(self.at(path)), os.path.realpath(self.root)
        return found if root == "/" else found.removeprefix(root)

    def links(self, folder: str) -> dict[str, str]:
        """Return the devices that the links in a folder lead to, by the links' names, sorted."""
        place = self.at(folder)
        try:
            names = sorted(place.iterdir())
        except OSError:
            return {}
        return {
            f"{folder}/{one.name}": self.real(f"{folder}/{one.name}") for one in names if one.is_symlink()
        }

    def text(self, path: str) -> str:
        """Return what stands in a small file of the system, "" if there is none to read."""
        try:
            return self.at(path).read_text(errors="replace").strip()
        except OSError:
            return ""

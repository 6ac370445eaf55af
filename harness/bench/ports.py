"""How one serial port is opened, and what is said when it cannot be.

pyserial opens and configures; whatever it raises is turned into one clear `BenchError` that says what was
found and how to mend it.
"""

from __future__ import annotations

import difflib
import errno
import os
import re
import stat
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

from harness.bench.port_names import name_hint
from harness.bench.protocol import ControlLine, Role
from harness.errors import BenchError

if TYPE_CHECKING:
    from serial import Serial

DEFAULT_BAUD: Final = 115_200
READ_WAIT_S: Final = 0.05
"""How long a reader thread sits in one read: it sees the bench close after at most this."""
WRITE_LIMIT_MS: Final = 200
"""A write that takes longer than this has lost its device: at 9600 baud a 128-byte frame takes 133 ms."""
MAX_LISTED: Final = 8
NETWORK: Final = ("socket", "rfc2217")
OPENING_ERRORS: Final = (OSError, ValueError, NotImplementedError, ImportError, LookupError, TypeError)
"""What pyserial raises when a port does not open."""
LIKE: Final = 0.8
"""How like a name must be to be offered: `/dev/ttyUSB1` is for `/dev/ttyUSB0` (0.92), `/dev/ttyACM0` is not
(0.75)."""
LIKE_COM: Final = 0.6
"""The same for `COM4`, all of which are alike."""
MAX_COMPARED: Final = 500
"""Files in a folder that are looked at for a name like the one that is missing."""
_BUILT_IN = re.compile(r"/dev/ttyS\d+")
"""Lines of the computer itself, there whether anything is plugged in or not."""
_WINDOWS_NAME = re.compile(r"(\\\\\.\\)?(com\d+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class PortSpec:
    """Where a device is plugged in: anything pyserial opens (`/dev/...`, `COM5`, `socket://`, `rfc2217://`)."""

    url: str
    baud: int = DEFAULT_BAUD
    held: tuple[ControlLine, bool] | None = None
    """A control line that switches something, and the level it must have before the port is open."""


def open_port(
    role: Role, spec: PortSpec, at_ns: int, rig: Mapping[Role, PortSpec] = MappingProxyType({})
) -> Serial:
    """Open and configure one port: 8N1, exclusive, stale input flushed. Raises BenchError.

    `rig` is every port of the rig: what has a place in it is not offered for one that is missing.
    """
    try:
        return open_plainly(spec)
    except OPENING_ERRORS as error:
        why = explain_failure(error, spec, rig) + name_hint(spec.url)
        message = f"{role} port {spec.url}: {why}"
        raise BenchError(message, role=role.value, port=spec.url, at_ns=at_ns) from error


def open_plainly(spec: PortSpec) -> Serial:
    """Open and configure one port as `open_port` does; what goes wrong is one of `OPENING_ERRORS`."""
    # Imported here so that a run on the mock, or --help, does not pay for it.
    import serial

    with warnings.catch_warnings():
        # pyserial 3.5's RFC 2217 client makes its thread a daemon by a deprecated call
        warnings.simplefilter("ignore", DeprecationWarning)
        try:
            if spec.held is None:
                return serial.serial_for_url(spec.url, **_settings(spec))
            port = serial.serial_for_url(spec.url, do_not_open=True, **_settings(spec))
            setattr(port, *spec.held)  # before it is open, so that nothing is switched by opening
            port.open()
            return port
        except terminal_errors() as error:
            raise OSError(*error.args) from error


def terminal_errors() -> tuple[type[Exception], ...]:
    """Return what a terminal raises when it refuses settings: no OSError, and pyserial lets it through."""
    if os.name != "posix":
        return ()
    import termios

    return (termios.error,)


def _settings(spec: PortSpec) -> dict[str, Any]:
    settings: dict[str, Any] = {"baudrate": spec.baud, "timeout": READ_WAIT_S, "exclusive": True}
    if scheme(spec.url) != "rfc2217":  # pyserial's RFC 2217 client refuses a write timeout
        settings["write_timeout"] = WRITE_LIMIT_MS / 1000
    return settings


def scheme(url: str) -> str:
    """Return the part of a URL before `://` in lower case, or "" for a device name."""
    return url.partition("://")[0].lower() if "://" in url else ""


def same_port_key(url: str) -> str:
    """Return a text that is equal for two spellings of one port: links followed, upper and lower case."""
    if scheme(url):
        return url.lower().rstrip("/")
    windows = _WINDOWS_NAME.fullmatch(url)
    return windows[2].lower() if windows else os.path.realpath(url)


def explain_failure(
    error: Exception, spec: PortSpec, rig: Mapping[Role, PortSpec] = MappingProxyType({})
) -> str:
    """Return why a port did not open and what to do about it; `rig` as for `open_port`."""
    if scheme(spec.url):
        return _explain_url(error, spec)
    number = getattr(error, "errno", None) or 0
    text = str(error)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in text:
        return _explain_missing(spec.url, rig)
    if number in (errno.EAGAIN, errno.EBUSY) or (os.name == "nt" and "PermissionError" in text):
        return _explain_busy(spec.url)
    if number in (errno.EACCES, errno.EPERM):
        return _explain_permission(spec.url)
    if not _is_character_device(spec.url):
        return "this is not a serial port; name the device itself, such as /dev/ttyUSB0 or COM5"
    return f"could not be opened at {spec.baud} baud: {_tidy(text)}"


def _explain_url(error: Exception, spec: PortSpec) -> str:
    kind, text = scheme(spec.url), _tidy(str(error))
    if isinstance(error, ValueError) and "not known" in text:
        return f"there is no kind of port called {kind}://; use a device name, socket:// or rfc2217://"
    if kind in NETWORK and not _names_host_and_port(spec.url):
        return f"this is not a whole port URL; expected {kind}://HOST:PORT"
    if kind in NETWORK:
        return f"could not be opened: {text}; is the server at the other end running?"
    return f"could not be opened: {text}"


def _names_host_and_port(url: str) -> bool:
    try:
        parts = urlsplit(url)
        return bool(parts.hostname) and parts.port is not None
    except ValueError:
        return False


def _explain_missing(url: str, rig: Mapping[Role, PortSpec]) -> str:
    if os.path.lexists(url):
        return (
            "nothing answers behind this name; is the device still plugged in, and is this its serial port?"
        )
    if not url.startswith("/dev/") and not _WINDOWS_NAME.fullmatch(url):
        return _explain_missing_path(url, rig)
    present = sorted(present_ports(), key=lambda name: _BUILT_IN.fullmatch(name) is not None)
    names = [_told(name, rig) for name in present[:MAX_LISTED]]
    listed = ", ".join(names) if names else "no serial port at all"
    if len(present) > MAX_LISTED:
        listed += f" and {len(present) - MAX_LISTED} more"
    asked_built_in = _BUILT_IN.fullmatch(url) is not None
    likely = [name for name in _free(present, rig) if asked_built_in or not _BUILT_IN.fullmatch(name)]
    near = difflib.get_close_matches(url, likely, 1, LIKE if url.startswith("/dev/") else LIKE_COM)
    hint = f"; did you mean {near[0]}?" if near else "; is the device plugged in and powered?"
    return f"there is no such port; present: {listed}{hint}"


def _explain_missing_path(url: str, rig: Mapping[Role, PortSpec]) -> str:
    """Return what to do about a name outside /dev, which a program makes."""
    folder = Path(url).parent
    beside = sorted(map(str, islice(folder.iterdir(), MAX_COMPARED))) if folder.is_dir() else []
    names = [Path(name).name for name in _free(beside, rig)]
    near = difflib.get_close_matches(Path(url).name, names, 1, LIKE)
    made = "does the program run that makes it, such as `propsoff mock`?"
    hint = f"did you mean {folder / near[0]}?" if near else made
    return f"there is no such port; {hint}"


def _free(names: Sequence[str], rig: Mapping[Role, PortSpec]) -> list[str]:
    """Return the ports that have no place in the rig."""
    taken = {same_port_key(spec.url) for spec in rig.values()}
    return [name for name in names if same_port_key(name) not in taken]


def _told(name: str, rig: Mapping[Role, PortSpec]) -> str:
    """Return a port with what is known of it: whose it is, or that no adapter is behind it."""
    for role, spec in rig.items():
        if same_port_key(spec.url) == same_port_key(name):
            return f"{name} (the {role}'s)"
    return f"{name} (built in)" if _BUILT_IN.fullmatch(name) else name


def present_ports() -> list[str]:
    """Return the names of the serial ports that this machine has, sorted."""
    from serial.tools import list_ports

    names = {port.device for port in list_ports.comports()}
    by_id = Path("/dev/serial/by-id")
    if by_id.is_dir():
        names.update(str(link) for link in by_id.iterdir())
    return sorted(names)


def _explain_permission(url: str) -> str:
    found = os.stat(url)
    name = group_name(found.st_gid)
    both = stat.S_IRGRP | stat.S_IWGRP
    if found.st_mode & both == both and found.st_gid != 0:
        return (
            f"no permission to open it; it belongs to the group {name}: "
            f"run `sudo usermod -aG {name} $USER`, then log out and in again"
        )
    return (
        f"no permission to open it, and its group ({name}) has none either: "
        f"run `sudo chmod a+rw {url}` for this once, or write a udev rule for the adapter"
    )


def group_name(gid: int) -> str:
    """Return the name of a group, or its number where it has none."""
    try:
        import grp

        return grp.getgrgid(gid).gr_name
    except (KeyError, ImportError):
        return str(gid)


def _explain_busy(url: str) -> str:
    who = holders(url)
    by = f"by {', '.join(who)}" if who else "by another program, such as a serial monitor"
    return f"it is in use {by}; close that first"


def holders(url: str, *, proc: Path = Path("/proc")) -> list[str]:
    """Return which processes have the device open, as far as the system tells: `NAME (process 1234)`."""
    device = os.path.realpath(url)
    found: list[str] = []
    for process in sorted(proc.glob("[0-9]*")):
        if len(found) == MAX_LISTED:
            break
        if _has_open(process, device):
            found.append(f"{_command(process)} (process {process.name})")
    return found


def _has_open(process: Path, device: str) -> bool:
    try:
        links = list((process / "fd").iterdir())
    except OSError:  # gone meanwhile, or somebody else's process
        return False
    return any(_target(link) == device for link in links)


def _target(link: Path) -> str:
    try:
        return os.readlink(link)
    except OSError:  # closed meanwhile
        return ""


def _command(process: Path) -> str:
    try:
        name = (process / "comm").read_text(errors="replace").strip()
    except OSError:
        name = ""
    return "".join(letter if letter.isprintable() else "?" for letter in name) or "a program"


def _is_character_device(url: str) -> bool:
    try:
        mode = os.stat(url).st_mode
    except OSError:
        return False
    return stat.S_ISCHR(mode) and url != os.devnull


def _tidy(text: str) -> str:
    """Return what a library said on one bounded line."""
    return " ".join(text.split())[:200]

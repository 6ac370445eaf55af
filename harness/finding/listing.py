"""Which serial ports are there, by which names that last? And what is known of each without opening it."""

from __future__ import annotations

import errno
import os
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Final

from harness.bench.ports import NETWORK, PortSpec, explain_failure, holders, same_port_key, scheme
from harness.finding.access import Access, Latency, read_access, read_latency
from harness.finding.system import Listed, System
from harness.report.escape import clean

MAX_TEXT: Final = 80
"""Characters of a text that came out of an adapter."""
BY_ID: Final = "/dev/serial/by-id"
BY_PATH: Final = "/dev/serial/by-path"
NO_UART: Final = "0"
"""What Linux says in /sys/class/tty/ttyS*/type where it found no UART (PORT_UNKNOWN, serial_core.h)."""
_BUILT_IN: Final = re.compile(r"/dev/ttyS\d+")
_TERMINAL: Final = re.compile(r"/dev/(pts/|ttys)\d+")
_COM: Final = re.compile(r"(\\\\\.\\)?com\d+", re.IGNORECASE)

SHARED: Final = "without a serial number, a second adapter of its kind would have this name too"
ALLOWED: Final = Access(allowed=True)


class Kind(StrEnum):
    """What a port is."""

    ADAPTER = "adapter"
    BUILT_IN = "built in"
    EMPTY = "no hardware"
    TERMINAL = "pseudo-terminal"
    NETWORK = "network"
    OTHER = "serial port"
    MISSING = "not there"
    NO_PORT = "no serial port"


@dataclass(frozen=True, slots=True)
class Adapter:
    """What an adapter says of itself, escaped and bounded; `usb_id` is `vendor:product`, or ""."""

    description: str
    usb_id: str
    serial: str

    def words(self) -> str:
        """Return it on one line."""
        lacking = "no serial number" if self.usb_id else ""
        serial = f"serial number {self.serial}" if self.serial else lacking
        return ", ".join(part for part in (self.description, self.usb_id, serial) if part)


@dataclass(frozen=True, slots=True)
class Found:
    """One port. `name` is what to write in a rig, `device` what is behind it now.

    `may_change` says why the name may lead elsewhere tomorrow, "" if it will not. `held_by` are processes
    that have it open, this one left out.
    """

    name: str
    device: str
    kind: Kind
    may_change: str = ""
    adapter: Adapter | None = None
    latency: Latency | None = None
    access: Access = ALLOWED
    held_by: tuple[str, ...] = ()


def find_ports(system: System | None = None, names: Sequence[str] = ()) -> tuple[Found, ...]:
    """Return the ports called `names`, or without any all that the system has, adapters first.

    Nothing is opened. A name that is not there comes back as `Kind.MISSING`; a port named twice comes once.
    """
    system = system or System()
    listed = {port.device: port for port in system.comports()}
    look = _Look(system, listed)
    if names:
        named = {same_port_key(port.device): port for port in map(look.named, reversed(names))}
        return tuple(reversed(named.values()))
    found = [look.device(device) for device in sorted(listed, key=_by_number)]
    return tuple(sorted(found, key=lambda port: port.kind in (Kind.BUILT_IN, Kind.EMPTY)))


def trouble(found: Found) -> str:
    """Return why there is no port by this name and how to mend it, "" if there is one."""
    if found.kind is Kind.MISSING:
        return explain_failure(FileNotFoundError(errno.ENOENT, "no such port"), PortSpec(found.name))
    return explain_failure(OSError(), PortSpec(found.name)) if found.kind is Kind.NO_PORT else ""


def held_by(device: str, system: System) -> tuple[str, ...]:
    """Return which other processes have a device open, as far as the system shows them."""
    found = holders(device, proc=system.at("/proc"))
    return tuple(clean(who, MAX_TEXT) for who in found if f"(process {os.getpid()})" not in who)


def _by_number(name: str) -> tuple[str, int]:
    """Sort ttyUSB10 behind ttyUSB9."""
    digits = re.search(r"\d{1,9}$", name)
    return (name[: digits.start()], int(digits[0])) if digits else (name, 0)


class _Look:
    """The system as it was when the listing began."""

    def __init__(self, system: System, listed: dict[str, Listed]) -> None:
        self.system = system
        self.listed = listed
        self.by_id = _turned(system.links(BY_ID))
        self.by_path = _turned(system.links(BY_PATH))
        nameless = [_usb_id(port) for port in listed.values() if not port.serial_number]
        self.twins = {usb_id for usb_id, count in Counter(nameless).items() if usb_id and count > 1}

    def named(self, name: str) -> Found:
        """Return what is known of a port that somebody named."""
        if scheme(name):
            return Found(name, name, Kind.NETWORK if scheme(name) in NETWORK else Kind.OTHER)
        device = self.system.real(name if _COM.fullmatch(name) else os.path.abspath(name))
        if device not in self.listed and not os.path.exists(self.system.at(device)):
            known = next((one for one in self.listed if one.lower() == name.lower()), None)
            return self.device(known) if known else Found(name, device, Kind.MISSING)
        if device not in self.listed and not _may_be_a_port(self.system.at(device)):
            return Found(name, device, Kind.NO_PORT)
        found = self.device(device)
        if device == name or name in (*self.by_id.values(), *self.by_path.values()):
            return found
        return _with_name(found, os.path.abspath(name))

    def device(self, device: str) -> Found:
        """Return what is known of a device."""
        port = self.listed.get(device)
        kind = self._kind(device, port)
        adapter = _adapter(port) if port is not None and kind is not Kind.EMPTY else None
        name, may_change = self._stable(device, kind, adapter)
        return Found(
            name=name,
            device=device,
            kind=kind,
            may_change=may_change,
            adapter=adapter,
            latency=read_latency(self.system, device),
            access=read_access(self.system, device, adapter.usb_id if adapter else ""),
            held_by=held_by(device, self.system),
        )

    def _kind(self, device: str, port: Listed | None) -> Kind:
        if port is not None and port.vid is not None:
            return Kind.ADAPTER
        if _BUILT_IN.fullmatch(device):
            uart = self.system.text(f"/sys/class/tty/{Path(device).name}/type")
            return Kind.EMPTY if uart == NO_UART else Kind.BUILT_IN
        return Kind.TERMINAL if _TERMINAL.match(device) else Kind.OTHER

    def _stable(self, device: str, kind: Kind, adapter: Adapter | None) -> tuple[str, str]:
        """Return the name to write in a rig, and why it may change."""
        twin = adapter is not None and not adapter.serial and adapter.usb_id in self.twins
        if device in self.by_id and not twin:
            named = adapter is None or adapter.serial
            return self.by_id[device], "" if named else SHARED
        if device in self.by_path:
            why = "two adapters here are alike and have no serial number" if twin else "it has no other"
            return self.by_path[device], f"this name is of the USB socket, not of the adapter ({why})"
        if kind is Kind.TERMINAL:
            return device, "a pseudo-terminal: a program made this name, and it ends with the program"
        if kind in (Kind.BUILT_IN, Kind.EMPTY):
            return device, ""
        return device, _why_it_changes(device, adapter)


def _why_it_changes(device: str, adapter: Adapter | None) -> str:
    """Say what a device name depends on. How Windows and macOS name ports is from memory."""
    if _COM.fullmatch(device):
        keeps = adapter is not None and adapter.serial
        return "" if keeps else "Windows may give another COM number in another USB socket"
    if device.startswith("/dev/cu."):
        return "" if adapter is not None and adapter.serial else "macOS names it by its USB socket"
    return "numbers are given out in the order of plugging in, and this system has no name by identity"


def _may_be_a_port(path: Path) -> bool:
    return path.is_char_device() and str(path) != os.devnull


def _with_name(found: Found, name: str) -> Found:
    """Return the port under a name that somebody gave it by a link."""
    return Found(
        name, found.device, found.kind, f"a link that somebody made; now it leads to {found.device}",
        found.adapter, found.latency, found.access, found.held_by,
    )  # fmt: skip


def _turned(links: dict[str, str]) -> dict[str, str]:
    """Return the first link's name for each device."""
    found: dict[str, str] = {}
    for name, device in links.items():
        found.setdefault(device, name)
    return found


def _usb_id(port: Listed) -> str:
    return "" if port.vid is None or port.pid is None else f"{port.vid:04x}:{port.pid:04x}"


def _adapter(port: Listed) -> Adapter | None:
    description = port.description or ""
    if port.vid is None and description.lower() in ("", "n/a", Path(port.device).name.lower()):
        return None
    serial = clean(port.serial_number or "", MAX_TEXT)
    return Adapter(clean(description, MAX_TEXT), _usb_id(port), serial)

"""How do real programs reach the mock? In real time, on two pseudo-terminals for any serial program.

The rest is in `mocks.ends`. Windows has no pseudo-terminals.
"""

from __future__ import annotations

import os
import select
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from threading import Event

from harness.bench.protocol import Role
from harness.errors import BenchError, UserError
from mocks.devices import Devices
from mocks.ends import MAX_UNREAD_BYTES, READ_BYTES, in_background, say
from mocks.ends import run as _run


class Terminal:
    """One pseudo-terminal, seen from the device's side."""

    def __init__(self) -> None:
        import tty

        try:
            self.master, slave = os.openpty()
        except OSError as error:
            raise BenchError(f"the system gives no pseudo-terminal: {error.strerror}") from error
        self.name = os.ttyname(slave)
        tty.setraw(slave)
        os.close(slave)
        os.set_blocking(self.master, False)
        self.is_open = False
        self._unread = b""

    @property
    def descriptor(self) -> int:
        """The device's side."""
        return self.master

    def look(self) -> None:
        """Find out whether a program has opened the port."""
        if not self.is_open:
            poll = select.poll()
            poll.register(self.master, select.POLLIN)
            self.is_open = not any(event & select.POLLHUP for _, event in poll.poll(0))

    def read(self) -> bytes:
        """Return what the program wrote; no bytes if there are none or if it closed the port."""
        try:
            data = os.read(self.master, READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._closed()
        return data

    def write(self, data: bytes) -> None:
        """Hand the program a device's bytes, or drop them if nobody listens or too much is unread."""
        if not self.is_open:
            return
        if len(self._unread) + len(data) <= MAX_UNREAD_BYTES:
            self._unread += data
        try:
            written = os.write(self.master, self._unread)
        except BlockingIOError:
            return
        except OSError:
            self._closed()
            return
        self._unread = self._unread[written:]

    def _closed(self) -> None:
        """Forget what the program that closed the port has not read."""
        import termios

        self.is_open = False
        self._unread = b""
        slave = os.open(self.name, os.O_RDWR | os.O_NOCTTY)
        termios.tcflush(slave, termios.TCIFLUSH)
        os.close(slave)

    def close(self) -> None:
        """Give the pseudo-terminal back."""
        os.close(self.master)


def serve(
    devices: Devices,
    *,
    link_dir: Path | None = None,
    announce: Callable[[str], None] = say,
    stop: Event | None = None,
) -> None:
    """Run simulated devices in real time until Ctrl-C or until `stop` is set; closes them.

    `announce` is told a line for each port, such as `transmitter /dev/pts/3`. With `link_dir`, symbolic links
    with the roles' names stand there while it runs, and are announced instead. Raises UserError if the links
    cannot be made, or on Windows; BenchError if the system has no pseudo-terminal left.
    """
    with closing(devices), ExitStack() as stack:
        _require_ptys()
        terminals: dict[Role, Terminal] = {}
        for role in devices.baud:
            terminals[role] = terminal = Terminal()
            stack.callback(terminal.close)
            announce(f"{role} {_linked(terminal.name, link_dir, role, stack)}")
        try:
            _run(devices, terminals, stop or Event())
        except KeyboardInterrupt:
            return


@contextmanager
def serving(devices: Devices, *, link_dir: Path | None = None) -> Iterator[Mapping[Role, str]]:
    """Run `serve` in a thread and give the name of each port; for tests and scripts."""
    names: dict[Role, str] = {}

    def go(ready: Event, stop: Event) -> None:
        def announce(line: str) -> None:
            role, _, name = line.partition(" ")
            names[Role(role)] = name
            if len(names) == len(devices.baud):
                ready.set()

        serve(devices, link_dir=link_dir, announce=announce, stop=stop)

    with in_background(go):
        yield names


def _require_ptys() -> None:
    if not hasattr(os, "openpty"):
        raise UserError("the mock devices need pseudo-terminals, which this system has not; use `--rig mock`")


def _linked(name: str, link_dir: Path | None, role: Role, stack: ExitStack) -> str:
    """Return the name to announce: the pseudo-terminal's, or a fresh link's to it."""
    if link_dir is None:
        return name
    path = link_dir / role.value
    if path.exists() and not path.is_symlink():
        raise UserError(f"{path} stands where a link to the mock {role} would go; name another directory")
    try:
        link_dir.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        path.symlink_to(name)
    except OSError as error:
        raise UserError(f"{path}: the link to the mock {role} cannot be made: {error.strerror}") from error
    stack.callback(path.unlink, missing_ok=True)
    return str(path)

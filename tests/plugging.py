"""Simulated devices in real time behind ports that a test pulls out and puts back."""

from __future__ import annotations

import socket
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from threading import Event, Lock, Thread

import serial
from serial.rfc2217 import PortManager

from mocks import ends
from mocks.ptys import Terminal
from mocks.sockets import TcpEnd


class PluggedTerminal:
    """A pseudo-terminal behind a link, as a stable name in /dev/serial/by-id is one."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.wanted = True
        self._terminal: Terminal | None = None
        self._pending: list[Terminal] = []
        self._plug()

    def _plug(self) -> None:
        self._terminal = Terminal()
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(self._terminal.name)

    @property
    def is_open(self):
        return self._terminal is not None and self._terminal.is_open

    @property
    def descriptor(self):
        return self._terminal.master

    def look(self):
        if self.wanted and self._terminal is None:
            self._plug()
        elif not self.wanted and self._terminal is not None:
            self.link.unlink()
            self._terminal.close()
            self._terminal = None
        if self._terminal is not None:
            self._terminal.look()

    def read(self):
        return self._terminal.read()

    def write(self, data):
        if self._terminal is not None:
            self._terminal.write(data)

    def close(self):
        if self._terminal is not None:
            self._terminal.close()


class PluggedServer(TcpEnd):
    """A TCP port whose server goes away: its connection is closed, and nobody listens meanwhile.

    With `silent` the connection stays and nothing moves on it: a network that stalls.
    """

    def __init__(self, server: socket.socket) -> None:
        super().__init__(server)
        self.port = server.getsockname()[1]
        self.wanted = True
        self.silent = False

    def look(self):
        if not self.wanted:
            self._hang_up()
            self._server.close()
        elif self._server.fileno() < 0:
            self._server = socket.create_server(("127.0.0.1", self.port))
            self._server.setblocking(False)
        else:
            super().look()

    def read(self):
        data = super().read()
        return b"" if self.silent else data

    def write(self, data):
        if not self.silent:
            super().write(data)

    @property
    def url(self):
        return f"socket://127.0.0.1:{self.port}"


class Rfc2217Server(PluggedServer):
    """The same behind pyserial's own RFC 2217 server; settings and control lines go to a loop-back port."""

    def __init__(self, server: socket.socket) -> None:
        super().__init__(server)
        self.settings = serial.serial_for_url("loop://", timeout=0)
        self._manager = None
        self._lock = Lock()
        self._told = None

    def look(self):
        super().look()
        if self._client is not self._told:
            self._told = self._client
            self._manager = PortManager(self.settings, self) if self._client else None

    def read(self):
        data = super().read()
        return b"".join(self._manager.filter(data)) if data and self._manager else b""

    def write(self, data):
        """Called with a device's bytes by the loop, and with negotiation by the manager."""
        if self._manager is None or data[:1] == b"\xff":
            super().write(data)
        else:
            super().write(b"".join(self._manager.escape(data)))

    @property
    def url(self):
        return f"rfc2217://127.0.0.1:{self.port}"


@contextmanager
def plugged(devices, make):
    """Run simulated devices behind the ends that `make` gives for each role; yields them by role."""
    stop, failure = Event(), []
    with closing(devices), ExitStack() as stack:
        found = {role: make(role) for role in devices.baud}
        for end in found.values():
            stack.callback(end.close)

        def go():
            try:
                ends.run(devices, found, stop)
            except BaseException as error:
                failure.append(error)

        thread = Thread(target=go, daemon=True)
        thread.start()
        try:
            yield found
        finally:
            stop.set()
            thread.join()
    if failure:
        raise failure[0]


def listening(kind):
    """Return a maker of TCP ends on free ports of the loop-back."""
    return lambda _role: kind(socket.create_server(("127.0.0.1", 0)))

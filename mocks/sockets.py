"""How do programs on other systems and machines reach the mock? In real time, each device on a TCP port.

The transmitter is at PORT, the receiver at PORT + 1, the witness at PORT + 2, as `socket://HOST:PORT` opens
them: plain bytes, one program a port. Without a host only programs on this machine get in.
"""

from __future__ import annotations

import ipaddress
import os
import socket
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from threading import Event
from typing import Final

from harness.bench.protocol import Role
from harness.errors import UserError
from mocks.devices import Devices
from mocks.ends import MAX_UNREAD_BYTES, READ_BYTES, Announce, in_background, run, say

LOOPBACK: Final = "127.0.0.1"
PLACES: Final = {Role.TRANSMITTER: 0, Role.RECEIVER: 1, Role.WITNESS: 2}
HIGHEST_PORT: Final = 65_535 - max(PLACES.values())
EVERYBODY: Final = (
    "warning: this listens beyond this machine. Anybody who can reach it can drive these devices: there is "
    "no password and no encryption. Leave the host out, and let others in through ssh -L or a TLS tunnel."
)


@dataclass(frozen=True, slots=True)
class Listen:
    """Where to listen: a host's name or address, and the first of the ports; 0 is whatever is free."""

    host: str
    port: int


Ready = Callable[[Mapping[Role, str]], None]
"""Takes the URL of each port once all of them listen."""


def parse_listen(text: str) -> Listen:
    """Return what `[HOST:]PORT` says; an IPv6 address stands in brackets. Raises ValueError in words."""
    host, colon, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]") if colon else LOOPBACK
    if not (port.isascii() and port.isdigit() and int(port[:6]) <= HIGHEST_PORT) or not host:
        raise ValueError(
            f"{text!r} is no place to listen; write a port up to {HIGHEST_PORT}, such as 4000, "
            "or HOST:PORT, such as 192.168.1.5:4000 or [::1]:4000"
        )
    return Listen(host, int(port))


class TcpEnd:
    """One TCP port, seen from the device's side."""

    def __init__(self, server: socket.socket) -> None:
        self._server = server
        self._client: socket.socket | None = None
        self._unread = b""
        server.setblocking(False)

    @property
    def is_open(self) -> bool:
        """Whether a program is connected."""
        return self._client is not None

    @property
    def descriptor(self) -> int:
        """The connection's."""
        return -1 if self._client is None else self._client.fileno()

    def look(self) -> None:
        """Take a program in; send every further one away by closing its connection."""
        while True:
            try:
                client = self._server.accept()[0]
            except OSError:  # nobody there, or gone again
                return
            if self._client is not None:
                client.close()
                continue
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            client.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            self._client = client

    def read(self) -> bytes:
        """Return what the program wrote; no bytes if there are none or if it closed the port."""
        if self._client is None:
            return b""
        try:
            data = self._client.recv(READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def write(self, data: bytes) -> None:
        """Hand the program a device's bytes, or drop them if nobody listens or too much is unread."""
        if self._client is None:
            return
        if len(self._unread) + len(data) <= MAX_UNREAD_BYTES:
            self._unread += data
        try:
            self._unread = self._unread[self._client.send(self._unread) :]
        except BlockingIOError:
            return
        except OSError:
            self._hang_up()

    def _hang_up(self) -> None:
        if self._client is not None:
            self._client.close()
        self._client, self._unread = None, b""

    def close(self) -> None:
        """Give the port back."""
        self._hang_up()
        self._server.close()


def serve(
    devices: Devices,
    listen: Listen,
    *,
    ready: Ready = lambda _urls: None,
    announce: Announce = say,
    stop: Event | None = None,
) -> None:
    """Run simulated devices in real time until Ctrl-C or until `stop` is set; closes them.

    `announce` is told a line for each port, such as `transmitter socket://127.0.0.1:4000`, and then who can
    reach them. Raises UserError if nobody can listen there.
    """
    with closing(devices), ExitStack() as stack:
        ends: dict[Role, TcpEnd] = {}
        urls: dict[Role, str] = {}
        for role in devices.baud:
            server = _listener(role, listen)
            ends[role] = end = TcpEnd(server)
            stack.callback(end.close)
            urls[role] = _url(server)
        ready(urls)
        for role, url in urls.items():
            announce(f"{role} {url}")
        announce(_who_gets_in(server))
        try:
            run(devices, ends, stop or Event())
        except KeyboardInterrupt:
            return


def _listener(role: Role, listen: Listen) -> socket.socket:
    port = listen.port + PLACES[role] if listen.port else 0
    try:
        family, *_, address = socket.getaddrinfo(listen.host, port, type=socket.SOCK_STREAM)[0]
        return socket.create_server(address, family=family)
    except (OSError, UnicodeError) as error:
        number = error.errno if isinstance(error, OSError) and not isinstance(error, socket.gaierror) else 0
        reason = os.strerror(number) if number else getattr(error, "strerror", None) or str(error)
        raise UserError(
            f"the mock {role} cannot listen at {listen.host}:{port}: {reason}; "
            "name another port, or an address of this machine"
        ) from error


def _address(server: socket.socket) -> tuple[ipaddress.IPv4Address | ipaddress.IPv6Address, int]:
    host, port = server.getsockname()[:2]
    return ipaddress.ip_address(host.partition("%")[0]), port


def _url(server: socket.socket) -> str:
    """Return how a program on this machine opens it."""
    address, port = _address(server)
    if address.is_unspecified:
        address = ipaddress.ip_address("::1" if address.version == 6 else LOOPBACK)
    host = f"[{address}]" if address.version == 6 else str(address)
    return f"socket://{host}:{port}"


def _who_gets_in(server: socket.socket) -> str:
    address, _ = _address(server)
    if address.is_loopback:
        return f"listening on {address}: programs on this machine only, one a port; Ctrl-C ends it"
    return EVERYBODY


@contextmanager
def serving(devices: Devices, listen: Listen = Listen(LOOPBACK, 0)) -> Iterator[Mapping[Role, str]]:
    """Run `serve` in a thread and give the URL of each port; for tests and scripts."""
    urls: dict[Role, str] = {}

    def go(ready: Event, stop: Event) -> None:
        serve(devices, listen, ready=urls.update, announce=lambda _: ready.set(), stop=stop)

    with in_background(go):
        yield urls

"""What stands behind the ports in these tests: a small device, and the cables that lead to it."""

from __future__ import annotations

import os
import pty
import select
import socket
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path

import serial
from serial.rfc2217 import PortManager

from harness.bench.protocol import Role
from harness.codec import Frame, Splitter, decode_piece, encode, parse
from harness.codec import messages as m


class TinyDevice:
    """Answers pings and identify, as every device must. Bytes in, bytes out."""

    def __init__(self, role: m.WireRole) -> None:
        self.role = role
        self.counter = 0
        self.splitter = Splitter()

    def feed(self, data: bytes) -> bytes:
        return b"".join(self._answer(piece) for piece in self.splitter.feed(data))

    def _answer(self, piece: bytes) -> bytes:
        frame = decode_piece(piece.removesuffix(b"\0"))
        match parse(frame) if isinstance(frame, Frame) else None:
            case m.Ping(nonce):
                answer: m.AnyMessage = m.Pong(nonce, nonce)
            case m.Identify():
                answer = m.Identity(1, self.role, 4, 50_000, 1, "tiny", "1", "0")
            case _:
                return b""
        self.counter += 1
        return encode(answer, self.counter - 1)


WIRE_ROLES = dict(zip(Role, m.WireRole, strict=True))


@contextmanager
def served(fd: int, feed: Callable[[bytes], bytes]) -> Iterator[None]:
    """Let `feed` answer what arrives at a descriptor, in a thread, until the block is left."""
    wake, told = os.pipe()

    def run() -> None:
        while wake not in (ready := select.select([fd, wake], [], [])[0]):
            assert ready
            try:
                data = os.read(fd, 4096)
            except OSError:
                return
            if not data:
                return
            with suppress(OSError):
                os.write(fd, feed(data))

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield
    finally:
        os.write(told, b"x")
        thread.join()
        os.close(wake)
        os.close(told)


@contextmanager
def pty_pair() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: the far side's descriptor and the near side's name; the near side stays open."""
    far, near = pty.openpty()
    os.set_blocking(far, False)
    try:
        yield far, os.ttyname(near)
    finally:
        for fd in (far, near):
            with suppress(OSError):
                os.close(fd)


def hang_up(far: int) -> None:
    """Pull the plug: the pseudo-terminal's far side is closed, its number stays taken."""
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, far)
    os.close(nothing)


@contextmanager
def pty_device(role: Role) -> Iterator[str]:
    """A tiny device behind a pseudo-terminal."""
    with pty_pair() as (far, name), served(far, TinyDevice(WIRE_ROLES[role]).feed):
        yield name


@contextmanager
def _listening(serve: Callable[[socket.socket], None]) -> Iterator[str]:
    """A TCP server on the loop-back that hands its one connection to `serve`, in a thread."""
    with closing(socket.create_server(("127.0.0.1", 0))) as server:

        def run() -> None:
            with suppress(OSError), closing(server.accept()[0]) as connection:
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                serve(connection)

        thread = threading.Thread(target=run)
        thread.start()
        try:
            yield f"127.0.0.1:{server.getsockname()[1]}"
        finally:
            with suppress(OSError):  # wakes an accept that nobody came to
                server.shutdown(socket.SHUT_RDWR)
            thread.join()


@contextmanager
def socket_device(role: Role) -> Iterator[str]:
    """A tiny device behind a plain TCP port."""
    device = TinyDevice(WIRE_ROLES[role])

    def serve(connection: socket.socket) -> None:
        while data := connection.recv(4096):
            connection.sendall(device.feed(data))

    with _listening(serve) as address:
        yield f"socket://{address}"


class _Escaped:
    """The writing side of a telnet connection, as pyserial's PortManager wants it."""

    def __init__(self, connection: socket.socket) -> None:
        self.write = connection.sendall


@contextmanager
def rfc2217_device(role: Role) -> Iterator[str]:
    """A tiny device behind an RFC 2217 server (pyserial's own); settings go to a loop-back port."""
    device = TinyDevice(WIRE_ROLES[role])

    def serve(connection: socket.socket) -> None:
        with closing(serial.serial_for_url("loop://")) as settings:
            manager = PortManager(settings, _Escaped(connection))
            while data := connection.recv(4096):
                answer = device.feed(b"".join(manager.filter(data)))
                connection.sendall(b"".join(manager.escape(answer)))

    with _listening(serve) as address:
        yield f"rfc2217://{address}"


@contextmanager
def devices(kind: Callable[[Role], object], roles: Iterable[Role]) -> Iterator[dict[Role, str]]:
    """Devices of one kind, by role."""
    with ExitStack() as stack:
        yield {role: stack.enter_context(kind(role)) for role in roles}  # type: ignore[arg-type]


def open_descriptors() -> set[str]:
    """What this process has open, to find what is left behind."""
    found = set()
    for link in Path("/proc/self/fd").iterdir():
        with suppress(OSError):
            found.add(f"{link.name} {os.readlink(link)}")
    return found

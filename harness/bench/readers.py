"""How bytes leave and arrive on open serial ports, each stamped as close to the wire as Python can get.

`DirectPorts` reads file descriptors in the caller's thread, and stamps right after each read.
`ThreadedPorts` keeps one reading thread per port, for ports without a descriptor (`rfc2217://`, Windows).
Both count time in ns of the bench's clock. A port found gone while reading is put on the list `lost`, and
every write to it raises BenchError; the other port goes on, so that a throttle can still be closed.
"""

from __future__ import annotations

import os
import select
from collections import deque
from collections.abc import Mapping
from threading import Lock, Thread
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol

from harness.bench.ports import READ_WAIT_S, WRITE_LIMIT_MS, scheme
from harness.bench.protocol import Chunk, Role
from harness.clock import MS, SPIN_NS, S
from harness.errors import BenchError

if TYPE_CHECKING:
    from serial import Serial

    from harness.clock import Clock

READ_SIZE: Final = 4096
"""The most that a terminal device hands over in one read on Linux (N_TTY_BUF_SIZE)."""
MAX_BYTES_PER_CALL: Final = 1 << 20
"""Bounds the memory of one call; a second of a 10 Mbaud line. What is beyond it waits in the system."""
MAX_QUEUED_BYTES: Final = 1 << 20
"""Bounds the memory between two calls for each port that has a reading thread."""
LONGEST_WAIT_NS: Final = 50 * MS
"""How long a threaded bench sleeps before it looks whether a port is gone."""
EMPTY_READS: Final = 16
"""Ready, but nothing to read, so many times running: the device is gone. Once can be chance."""


class OpenPort(NamedTuple):
    """An open port and the name it was opened by."""

    url: str
    serial: Serial


class Ports(Protocol):
    """The two ports of a bench, open.

    `gone` holds why a port can no longer be used, `lost` the part of it that nobody has been told yet.
    """

    gone: dict[Role, BenchError]
    lost: list[BenchError]

    def send(self, role: Role, data: bytes) -> int:
        """Write `data` and return the time just before, in ns; raises BenchError."""
        ...

    def gather(self, until_ns: int, chunks: list[Chunk]) -> None:
        """Wait until `until_ns`, or until a port is lost, and add what arrives to `chunks`, in order."""
        ...

    def let_go(self, role: Role) -> None:
        """Touch a port no more, for it will be closed and opened again."""
        ...

    def take_back(self, role: Role, port: OpenPort) -> None:
        """Go on with a gone port that was opened again."""
        ...

    def dropped(self, role: Role) -> int:
        """Return how many received bytes were thrown away for want of room."""
        ...

    def stop(self) -> None:
        """Stop reading, so that the ports can be closed."""
        ...


def port_gone(role: Role, url: str, at_ns: int, why: str) -> BenchError:
    """Return the error for a port that has stopped working during a run."""
    message = f"{role} port {url} is gone: {why}; look at the cable, the plug and the device's supply"
    return BenchError(message, role=role.value, port=url, at_ns=at_ns)


def port_stuck(role: Role, url: str, at_ns: int, count: int) -> BenchError:
    """Return the error for a port that does not take what is written to it."""
    message = (
        f"{role} port {url}: {count} bytes could not be written in {WRITE_LIMIT_MS} ms; "
        "is the device running, and flow control off?"
    )
    return BenchError(message, role=role.value, port=url, at_ns=at_ns)


class DirectPorts:
    """Ports with a file descriptor, read by the caller between two sends."""

    def __init__(self, ports: Mapping[Role, OpenPort], clock: Clock) -> None:
        self.gone: dict[Role, BenchError] = {}
        self.lost: list[BenchError] = []
        self._now = clock.now_ns
        self._urls = {role: port.url for role, port in ports.items()}
        self._fds = {role: port.serial.fileno() for role, port in ports.items()}
        self._roles = {fd: role for role, fd in self._fds.items()}
        self._reading = list(self._roles)
        self._empty = dict.fromkeys(self._roles, 0)
        self._early: list[Chunk] = []
        for fd in self._roles:
            os.set_blocking(fd, False)

    def send(self, role: Role, data: bytes) -> int:
        """Write `data`; a line that does not take it within 200 ms is a BenchError."""
        if role in self.gone:
            raise self.gone[role]
        fd = self._fds[role]
        at_ns = self._now()
        count = self._write_some(fd, data)
        if count != len(data):
            self._send_rest(fd, data[count:], at_ns + WRITE_LIMIT_MS * MS)
        return at_ns

    def _write_some(self, fd: int, data: bytes) -> int:
        try:
            return os.write(fd, data)
        except BlockingIOError:
            return 0
        except OSError as error:
            raise self._lose(fd, str(error)) from error

    def _send_rest(self, fd: int, data: bytes, limit_ns: int) -> None:
        """Write what did not fit at once; read meanwhile, lest two full buffers wait for each other."""
        while data:
            left_ns = limit_ns - self._now()
            if left_ns <= 0:
                role = self._roles[fd]
                raise port_stuck(role, self._urls[role], self._now(), len(data))
            readable, writable, _ = select.select(self._reading, [fd], [], left_ns / S)
            self._read(readable, self._early)
            if writable:
                data = data[self._write_some(fd, data) :]

    def gather(self, until_ns: int, chunks: list[Chunk]) -> None:
        """Sleep in `select` to 300 us before `until_ns`, then spin on it, so that stamps stay true."""
        chunks += self._early
        self._early.clear()
        now, room = self._now, MAX_BYTES_PER_CALL
        while not self.lost:
            left_ns = until_ns - now()
            wait_s = (left_ns - SPIN_NS) / S if left_ns > SPIN_NS else 0.0
            ready = select.select(self._reading if room > 0 else (), (), (), wait_s)[0]
            if ready:
                room -= self._read(ready, chunks)
            if left_ns <= 0:
                return

    def _read(self, ready: list[int], chunks: list[Chunk]) -> int:
        """Read each ready descriptor once; return the number of bytes."""
        total = 0
        for fd in ready:
            try:
                data = os.read(fd, READ_SIZE)
            except BlockingIOError:
                continue
            except OSError as error:
                self.lost.append(self._lose(fd, str(error)))
                continue
            at_ns = self._now()
            if data:
                self._empty[fd] = 0
                chunks.append(Chunk(self._roles[fd], data, at_ns))
                total += len(data)
            else:
                self._count_empty(fd)
        return total

    def _count_empty(self, fd: int) -> None:
        self._empty[fd] += 1
        if self._empty[fd] >= EMPTY_READS:
            self.lost.append(self._lose(fd, "it hung up, or another program reads it too"))

    def _lose(self, fd: int, why: str) -> BenchError:
        role = self._roles[fd]
        if fd in self._reading:
            self._reading.remove(fd)
        error = self.gone[role] = port_gone(role, self._urls[role], self._now(), why)
        return error

    def let_go(self, role: Role) -> None:
        """Read the port no more."""
        fd = self._fds[role]
        if role not in self.gone:
            self._lose(fd, "it is opened again")

    def take_back(self, role: Role, port: OpenPort) -> None:
        """Read the port by its new descriptor."""
        old, fd = self._fds[role], port.serial.fileno()
        if self._roles.get(old) is role:
            del self._roles[old]
        self._roles[fd], self._fds[role], self._empty[fd] = role, fd, 0
        self._reading.append(fd)
        self.lost = [error for error in self.lost if error.role != role]
        self.gone.pop(role, None)
        os.set_blocking(fd, False)

    def dropped(self, role: Role) -> int:  # noqa: ARG002 - same for every port
        """Return 0: nothing is read that is not handed over."""
        return 0

    def stop(self) -> None:
        """Stop reading."""
        self._reading.clear()


class ThreadedPorts:
    """Ports without a descriptor: a thread sits in each port's `read` and stamps what comes out."""

    def __init__(self, ports: Mapping[Role, OpenPort], clock: Clock) -> None:
        self.gone: dict[Role, BenchError] = {}
        self.lost: list[BenchError] = []
        self._clock = clock
        self._ports = dict(ports)
        self._lock = Lock()
        self._queue: deque[Chunk] = deque()
        self._queued = dict.fromkeys(ports, 0)
        self._dropped = dict.fromkeys(ports, 0)
        self._stopping = False
        self._threads = [Thread(target=self._run, args=(role,), daemon=True) for role in ports]
        for thread in self._threads:
            thread.start()

    def _run(self, role: Role) -> None:
        port = self._ports[role].serial
        try:
            while not self._stopping:
                data = port.read(1)
                if data:
                    data += port.read(min(port.in_waiting, READ_SIZE))
                    self._put(role, data)
        except (OSError, TypeError) as error:  # pyserial raises TypeError if a port is closed under its read
            with self._lock:
                if self._ports[role].serial is port:  # else it was opened again meanwhile
                    self.lost.append(self._lose(role, str(error)))

    def _put(self, role: Role, data: bytes) -> None:
        with self._lock:  # stamped inside, so that the queue is in order of time
            at_ns = self._clock.now_ns()
            kept = data[: MAX_QUEUED_BYTES - self._queued[role]]
            self._dropped[role] += len(data) - len(kept)
            if kept:
                self._queued[role] += len(kept)
                self._queue.append(Chunk(role, kept, at_ns))

    def _lose(self, role: Role, why: str) -> BenchError:
        error = port_gone(role, self._ports[role].url, self._clock.now_ns(), why)
        return self.gone.setdefault(role, error)

    def send(self, role: Role, data: bytes) -> int:
        """Write `data`; a line that does not take it within 200 ms is a BenchError."""
        from serial import SerialTimeoutException

        if role in self.gone:
            raise self.gone[role]
        port = self._ports[role]
        at_ns = self._clock.now_ns()
        try:
            port.serial.write(data)
        except SerialTimeoutException as error:
            raise port_stuck(role, port.url, self._clock.now_ns(), len(data)) from error
        except OSError as error:
            raise self._lose(role, str(error)) from error
        return at_ns

    def gather(self, until_ns: int, chunks: list[Chunk]) -> None:
        """Sleep until `until_ns`, then take what the threads have stamped."""
        while True:
            now_ns = self._clock.now_ns()
            if not self.lost:
                self._clock.sleep_until_ns(min(until_ns, now_ns + LONGEST_WAIT_NS))
            with self._lock:
                chunks += self._queue
                self._queue.clear()
                self._queued = dict.fromkeys(self._ports, 0)
                if self.lost or now_ns >= until_ns:
                    return

    def let_go(self, role: Role) -> None:
        """Write to the port no more; its thread ends when it is closed."""
        with self._lock:
            self._lose(role, "it is opened again")

    def take_back(self, role: Role, port: OpenPort) -> None:
        """Read the port again, in a thread of its own."""
        with self._lock:
            self._ports[role] = port
            self.lost = [error for error in self.lost if error.role != role]
            self.gone.pop(role, None)
        thread = Thread(target=self._run, args=(role,), daemon=True)
        self._threads.append(thread)
        thread.start()

    def dropped(self, role: Role) -> int:
        """Return how many bytes came when the queue was full."""
        return self._dropped[role]

    def stop(self) -> None:
        """Let the threads end; they notice within one read."""
        self._stopping = True
        for thread in self._threads:
            thread.join(READ_WAIT_S * 20)


def can_read_directly(port: OpenPort) -> bool:
    """Return whether the port can be read by its file descriptor, as terminals and plain sockets can."""
    if os.name != "posix" or scheme(port.url) == "spy":  # spy:// must see the reads to log them
        return False
    try:
        return port.serial.fileno() >= 0
    except (OSError, AttributeError):
        return False

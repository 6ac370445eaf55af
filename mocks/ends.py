"""How are simulated devices served in real time, whatever programs reach them by? One loop for all.

Each port has an `End`, at which bytes come from a program and go to it. Virtual time follows the machine's.
What a device sends while nobody has its port open is lost, as on a real line. Bytes that a program does not
read are kept up to a bound; beyond it whole messages are dropped.
"""

from __future__ import annotations

import select
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from threading import Event, Thread
from typing import Final, Protocol

from harness.bench.protocol import Role
from harness.clock import MS, S, SystemClock
from mocks.devices import Devices

LONGEST_WAIT_NS: Final = 20 * MS
"""A port that was opened, or a request to stop, is noticed within this time."""
MAX_UNREAD_BYTES: Final = 4_096
"""What is kept for a program that does not read, beside what the system keeps: as a serial driver does."""
MAX_BACKLOG_BYTES: Final = 4_096
"""Above this, a program's bytes are left with the system, which makes the program wait."""
READ_BYTES: Final = 4_096
START_S: Final = 10

Announce = Callable[[str], None]


class End(Protocol):
    """One port, seen from the device's side."""

    @property
    def is_open(self) -> bool:
        """Whether a program has the port."""
        ...

    @property
    def descriptor(self) -> int:
        """What to wait on for a program's bytes while the port is open."""
        ...

    def look(self) -> None:
        """Find out whether a program has opened the port."""
        ...

    def read(self) -> bytes:
        """Return what the program wrote; no bytes if there are none or if it closed the port."""
        ...

    def write(self, data: bytes) -> None:
        """Hand the program a device's bytes, or drop them if nobody listens or too much is unread."""
        ...


def say(line: str) -> None:
    """Print a line at once."""
    print(line, flush=True)


def run(devices: Devices, ends: Mapping[Role, End], stop: Event) -> None:
    """Let virtual time follow the machine's: simulate up to now, hand bytes on, sleep until more is."""
    clock = SystemClock()
    start_ns = clock.now_ns()
    readable: list[int] = []
    while not stop.is_set():
        for chunk in devices.advance(clock.now_ns() - start_ns):
            ends[chunk.role].write(chunk.data)
        for role, end in ends.items():
            if end.is_open and end.descriptor in readable:
                devices.send(role, end.read())
        due_ns = devices.due_ns()
        left_ns = LONGEST_WAIT_NS if due_ns is None else start_ns + due_ns - clock.now_ns()
        readable = _wait(devices, ends, min(max(left_ns, 0), LONGEST_WAIT_NS) / S, stop)


def _wait(devices: Devices, ends: Mapping[Role, End], most_s: float, stop: Event) -> list[int]:
    """Wait until something is due or bytes come from a program; return the descriptors that have some."""
    for end in ends.values():
        end.look()
    listened = [
        end.descriptor
        for role, end in ends.items()
        if end.is_open and devices.backlog_bytes(role) < MAX_BACKLOG_BYTES
    ]
    if not listened:  # not every system has a select that only waits
        stop.wait(most_s)
        return []
    return select.select(listened, [], [], most_s)[0]


@contextmanager
def in_background(serve: Callable[[Event, Event], None]) -> Iterator[None]:
    """Run `serve(ready, stop)` in a thread while the block runs, from when `ready` is set.

    What it raises before that is raised in place of the block, what it raises later at the block's end.
    """
    ready, stop = Event(), Event()
    failure: list[BaseException] = []

    def go() -> None:
        try:
            serve(ready, stop)
        except BaseException as error:
            failure.append(error)
        finally:
            ready.set()

    thread = Thread(target=go, name="simulated devices", daemon=True)
    thread.start()
    try:
        assert ready.wait(START_S), "the simulated devices did not start"
        if not failure:
            yield
    finally:
        stop.set()
        thread.join()
    if failure:
        raise failure[0]

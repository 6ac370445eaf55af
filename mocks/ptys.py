"""How do real programs reach the mock? In real time, on two pseudo-terminals for any serial program.

What a device sends while nobody has its port open is lost, as on a real line. Bytes that a program does not
read are kept up to a bound; beyond it whole messages are dropped. Windows has no pseudo-terminals.
"""

from __future__ import annotations

import os
import select
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Thread
from typing import Final

from harness.bench.protocol import Role
from harness.clock import MS, S, SystemClock
from harness.errors import BenchError, UserError
from harness.plan.model import Link
from mocks.defects import Defect, chosen
from mocks.pair import Pair
from mocks.settings import DUNLIN, MockSettings

LONGEST_WAIT_NS: Final = 20 * MS
"""A port that was opened, or a request to stop, is noticed within this time."""
MAX_UNREAD_BYTES: Final = 4_096
"""What is kept for a program that does not read, beside what the system keeps: as a serial driver does."""
MAX_BACKLOG_BYTES: Final = 4_096
"""Above this, a program's bytes are left with the system, which makes the program wait."""
READ_BYTES: Final = 4_096
START_S: Final = 10


@dataclass(frozen=True, slots=True)
class PortNames:
    """The devices to open."""

    transmitter: str
    receiver: str


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


def _say(line: str) -> None:
    print(line, flush=True)


def serve(  # noqa: PLR0913 - what `open_virtual` takes, and three more by name
    link: Link | None = None,
    settings: MockSettings | None = None,
    seed: int = 0,
    defect: Defect | None = None,
    near_miss: bool = False,
    *,
    link_dir: Path | None = None,
    announce: Callable[[str], None] = _say,
    stop: Event | None = None,
) -> None:
    """Run the mock devices in real time until Ctrl-C or until `stop` is set.

    `announce` is told two lines, `transmitter /dev/pts/3` and `receiver /dev/pts/4`. With `link_dir`,
    symbolic links called transmitter and receiver stand there while it runs, and are announced instead.
    Raises UserError if link, settings and defect do not go together, if the links cannot be made, or on
    Windows; BenchError if the system has no pseudo-terminal left.
    """
    _require_ptys()
    _, patch = chosen(defect, near_miss=near_miss)
    pair = Pair(link or DUNLIN, settings or MockSettings(), seed, patch)
    with ExitStack() as stack:
        terminals: dict[Role, Terminal] = {}
        for role in Role:
            terminals[role] = terminal = Terminal()
            stack.callback(terminal.close)
            announce(f"{role} {_linked(terminal.name, link_dir, role, stack)}")
        try:
            _run(pair, terminals, stop or Event())
        except KeyboardInterrupt:
            return


@contextmanager
def serving(
    link: Link | None = None,
    settings: MockSettings | None = None,
    seed: int = 0,
    defect: Defect | None = None,
    near_miss: bool = False,
    *,
    link_dir: Path | None = None,
) -> Iterator[PortNames]:
    """Run `serve` in a thread and give the names of its two ports; for tests and scripts."""
    _require_ptys()
    names: dict[str, str] = {}
    ready, stop = Event(), Event()
    failure: list[BaseException] = []

    def announce(line: str) -> None:
        role, _, name = line.partition(" ")
        names[role] = name
        if len(names) == len(Role):
            ready.set()

    def run() -> None:
        try:
            serve(link, settings, seed, defect, near_miss, link_dir=link_dir, announce=announce, stop=stop)
        except BaseException as error:
            failure.append(error)
        finally:
            ready.set()

    thread = Thread(target=run, name="mock devices", daemon=True)
    thread.start()
    try:
        assert ready.wait(START_S), "the mock devices did not start"
        if not failure:
            yield PortNames(names[Role.TRANSMITTER], names[Role.RECEIVER])
    finally:
        stop.set()
        thread.join()
    if failure:
        raise failure[0]


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


def _run(pair: Pair, terminals: dict[Role, Terminal], stop: Event) -> None:
    """Let the mock's time follow the machine's: simulate up to now, hand bytes on, sleep until more is."""
    clock = SystemClock()
    start_ns = clock.now_ns()
    readable: list[int] = []
    while not stop.is_set():
        for chunk in pair.advance(clock.now_ns() - start_ns):
            terminals[chunk.role].write(chunk.data)
        for role, terminal in terminals.items():
            if terminal.master in readable:
                pair.send(role, terminal.read())
        readable = _sleep(pair, terminals, start_ns, clock)


def _sleep(pair: Pair, terminals: dict[Role, Terminal], start_ns: int, clock: SystemClock) -> list[int]:
    """Wait until something is due or bytes come from a program; return the terminals that have some."""
    for terminal in terminals.values():
        terminal.look()
    due_ns = pair.due_ns()
    left_ns = LONGEST_WAIT_NS if due_ns is None else start_ns + due_ns - clock.now_ns()
    listened = [
        terminal.master
        for role, terminal in terminals.items()
        if terminal.is_open and pair.backlog_bytes(role) < MAX_BACKLOG_BYTES
    ]
    return select.select(listened, [], [], min(max(left_ns, 0), LONGEST_WAIT_NS) / S)[0]

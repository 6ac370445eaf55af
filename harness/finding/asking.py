"""Which device is behind a port, and at which baud rate? Identify is sent at each until one answers.

Only Identify is sent, before it a delimiter that ends whatever the device took for a frame at another rate.
Nothing can move by that, but opening a port restarts many boards (common practice, no source). The terminal's
settings are put back as they were found.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from threading import Event
from typing import TYPE_CHECKING, Final

from harness.bench.identify import MAX_LOOKED_AT, Came, what_came
from harness.bench.ports import (
    DEFAULT_BAUD,
    NETWORK,
    OPENING_ERRORS,
    PortSpec,
    explain_failure,
    open_plainly,
    scheme,
    terminal_errors,
)
from harness.clock import MS, Clock, S, SystemClock
from harness.codec import Frame, Splitter, decode_piece, encode, parse
from harness.codec.messages import Identify, Identity
from harness.finding.answers import Answer, Outcome, identified, not_identified
from harness.finding.listing import Found, held_by, trouble
from harness.finding.system import System
from harness.report.escape import clean

if TYPE_CHECKING:
    from serial import Serial

ASK_BAUDS: Final = (
    DEFAULT_BAUD, 57_600, 9_600, 38_400, 19_200, 230_400, 460_800, 921_600, 250_000, 500_000, 1_000_000,
)  # fmt: skip
"""The rate of shared/protocol.md first, then those that serial programs offer (multiples of 9600 from modem
times), and those that an 8-bit board's 16 MHz crystal divides into without error (common practice)."""
BOOT_NS: Final = 3 * S
"""A board that restarts when its port is opened has this long to come up (shared/protocol.md, section 8)."""
LISTEN_NS: Final = 500 * MS
"""At each further rate: two questions, each to be answered within 250 ms (shared/protocol.md, section 8)."""
EVERY_NS: Final = 250 * MS
LOOK_AGAIN_NS: Final = 100 * MS
"""Whoever closes a port just now is no holder of it."""
READ_MOST: Final = 4096
MOST_AT_ONCE: Final = 16
"""Ports asked at the same time; the rest waits."""


@dataclass(frozen=True, slots=True)
class Asking:
    """How to ask: rates in order, times in ns, and whether to stop early (Ctrl-C)."""

    bauds: Sequence[int] = ASK_BAUDS
    boot_ns: int = BOOT_NS
    listen_ns: int = LISTEN_NS
    clock: Clock = field(default_factory=SystemClock)
    stop: Event = field(default_factory=Event)

    @property
    def longest_ns(self) -> int:
        """How long one port takes at most."""
        return self.boot_ns + self.listen_ns * (len(self.bauds) - 1)


def ask_all(found: Sequence[Found], asking: Asking, system: System | None = None) -> list[Answer]:
    """Ask all ports at the same time, a thread each; returns their answers in the same order.

    KeyboardInterrupt stops the asking, gives every port back and is raised again.
    """
    if not found:
        return []
    with ThreadPoolExecutor(min(len(found), MOST_AT_ONCE), "asking") as threads:
        asked = [threads.submit(ask, port, asking, system or System()) for port in found]
        try:
            return [one.result() for one in asked]
        except BaseException:
            asking.stop.set()
            for one in asked:
                one.cancel()
            raise


def ask(found: Found, asking: Asking, system: System) -> Answer:
    """Ask one port who is there. Never raises for what is wrong with the port."""
    refused = _refused(found, asking, system)
    if refused is not None:
        return refused
    spec = PortSpec(found.name, asking.bauds[0])
    try:
        with _as_found(spec.url), contextlib.closing(open_plainly(spec)) as port:
            return _answer_of(port, spec.url, asking)
    except OPENING_ERRORS as error:
        return _failed(error, spec)


def _refused(found: Found, asking: Asking, system: System) -> Answer | None:
    """Return why a port is not to be opened at all, None if it is."""
    if why := trouble(found):
        return Answer(Outcome.FAILED, why)
    if not found.access.allowed:
        return Answer(Outcome.NO_PERMISSION, "not asked: no permission to open it", found.access.mend)
    if found.held_by:
        asking.clock.sleep_until_ns(asking.clock.now_ns() + LOOK_AGAIN_NS)
        who = held_by(found.device, system)
        if who:
            return Answer(
                Outcome.BUSY, f"not asked: in use by {', '.join(who)}", "close that first, then ask again"
            )
    return None


def _failed(error: Exception, spec: PortSpec) -> Answer:
    number = getattr(error, "errno", None) or 0
    why = explain_failure(error, spec)
    if number in (errno.EBUSY, errno.EAGAIN) and not scheme(spec.url):
        return Answer(Outcome.BUSY, why)
    if number in (errno.EACCES, errno.EPERM) and not scheme(spec.url):
        return Answer(Outcome.NO_PERMISSION, why)
    return Answer(Outcome.FAILED, why)


def _answer_of(port: Serial, url: str, asking: Asking) -> Answer:
    talking_errors: tuple[type[Exception], ...] = (OSError, TypeError, *terminal_errors())
    try:
        return _ask_open(port, url, asking)
    except talking_errors as error:
        why = clean(" ".join(str(error).split()), 200)
        return Answer(
            Outcome.FAILED, f"it stopped working while it was asked: {why}",
            "look at the cable and the plug; is the device running, and flow control off?",
        )  # fmt: skip


def _ask_open(port: Serial, url: str, asking: Asking) -> Answer:
    # the server at the other end of a plain socket has set the rate of its line
    bauds = asking.bauds[:1] if scheme(url) == NETWORK[0] else asking.bauds
    seen: dict[int, bytes] = {}
    wait_ns = asking.boot_ns
    for baud in bauds:
        if asking.stop.is_set():
            break
        if baud != bauds[0] and not _set_rate(port, baud):
            continue
        identity, seen[baud] = _listen(port, asking, wait_ns)
        if identity is not None:
            return identified(identity, baud, tuple(seen))
        if what_came(seen[baud]) is Came.ECHO:  # as it will be at any rate
            break
        wait_ns = asking.listen_ns
    return not_identified(seen or {bauds[0]: b""})


def _set_rate(port: Serial, baud: int) -> bool:
    """Change the rate; returns False if the adapter has not got it."""
    try:
        port.baudrate = baud
        port.reset_input_buffer()
    except (OSError, ValueError, NotImplementedError):
        return False
    return True


def _listen(port: Serial, asking: Asking, for_ns: int) -> tuple[Identity | None, bytes]:
    """Ask again and again for so long; returns the identity, if one came, and the bytes that came."""
    question = b"\0" + encode(Identify(), 0)
    splitter, seen = Splitter(), b""
    clock = asking.clock
    now = clock.now_ns()
    end, due = now + for_ns, now
    while now < end and not asking.stop.is_set():
        if now >= due:
            port.write(question)
            due = now + EVERY_NS
        data = port.read(1)
        if data:
            data += port.read(min(port.in_waiting, READ_MOST))
            seen += data[: MAX_LOOKED_AT - len(seen)]
            for piece in splitter.feed(data):
                frame = decode_piece(piece)
                message = parse(frame) if isinstance(frame, Frame) else None
                if isinstance(message, Identity):
                    return message, seen
        now = clock.now_ns()
    return None, seen


@contextlib.contextmanager
def _as_found(url: str) -> Iterator[None]:
    """Put a terminal's settings back as they were; nothing to do elsewhere. Raises OSError."""
    if scheme(url) or os.name != "posix":  # Windows keeps no settings of a port that is closed
        yield
        return
    import termios

    own = os.open(url, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    settings = None
    try:
        with contextlib.suppress(termios.error):  # no terminal: opening it says so
            settings = termios.tcgetattr(own)
        yield
    finally:
        if settings is not None:
            with contextlib.suppress(termios.error):
                termios.tcsetattr(own, termios.TCSANOW, settings)
        os.close(own)

"""The harness's side of the talk on every bench port: sends, records, listens, keeps the devices alive.

Everything that crosses a port is recorded before it is understood. What is decoded here serves waiting and
the live display only; verdicts come from the recording.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Final

from harness.bench.identify import explain_silence
from harness.bench.protocol import Bench, Chunk, Role
from harness.clock import MS, S
from harness.codec import messages as m
from harness.codec.frames import Frame, Splitter, find_body, frame_of
from harness.errors import BenchError
from harness.flood import PIECE_BYTES, Room
from harness.load import KEEP_ALIVE_NS, PING_NS
from harness.recording import Direction, RecordingWriter

SLICE_NS: Final = 50 * MS
"""Longest single wait on a real bench, so that the display moves and an interrupt is soon seen."""
PING_AFTER_START_NS: Final = 20 * MS
"""A device that restarted has a new clock, to be mapped before it may restart again."""
STARTING_NS: Final = 3 * S
"""A device told to restart is taken for starting until it says so, but no longer than this."""
SEEN_MAX: Final = 4096
"""Bytes kept from each port until its device has identified itself, to explain a silence."""
IDENTIFY_NS: Final = 3 * S
"""A board that restarts when its port is opened (common practice) needs about two seconds to answer."""
IDENTIFY_EVERY_NS: Final = 250 * MS
LINKED_FOR_NS: Final = 200 * MS
"""The link counts as lost when no packet was applied for this long, or for three packet periods."""


class Port:
    """What the harness knows about one port while it talks."""

    __slots__ = ("counter", "identity", "nonce", "replies", "room", "seen", "splitter")

    def __init__(self, now_ns: int) -> None:
        self.room = Room(now_ns)
        self.counter = 0
        self.nonce = 0
        self.splitter = Splitter()
        self.identity: m.Identity | None = None
        self.replies: dict[int, m.Reply] = {}
        self.seen = b""


class Conversation:
    """The ports of a bench, recorded. Times are the bench's, in ns."""

    def __init__(self, bench: Bench, writer: RecordingWriter) -> None:
        self.bench = bench
        self.writer = writer
        self.ports = {role: Port(bench.now_ns()) for role in Role if role in bench.baud}
        self.sent_at_ns = 0
        self.sent = 0
        self.applied = 0
        self.applied_at_ns: int | None = None
        self.in_failsafe = False
        self._starting: dict[Role, int] = {}
        self.linked_for_ns = LINKED_FOR_NS
        self.alive = set(self.ports)
        self.on_beat: Callable[[], None] = lambda: None
        self.on_alive: Callable[[], None] = lambda: None
        self.on_start: Callable[[Role], None] = lambda _role: None
        self.stop_requested: Callable[[], bool] = lambda: False
        self.on_applied: Callable[[m.Applied], None] | None = None
        self.on_frame: Callable[[Role, Frame], None] | None = None
        self.on_heard: Callable[[Role, bytes, int], None] | None = None
        self.on_sent: Callable[[Role, m.Message, int], None] | None = None
        self.watchers: list[Callable[[], None]] = []
        self.sticks_ns: int | None = None
        self._begun_ns = now = bench.now_ns()
        self._alive_due = now
        self._ping_due = {
            role: now + PING_NS + PING_NS * turn // len(self.ports) for turn, role in enumerate(self.ports)
        }
        self._chore_due = self._next_chore()
        self.keeps_alive = False

    # -- sending -------------------------------------------------------------------------------------

    def send(self, role: Role, message: m.Message) -> int:
        """Send one message and return its counter on that port."""
        port = self.ports[role]
        counter = port.counter
        port.counter = counter + 1 & 0xFFFF
        port.replies.pop(counter, None)  # of 65 536 messages ago
        data = m.encode(message, counter)
        try:
            at_ns = self.bench.send(role, data)
        except BenchError:
            self.alive.discard(role)
            raise
        self.sent_at_ns = at_ns
        self.writer.packet(role, Direction.TO_DEVICE, data, at_ns)
        if message.TYPE == m.Sticks.TYPE:
            self.sticks_ns = at_ns
        if message.TYPE in RESTARTS:
            self._starting[role] = at_ns + STARTING_NS
        if self.on_sent is not None:
            self.on_sent(role, message, at_ns)
        return counter

    def ping(self, role: Role) -> None:
        """Send one ping; the answer is found in the recording."""
        port = self.ports[role]
        port.nonce += 1
        self._plan_ping(role, PING_NS)
        self.send(role, m.Ping(port.nonce & 0xFFFFFFFF))

    def ping_round(self, times: int, every_ns: int) -> None:
        """Ping the devices that are there `times` times, one exchange at a time."""
        for _ in range(times):
            for role in self._present():
                self.ping(role)
                self.advance(self.bench.now_ns() + every_ns // 2)

    # -- listening -----------------------------------------------------------------------------------

    def advance(self, until_ns: int) -> None:
        """Let time pass until `until_ns`; record what arrives and keep the devices alive meanwhile.

        Raises KeyboardInterrupt when a stop was requested, BenchError once when a port is gone, and whatever
        one of the `watchers` raises; what had arrived by then is recorded.
        """
        bench = self.bench
        while True:
            if self.stop_requested():
                raise KeyboardInterrupt
            self.watch()
            stop = min(until_ns, self._chore_due)
            if not bench.is_virtual:
                stop = min(stop, bench.now_ns() + SLICE_NS)
            try:
                self._take(bench.advance(stop))
            except BenchError as error:
                self.alive -= {role for role in self.ports if role == error.role}
                raise
            self.watch()
            now = bench.now_ns()
            if now >= self._chore_due:
                self._chores(now)
                now = bench.now_ns()
            if now >= until_ns:
                return

    def watch(self) -> None:
        """Let every watcher look; one that finds the run must end raises."""
        for look in self.watchers:
            look()

    def wait_for(self, happened: Callable[[], bool], *, until_ns: int, slice_ns: int = 5 * MS) -> bool:
        """Advance in slices until `happened()` or `until_ns`; returns whether it happened."""
        while not happened():
            now = self.bench.now_ns()
            if now >= until_ns:
                return False
            self.advance(min(now + slice_ns, until_ns))
        return True

    def ask(
        self, role: Role, message: m.Message, *, tries: int = 3, within_ns: int = 250 * MS
    ) -> m.Reply | None:
        """Send a command until it is replied to; returns the reply, or None if none came."""
        replies = self.ports[role].replies
        for _ in range(tries):
            counter = self.send(role, message)
            asked = partial(replies.__contains__, counter)
            if self.wait_for(asked, until_ns=self.bench.now_ns() + within_ns):
                reply = replies.pop(counter)
                if reply.command == message.TYPE:
                    return reply
        return None

    def introduce(self, role: Role, port_name: str) -> m.Identity:
        """Ask a device who it is until it says so; BenchError, with what came instead, if it does not."""
        port, deadline_ns = self.ports[role], self.bench.now_ns() + IDENTIFY_NS
        while port.identity is None:
            now_ns = self.bench.now_ns()
            if now_ns >= deadline_ns:
                why = explain_silence(port.seen, role, port=port_name, baud=self.bench.baud[role])
                raise BenchError(why, role=role, port=port_name)
            self.send(role, m.Identify())
            self.wait_for(lambda: port.identity is not None, until_ns=now_ns + IDENTIFY_EVERY_NS)
        return port.identity

    @property
    def link_state(self) -> str:
        """What the display says of the link: searching, linked, lost or failsafe."""
        now = self.bench.now_ns()
        if self.applied_at_ns is None or any(until > now for until in self._starting.values()):
            return "searching"
        if self.in_failsafe:
            return "failsafe"
        quiet = now - self.applied_at_ns
        return "linked" if quiet < self.linked_for_ns else "lost"

    def come_back(self, role: Role) -> None:
        """Talk again on a port that was gone: what was under way on it is over, and its device unknown."""
        port = self.ports[role]
        self.end_piece(role)
        port.identity, port.seen = None, b""
        port.replies.clear()
        self.alive.add(role)

    def finish(self) -> None:
        """Record the bytes of pieces that no delimiter ended."""
        for role, port in self.ports.items():
            port.room.over(role, self.bench.now_ns(), self.writer)
            self.end_piece(role)

    def end_piece(self, role: Role) -> None:
        """Record what no delimiter ended as a piece of its own: its device says no more of it."""
        rest = self.ports[role].splitter.flush()
        if rest:
            self.writer.packet(role, Direction.TO_PC, rest, self.bench.now_ns())

    def _take(self, chunks: Sequence[Chunk]) -> None:
        packet, inbound, begun_ns = self.writer.packet, Direction.TO_PC, self._begun_ns
        for role, data, at_ns in chunks:
            if at_ns < begun_ns:  # noqa: PLR1730 - a reading thread was early; hot, and max() is slower
                at_ns = begun_ns  # noqa: PLW2901
            port = self.ports[role]
            room = port.room
            if (room.left < 0 or room.flooding) and room.lacks(role, len(data), at_ns, self.writer):
                continue
            pieces = port.splitter.feed(data)
            room.left -= len(data) + PIECE_BYTES * len(pieces)
            for piece in pieces:
                packet(role, inbound, piece, at_ns)
                if piece[-1] == 0 and (found := find_body(piece)) is not None:
                    self._hear(role, *found, at_ns)
            if port.identity is None and len(port.seen) < SEEN_MAX:
                port.seen += data[: SEEN_MAX - len(port.seen)]

    def _hear(self, role: Role, body: bytes, text: bytes, at_ns: int) -> None:
        kind = body[0]
        if self.on_frame is not None:
            self.on_frame(role, frame_of(body, text))
        if self.on_heard is not None:
            self.on_heard(role, body, at_ns)
        if kind == m.Sent.TYPE and role is Role.TRANSMITTER:
            self.sent += 1
        elif kind == m.Applied.TYPE and role is Role.RECEIVER:
            self.applied += 1
            self.applied_at_ns = at_ns
            self.in_failsafe = False
            if self.on_applied is not None and isinstance(applied := m.parse(frame_of(body)), m.Applied):
                self.on_applied(applied)
        elif kind in _HEARD:
            self._note(role, m.parse(frame_of(body)))

    def _note(self, role: Role, message: m.AnyMessage | None) -> None:
        port = self.ports[role]
        if isinstance(message, m.OutputChange):
            self.in_failsafe = message.reason == m.OutputReason.FAILSAFE
        elif isinstance(message, m.Identity):
            port.identity = message
        elif isinstance(message, m.Started):
            self._starting.pop(role, None)
            self.applied_at_ns = None  # what counts as linked is a packet after the start
            self.in_failsafe = self.in_failsafe and role is not Role.RECEIVER
            self._plan_ping(role, PING_AFTER_START_NS)
            self.on_start(role)
        elif isinstance(message, m.Reply):
            port.replies[message.counter] = message
            if len(port.replies) > 64:  # nobody asked for these
                port.replies.pop(next(iter(port.replies)))

    # -- chores --------------------------------------------------------------------------------------

    def _next_chore(self) -> int:
        return min(self._alive_due, *self._ping_due.values())

    def _plan_ping(self, role: Role, in_ns: int) -> None:
        self._ping_due[role] = self.bench.now_ns() + in_ns
        self._chore_due = self._next_chore()

    def chores_anew(self) -> None:
        """Take what is due from the time that it is now: after a sleep, or after a clock went back."""
        self._alive_due = self.bench.now_ns()
        for role in self.ports:
            self._plan_ping(role, PING_NS)

    def _chores(self, now: int) -> None:
        if now >= self._alive_due:
            self._alive_due = max(self._alive_due + KEEP_ALIVE_NS, now + KEEP_ALIVE_NS // 2)
            if self.keeps_alive:
                for role in self._present():
                    self.send(role, m.KeepAlive())
                self.on_alive()
            self.on_beat()
        for role in self.ports:
            if now >= self._ping_due[role]:
                if self.keeps_alive and role in self.alive:
                    self.ping(role)
                else:
                    self._ping_due[role] = now + PING_NS
        self._chore_due = self._next_chore()

    def _present(self) -> list[Role]:
        """The roles whose ports are still there, in a fixed order."""
        return [role for role in self.ports if role in self.alive]


RESTARTS: Final = (m.Restart.TYPE, m.RestartAt.TYPE)
_HEARD: Final = frozenset((m.OutputChange.TYPE, m.Identity.TYPE, m.Reply.TYPE, m.Started.TYPE))

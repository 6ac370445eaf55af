"""How does a device that does not speak the bench protocol take part? Its bytes are translated on the way.

The rest of the harness talks the bench protocol with it: what goes to the device is handed to its device
kind, which says what to write; what comes from it becomes messages, and frames. So a recording holds the same
frames as ever and is judged without the kind. The device's own bytes are recorded beside them, as the port
`ROLE raw`, for whoever wants to translate them again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, TypeVar

from harness.bench.identify import WIRE_ROLES
from harness.bench.protocol import Bench, Beside, Chunk, ControlLine, Role, WithBeside, extra
from harness.codec import messages as m
from harness.codec.frames import Frame, decode_piece, find_body
from harness.devices.kind import MAX_PRINTED, MAX_WRITTEN, Answer, Device, Item, Lost, Printed, Write
from harness.devices.lines import shown
from harness.devices.telling import fact_key, to_fact
from harness.errors import BenchError, PropsoffError

T = TypeVar("T")
MORE_ITEMS: Final = 16
"""A kind may make so many messages of nothing, and one more of each byte."""
MOST_WAITING: Final = 64
MOST_LOST: Final = 1 << 14
"""Reports that may be missing in one place; a message counter could not tell more."""
REPLIED: Final = (
    m.Setting,
    m.Restart,
    m.RestartAt,
    m.Burst,
    m.Silence,
    m.Disturb,
    m.Deafen,
    m.MuteAcks,
    m.Inject,
)
"""Commands that a device replies to; the others it takes without a word."""
UNTIMED: Final = (m.Silence, m.Disturb, m.Deafen, m.MuteAcks)
"""Their replies tell when they began, so that none is made up here but a refusal."""


def raw_name(role: Role) -> str:
    """Return the name under which a translated port's own bytes are recorded."""
    return f"{role} raw"


class Translation:
    """One device, its kind and the message counter that is kept for it. Makes the same of the same bytes."""

    def __init__(self, role: Role, device: Device) -> None:
        self.role = role
        self.device = device
        self._speaks = device.telling.speaks
        self._counter = 0

    def to_device(self, data: bytes, at_ns: int) -> tuple[Answer, bytes]:
        """Return what to write for one frame of the harness, and the frames that answer it."""
        frame = decode_piece(data)
        message = m.parse(frame) if isinstance(frame, Frame) else None
        if message is None or not isinstance(frame, Frame):
            return Answer(), b""
        counter = frame.counter
        return self._checked(lambda: self._told(message, counter, at_ns))

    def _told(self, message: m.AnyMessage, counter: int, at_ns: int) -> tuple[Answer, bytes]:
        if isinstance(message, m.Identify):
            return Answer(), self._frames([self._identity()])
        answer = self.device.told(message, at_ns)
        if sum(len(write.data) for write in answer.writes) > MAX_WRITTEN:
            raise self._trouble(f"would write more than {MAX_WRITTEN} bytes for one message")
        messages: list[Item] = list(answer.messages)
        if answer.result is not None and _is_replied(message, answer.result):
            messages.append(m.Reply(message.TYPE, counter, int(answer.result), 0))
        return answer, self._frames(messages)

    def to_pc(self, data: bytes, at_ns: int) -> bytes:
        """Return the frames that the device's bytes come to."""
        return self._checked(lambda: self._heard(data, at_ns))

    def _heard(self, data: bytes, at_ns: int) -> bytes:
        items = self.device.heard(data, at_ns)
        if len(items) > len(data) + MORE_ITEMS:
            raise self._trouble(f"made {len(items)} messages of {len(data)} bytes")
        return self._frames(items)

    def _identity(self) -> m.Identity:
        device, role = self.device, WIRE_ROLES[self.role]
        rate_mhz, abilities = device.packet_rate_mhz, device.abilities
        return m.Identity(m.PROTOCOL_VERSION, role, device.channels, rate_mhz, abilities, device.name, "", "")

    def _frames(self, items: Sequence[Item]) -> bytes:
        return b"".join(self._frame(item) for item in items)

    def _frame(self, item: Item) -> bytes:
        if isinstance(item, Lost):
            self._counter += min(max(item.messages, 0), MOST_LOST)
            return b""
        if isinstance(item, Printed):
            text = shown(item.text[:MAX_PRINTED].encode("latin-1", "replace")).encode() + b"\n"
            return b"" if find_body(text) else text + b"\0"  # a line that happens to be a frame says nothing
        if isinstance(item, m.Started):
            self._counter = 0  # as a device that starts does
        counter, self._counter = self._counter, self._counter + 1
        return m.encode(item, counter)

    def _checked(self, act: Callable[[], T]) -> T:
        """Call a kind, which may be another's code: whatever it raises is bench trouble with its name."""
        try:
            return act()
        except PropsoffError:
            raise
        except Exception as error:
            raise self._trouble(f"failed ({type(error).__name__}: {error!s:.200})") from error

    def _trouble(self, what: str) -> BenchError:
        return BenchError(
            f"the {self.role}'s device kind {self._speaks} {what}: a fault of that kind, not of the link",
            role=self.role,
        )


def _is_replied(message: m.Message, result: int) -> bool:
    """Return whether a command is replied to so; what began, and when, is never made up."""
    begun = isinstance(message, UNTIMED) and result == m.Result.DONE
    return isinstance(message, REPLIED) and not begun


class TranslatedBench:
    """A bench some of whose devices do not speak the bench protocol; `devices` holds those by role."""

    def __init__(self, inner: Bench, devices: Mapping[Role, Device]) -> None:
        self.inner = inner
        self.is_hardware = inner.is_hardware
        self.is_virtual = inner.is_virtual
        self.baud = inner.baud
        self._told = {fact_key(role): to_fact(device.telling) for role, device in devices.items()}
        further = extra(inner, WithBeside)
        others = further.beside if further is not None else ()
        self.beside = (*others, *(raw_name(role) for role in devices))
        self._lines = {role: Translation(role, device) for role, device in devices.items()}
        self._waiting: list[tuple[Role, Write]] = []
        self._early: list[Chunk] = []
        self._on_bytes: Beside = lambda _name, _to_device, _data, _at_ns: None

    def __getattr__(self, name: str) -> Any:
        """Return what else the bench beneath can do."""
        return getattr(self.inner, name)

    @property
    def facts(self) -> Mapping[str, str]:
        """What is known of the ports, and what the translated devices can tell."""
        return {**self.inner.facts, **self._told}

    def tap(self, on_bytes: Beside) -> None:
        """Hand all raw bytes from now on to `on_bytes`."""
        self._on_bytes = on_bytes
        further = extra(self.inner, WithBeside)
        if further is not None:
            further.tap(on_bytes)

    def now_ns(self) -> int:
        """Return the time."""
        return self.inner.now_ns()

    def send(self, role: Role, data: bytes) -> int:
        """Translate one frame and write what comes of it; returns the time just before."""
        line = self._lines.get(role)
        if line is None:
            return self.inner.send(role, data)
        at_ns = self.inner.now_ns()
        answer, frames = line.to_device(data, at_ns)
        if answer.forget:
            self._waiting = [one for one in self._waiting if one[0] is not role]
        if frames:
            self._early.append(Chunk(role, frames, at_ns))
        for write in answer.writes:
            if write.at_ns <= at_ns:
                self._write(role, write.data)
            elif len(self._waiting) < MOST_WAITING:
                self._waiting.append((role, write))
        return at_ns

    def _write(self, role: Role, data: bytes) -> None:
        if data:
            at_ns = self.inner.send(role, data)
            self._on_bytes(raw_name(role), True, data, at_ns)

    def advance(self, until_ns: int) -> Sequence[Chunk]:
        """Let time pass and return what arrived, as frames; what is to be written meanwhile is written.

        What had been understood before an error is kept for the next call.
        """
        found, self._early = self._early, []
        try:
            while True:
                stop_ns = min([until_ns, *(write.at_ns for _, write in self._waiting)])
                self._take(self.inner.advance(stop_ns), found)
                self._write_due()
                if stop_ns >= until_ns:
                    return found
        except BenchError:
            self._early = found
            raise

    def _take(self, chunks: Sequence[Chunk], found: list[Chunk]) -> None:
        """Record what came, then translate it: bytes that a kind fails on are kept all the same."""
        for role, data, at_ns in chunks:
            if role in self._lines:
                self._on_bytes(raw_name(role), False, data, at_ns)
        for chunk in chunks:
            line = self._lines.get(chunk.role)
            frames = chunk.data if line is None else line.to_pc(chunk.data, chunk.at_ns)
            if frames:
                found.append(Chunk(chunk.role, frames, chunk.at_ns))

    def _write_due(self) -> None:
        now_ns = self.inner.now_ns()
        due = [one for one in self._waiting if one[1].at_ns <= now_ns]
        if due:
            self._waiting = [one for one in self._waiting if one[1].at_ns > now_ns]
            for role, write in due:
                self._write(role, write.data)

    def control(self, role: Role, line: ControlLine, *, level: bool) -> bool:
        """Set a modem control line; returns False where the port has none."""
        return self.inner.control(role, line, level=level)

    def close(self) -> None:
        """Give the ports back. May be called twice."""
        self.inner.close()

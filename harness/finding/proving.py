"""What do a rig's lines carry? Ten seconds of talk, recorded, that can move nothing.

The devices are sent `Identify`, `Ping` and idle delimiters (0x00, which a device passes over); no sticks, no
settings and no keep-alive, so that they stay their own masters. There is never more than one ping open at a
device, as shared/protocol.md section 8 promises. In turn:

* calm: a ping every 50 ms, for the round trip and the clocks;
* answers: the next ping and the next Identify as soon as the last was answered, which fills
  the line to the PC;
* idle: pings with idle delimiters between, at `FILL` of the baud rate, which fills the line to the device.
"""

from __future__ import annotations

import io
import platform
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from harness._version import __version__
from harness.bench.identify import check_device
from harness.bench.protocol import Bench, Role
from harness.clock import MS, US, S, wall_seconds
from harness.codec import messages as m
from harness.codec.frames import Frame
from harness.conversation import Conversation
from harness.errors import BenchError
from harness.load import BITS_A_BYTE
from harness.recording import Direction, Header, Recording, RecordingWriter, parse_recording

if TYPE_CHECKING:
    from collections.abc import Callable

    from harness.bench.rig import Rig

    _Ask = Callable[["Role", "_Open", int, int], None]

CHECK_NS: Final = 10 * S
CALM_SHARE: Final = 0.4
PING_EVERY_NS: Final = 50 * MS
SLICE_NS: Final = 500 * US
"""How soon an answer is followed by the next question."""
GIVEN_UP_NS: Final = 500 * MS
"""A ping that is not answered by then was lost; the next one goes out."""
FILL: Final = 0.9
"""Share of the baud rate that is sent to a device: UARTs are up to 3 % off, and a queue must not build up."""
MOST_ZEROS: Final = 64
"""Idle delimiters written at a time: a small board's input buffer (64 bytes is common) is not the limit."""
PING_BYTES: Final = len(m.encode(m.Ping(0), 0))
PHASE: Final = "phase"
CALM, ANSWERS, IDLE, OVER = "calm", "answers", "idle", "over"


def prove(bench: Bench, rig: Rig, for_ns: int = CHECK_NS) -> Recording:
    """Talk to every device of an open bench for `for_ns` and return the recording of it.

    Raises BenchError if a device does not introduce itself as what the rig says, or if a port goes.
    """
    file = io.BytesIO()
    writer = RecordingWriter(file, _header(bench, rig), bench.now_ns())
    talk = Conversation(bench, writer)
    for role in talk.ports:
        _identify(talk, role)
    _Talk(talk).all_phases(for_ns)
    talk.finish()
    writer.close()
    return parse_recording(file.getvalue(), "the check")


def _header(bench: Bench, rig: Rig) -> Header:
    return Header(
        plan_name="line check",
        plan_text="",
        rig_name=rig.name,
        rig_text=rig.text,
        seed=0,
        versions=(
            ("propsoff", __version__), ("protocol", str(m.PROTOCOL_VERSION)),
            ("python", platform.python_version()),
        ),
        clock="virtual" if bench.is_virtual else "monotonic",
        wall_seconds=0 if bench.is_virtual else wall_seconds(),
        hardware=bench.is_hardware,
        baud={role: spec.baud for role, spec in rig.ports.items()},  # a recording has both devices
        facts=dict(bench.facts),
    )  # fmt: skip


def _identify(talk: Conversation, role: Role) -> None:
    name = talk.bench.facts.get(f"{role} port", str(role))
    wrong = check_device(talk.introduce(role, name), role)
    if wrong:
        raise BenchError(wrong, role=role, port=name)


@dataclass(slots=True)
class _Open:
    """What one device was asked and has not answered: when, 0 if nothing is open; when the next is due."""

    ping_ns: int = 0
    identify_ns: int = 0
    due_ns: int = 0
    zeros: float = 0.0


class _Talk:
    """The three phases. Questions go out between two looks at the ports, never inside one."""

    def __init__(self, talk: Conversation) -> None:
        self.talk = talk
        self.bench = talk.bench
        self.open = {role: _Open() for role in talk.ports}
        talk.on_frame = self._hear

    def all_phases(self, for_ns: int) -> None:
        calm = int(for_ns * CALM_SHARE)
        rest = (for_ns - calm) // 2
        self._phase(CALM, calm, self._calmly)
        self._phase(ANSWERS, rest, self._answers)
        self._phase(IDLE, rest, self._idle)
        self.talk.writer.mark(self.bench.now_ns(), PHASE, name=OVER)

    def _hear(self, role: Role, frame: Frame) -> None:
        if frame.type == m.Pong.TYPE:
            self.open[role].ping_ns = 0
        elif frame.type == m.Identity.TYPE:
            self.open[role].identify_ns = 0

    def _phase(self, name: str, for_ns: int, ask: _Ask) -> None:
        now = start = self.bench.now_ns()
        self.talk.writer.mark(now, PHASE, name=name)
        for one in self.open.values():
            one.due_ns, one.zeros = now, 0.0
        before = now
        while now - start < for_ns:
            for role, one in self.open.items():
                ask(role, one, now, now - before)
            before = now
            self.talk.advance(now + SLICE_NS)
            now = self.bench.now_ns()
        self.talk.wait_for(self._all_answered, until_ns=now + GIVEN_UP_NS)
        for one in self.open.values():
            one.ping_ns = one.identify_ns = 0

    def _all_answered(self) -> bool:
        return not any(one.ping_ns or one.identify_ns for one in self.open.values())

    def _ping(self, role: Role, one: _Open, now: int) -> bool:
        """Send a ping unless one is open; returns whether it went out."""
        if one.ping_ns and now - one.ping_ns < GIVEN_UP_NS:
            return False
        one.ping_ns = now
        self.talk.ping(role)
        return True

    def _calmly(self, role: Role, one: _Open, now: int, _gone_ns: int) -> None:
        if now >= one.due_ns and self._ping(role, one, now):
            one.due_ns = now + PING_EVERY_NS

    def _answers(self, role: Role, one: _Open, now: int, _gone_ns: int) -> None:
        self._ping(role, one, now)
        if not one.identify_ns or now - one.identify_ns >= GIVEN_UP_NS:
            one.identify_ns = now
            self.talk.send(role, m.Identify())

    def _idle(self, role: Role, one: _Open, now: int, gone_ns: int) -> None:
        """Fill what pings leave of the line with idle delimiters, as many as fit since the last look."""
        if self._ping(role, one, now):
            one.zeros -= PING_BYTES
        one.zeros += gone_ns / S * FILL * self.bench.baud[role] / BITS_A_BYTE
        while one.zeros >= 1:
            data = bytes(min(int(one.zeros), MOST_ZEROS))
            at_ns = self.bench.send(role, data)
            self.talk.writer.packet(role, Direction.TO_DEVICE, data, at_ns)
            one.zeros -= len(data)

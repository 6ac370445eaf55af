"""How does the link do right now? Counted message by message, for the display and its alarms alone.

Whoever serves the ports calls `hear` for each message that came and `note_sent` for each that left. Both do
the same few things for any message, keep nothing that grows, and believe nothing: verdicts come from the
recording.
Packets are paired by their numbers once both devices must have reported them.
"""

from __future__ import annotations

import struct
from collections import deque
from fractions import Fraction
from typing import Final

from harness.bench.protocol import Role
from harness.clock import MS, US, S
from harness.codec import messages as m
from harness.codec.frames import HEAD, MIN_BODY, frame_of
from harness.conversation import RESTARTS, STARTING_NS, Conversation
from harness.pinged import PingedClock
from harness.plan import model as p
from harness.report.snapshot import TREND_S, ChannelFace, LineState, Readings

PAIRS: Final = 1024
"""So many packets wait to be paired, a power of two: a second of the fastest link a plan can declare."""
REPORTS_NS: Final = 250 * MS
"""Time for the reports of a packet to reach the PC, beside the time after which it counts as lost."""
NEWEST: Final = 64
"""The median latency is that of so many packets."""
RECENT_S: Final = 5
GRACE_NS: Final = 500 * MS
"""After a cut or a restart the link has the time that the plan gives it, and this for reports to arrive."""
NO_TIME: Final = -(10**18)
FRAME_MORE: Final = 2
"""A frame on the line is longer than its body by a COBS byte and a delimiter."""
SECONDS: Final = 64
"""Places for seconds, more than the trends show."""
_AT: Final = HEAD.size
_SENT: Final = m.Sent.TYPE
_SENT_SIZE: Final = MIN_BODY + m.Sent.LAYOUT.size
_UNPACK_SENT: Final = m.Sent.LAYOUT.unpack_from
_APPLIED: Final = m.Applied.TYPE
_APPLIED_LEAST: Final = MIN_BODY + m.Applied.HEAD.size + 1
_UNPACK_APPLIED: Final = struct.Struct("<HI").unpack_from
"""The first two of `m.Applied`: packet number and device time."""
_TELEMETRY: Final = m.Telemetry.TYPE
_EXCUSING: Final = (m.Silence, m.Disturb, m.Deafen, m.MuteAcks)

Pair = tuple[int, int]
_NONE: Final[Pair] = (-1, 0)


class Line:
    """One port's line to the PC."""

    __slots__ = ("bad_frames", "busy", "clock", "damaged", "due", "heard_ns", "looked_ns", "missing", "size")

    def __init__(self, now_ns: int) -> None:
        self.clock = PingedClock()
        self.due = -1
        self.missing = 0
        self.heard_ns = self.looked_ns = now_ns
        self.size = 0
        self.busy = 0.0
        self.bad_frames: int | None = None
        self.damaged = 0

    def skip(self, counter: int, *, restarted: bool) -> None:
        """Count the messages that a counter out of turn tells of; a start begins a new count."""
        missing = counter - self.due & 0xFFFF
        if self.due >= 0 and not restarted and missing < 0x8000:
            self.missing += missing

    def look(self, now_ns: int, baud: int) -> None:
        """Take how busy the line was, once a second (ten bits a byte)."""
        passed_ns = now_ns - self.looked_ns
        if passed_ns >= S:
            self.busy = self.size * 10 * S / (baud * passed_ns)
            self.size, self.looked_ns = 0, now_ns


class Second:
    """What one second brought. Packets count for the second in which they were reported as sent."""

    __slots__ = ("applied", "fair", "lost", "number", "sent", "worst_ns")

    def __init__(self, number: int) -> None:
        self.number = number
        self.sent = self.applied = self.fair = self.lost = 0
        self.worst_ns: int | None = None

    def note(self, took_ns: int) -> None:
        """Keep the longest time."""
        if self.worst_ns is None or took_ns > self.worst_ns:
            self.worst_ns = took_ns


class Gauges:
    """Everything that is counted live. `begin` starts; before that nothing is heard."""

    def __init__(self, talk: Conversation, plan: p.Plan) -> None:
        self.talk = talk
        self.plan = plan
        self.faces = faces(plan.link)
        now_ns = talk.bench.now_ns()
        self.lines = {role: Line(now_ns) for role in talk.ports}
        self.sticks: tuple[int, ...] | None = None
        self.closed_ns: int | None = None
        self.excused_ns = NO_TIME
        self.step_excused = False
        self.restarting = dict.fromkeys(talk.ports, NO_TIME)
        self.unasked: list[Role] = []
        self.telemetry_ns: int | None = None
        self.latencies: deque[int] = deque(maxlen=NEWEST)
        self.delivery_limit = delivery_limit(plan)
        self.latency_limit_ns = latency_limit_ns(plan)
        self.gap_us = 0
        """Longest time without an applied packet that ended since somebody set this to 0, on the receiver's
        own clock, with no report missing and nothing done to the link on purpose."""
        self.false_failsafe = False
        """Whether failsafe began since somebody set this to False, with nothing done on purpose."""
        self._is_first = True
        self._last_us = self._last_missing = 0
        self._linked_us = talk.linked_for_ns // US
        self._hold_ns = plan.link.lost_after_ns + REPORTS_NS
        self._outputs = b""
        self.outputs_ns = NO_TIME
        self._waiting: deque[tuple[int, int, int, bool]] = deque(maxlen=PAIRS)
        self._forget_packets()
        self._seconds = [Second(-1) for _ in range(SECONDS)]
        self._throttles = [
            (n, channel.rest_us) for n, channel in enumerate(plan.link.channels) if channel.role == "throttle"
        ]

    def begin(self) -> None:
        """Hear and see everything from now on."""
        self.talk.on_heard, self.talk.on_sent = self.hear, self.note_sent

    # -- heard ---------------------------------------------------------------------------------------

    def hear(self, role: Role, body: bytes, at_ns: int) -> None:
        """Take one message that came through whole. Hot: what can wait, waits for `settle`."""
        line = self.lines[role]
        line.heard_ns = at_ns
        line.size += len(body) + FRAME_MORE
        kind, low, high = body[:3]
        counter = low | high << 8
        if counter != line.due:
            line.skip(counter, restarted=kind == m.Started.TYPE)
        line.due = counter + 1 & 0xFFFF
        if kind == _SENT:
            if role is Role.TRANSMITTER and len(body) == _SENT_SIZE:
                packet, _, at_us, *_ = _UNPACK_SENT(body, _AT)
                fair = at_ns > self.excused_ns and not self.step_excused
                self._waiting.append((packet, at_us, at_ns, fair))  # the oldest is forgotten if too many
        elif kind == _APPLIED:
            if role is Role.RECEIVER and len(body) >= _APPLIED_LEAST:
                packet, at_us = _UNPACK_APPLIED(body, _AT)
                self._outputs, self.outputs_ns = body, at_ns
                if at_us - self._last_us & 0xFFFFFFFF > self._linked_us:
                    self._note_gap(at_us, at_ns)
                self._last_us, self._last_missing = at_us, line.missing
                slot = packet % PAIRS
                if self._applied[slot][0] != packet:  # no duplicate
                    self._applied[slot] = (packet, at_us)
        elif kind == _TELEMETRY:
            self.telemetry_ns = at_ns
        elif kind in _TOLD:
            self._other(role, body, at_ns)

    def _note_gap(self, at_us: int, at_ns: int) -> None:
        """Note a time without applied packets, if it was one and nobody is to blame but the link."""
        unknown = self._last_missing != self.lines[Role.RECEIVER].missing
        if self._is_first or unknown or at_ns <= self.excused_ns or self.step_excused:
            self._is_first = False
            return
        gap_us = at_us - self._last_us & 0xFFFFFFFF
        if gap_us < 1 << 31:
            self.gap_us = max(self.gap_us, gap_us)

    def _other(self, role: Role, body: bytes, at_ns: int) -> None:
        line = self.lines[role]
        message = m.parse(frame_of(body))
        if isinstance(message, m.Pong):
            line.clock.told(message.nonce, message.at_us, at_ns)
        elif isinstance(message, m.OutputChange) and role is Role.RECEIVER:
            self._outputs, self.outputs_ns = body, at_ns
            fair = at_ns > self.excused_ns and not self.step_excused and self.talk.applied_at_ns is not None
            self.false_failsafe |= fair and message.reason == m.OutputReason.FAILSAFE
        elif isinstance(message, m.Counters) and role is Role.RECEIVER:
            if line.bad_frames is not None and message.bad_frames > line.bad_frames:
                line.damaged += message.bad_frames - line.bad_frames
            line.bad_frames = message.bad_frames
        elif isinstance(message, m.Started):
            self._started(role, at_ns)

    def _started(self, role: Role, at_ns: int) -> None:
        line = self.lines[role]
        line.clock.begin_anew()
        line.bad_frames = None
        self._forget_packets()
        if at_ns > self.restarting[role] and not self.step_excused:
            self.unasked.append(role)
            del self.unasked[:-4]
        self._excuse(at_ns)

    def _forget_packets(self) -> None:
        self._applied = [_NONE] * PAIRS
        self._waiting.clear()
        self._is_first = True

    # -- sent ----------------------------------------------------------------------------------------

    def note_sent(self, role: Role, message: m.Message, at_ns: int) -> None:
        """Take one message that left."""
        kind = type(message)
        if kind is m.Sticks:
            self._note_sticks(message.pulses_us, at_ns)  # type: ignore[attr-defined]
        elif kind is m.Ping:
            self.lines[role].clock.asked(message.nonce, at_ns)  # type: ignore[attr-defined]
        elif kind is m.Release and role is Role.TRANSMITTER:
            self.sticks = self.closed_ns = None
        elif kind in _EXCUSING:
            self._excuse(at_ns + (message.delay_us + message.duration_us) * US)  # type: ignore[attr-defined]
        elif message.TYPE in RESTARTS:
            self.restarting[role] = at_ns + STARTING_NS
            self._excuse(at_ns + STARTING_NS)

    def _note_sticks(self, pulses: tuple[int, ...], at_ns: int) -> None:
        self.sticks = pulses
        for channel, rest_us in self._throttles:
            if channel < len(pulses) and pulses[channel] > rest_us:
                self.closed_ns = None
                return
        if self.closed_ns is None:
            self.closed_ns = at_ns

    def _excuse(self, until_ns: int) -> None:
        """Expect nothing of the link until then, and for the time that it has to recover."""
        after_ns = self.plan.link.failsafe.recover_within_ns + GRACE_NS
        self.excused_ns = max(self.excused_ns, until_ns + after_ns)

    def enter(self, action: p.StepAction) -> None:
        """Note which step begins: some lose the link in ways that no command tells."""
        if self.step_excused:
            self._excuse(self.talk.bench.now_ns())
        self.step_excused = (
            isinstance(action, p.LOSING_STEPS)
            or p.is_outside(action)
            or (isinstance(action, p.Cut) and action.packet_rate_mhz is not None)
        )

    # -- told ----------------------------------------------------------------------------------------

    def is_excused(self, now_ns: int) -> bool:
        """Return whether the link is cut, or a device restarted, on purpose, or was just before."""
        return self.step_excused or now_ns <= self.excused_ns

    def settle(self, now_ns: int) -> None:
        """Count the packets whose reports must have come by now, and how long they took; look at lines."""
        waiting, applied, oldest_ns = self._waiting, self._applied, now_ns - self._hold_ns
        sender, taker = (self.lines[role].clock for role in (Role.TRANSMITTER, Role.RECEIVER))
        while waiting and waiting[0][2] < oldest_ns:
            packet, sent_us, at_ns, fair = waiting.popleft()
            second, slot = self._second(at_ns), packet % PAIRS
            number, applied_us = applied[slot]
            came = number == packet
            if came:
                applied[slot] = _NONE  # the number comes again after 65 536 packets
                if sender.base and taker.base:
                    took_ns = taker.host_ns(applied_us) - sender.host_ns(sent_us)
                    self.latencies.append(took_ns)
                    second.note(took_ns)
            second.sent += 1
            second.applied += came
            if fair:
                second.fair += 1
                second.lost += not came
        for role, line in self.lines.items():
            line.look(now_ns, self.talk.bench.baud[role])
            if role not in self.talk.alive:
                line.due, line.heard_ns, self.restarting[role] = -1, now_ns, now_ns + STARTING_NS
                self._excuse(now_ns)

    def outputs_us(self) -> tuple[int, ...]:
        """Return the outputs as last reported, empty before that, or if the report makes no sense."""
        message = m.parse(frame_of(self._outputs)) if self._outputs else None
        return message.outputs_us if isinstance(message, m.Applied | m.OutputChange) else ()

    def fair(self, now_ns: int, seconds: int) -> tuple[int, int]:
        """Return (lost, sent) of packets in the last so many seconds that nothing on purpose was done to."""
        told = self._last(now_ns, seconds)
        return sum(one.lost for one in told), sum(one.fair for one in told)

    def recent(self, now_ns: int) -> tuple[int, int]:
        """Return (applied, sent) of all packets of the last seconds."""
        told = self._last(now_ns, RECENT_S)
        return sum(one.applied for one in told), sum(one.sent for one in told)

    def latency_now_ns(self) -> int | None:
        """Return the median of the newest packets' times, None without any."""
        times = sorted(self.latencies)
        return times[len(times) // 2] if times else None

    def latency_bound_ns(self, now_ns: int) -> int:
        """Return how far off the times may be, for both clocks."""
        ends = (self.lines[role].clock for role in (Role.TRANSMITTER, Role.RECEIVER))
        return sum(clock.bound_ns(now_ns) for clock in ends)

    def readings(self, now_ns: int) -> Readings:
        """Return everything as one value."""
        trend = self._last(now_ns, TREND_S)[::-1]
        return Readings(
            channels=self.faces,
            sticks_us=self.sticks,
            outputs_us=self.outputs_us(),
            in_failsafe=self.talk.in_failsafe,
            delivery=tuple((one.applied, one.sent) for one in trend),
            delivery_limit=None if self.delivery_limit is None else float(self.delivery_limit),
            latency_ns=tuple(one.worst_ns for one in trend),
            latency_now_ns=self.latency_now_ns(),
            latency_bound_ns=self.latency_bound_ns(now_ns),
            latency_limit_ns=self.latency_limit_ns,
            has_telemetry=bool(self.plan.link.telemetry),
            telemetry_ns=None if self.telemetry_ns is None else now_ns - self.telemetry_ns,
            lines=tuple(self._line_state(role) for role in self.talk.ports),
        )

    def _line_state(self, role: Role) -> LineState:
        line, identity = self.lines[role], self.talk.ports[role].identity
        words = "" if identity is None else f"{identity.firmware} {identity.version}"
        return LineState(str(role), words, line.busy, line.missing, role in self.talk.alive)

    def _second(self, at_ns: int) -> Second:
        number = at_ns // S
        second = self._seconds[number % SECONDS]
        if second.number != number:
            second = self._seconds[number % SECONDS] = Second(number)
        return second

    def _last(self, now_ns: int, seconds: int) -> list[Second]:
        """Return the last whole seconds, the newest first, without those whose packets are still open."""
        newest = (now_ns - self._hold_ns) // S - 1
        return [self._at(newest - back) for back in range(seconds)]

    def _at(self, number: int) -> Second:
        second = self._seconds[number % SECONDS]
        return second if second.number == number else _NOTHING


def faces(link: p.Link) -> tuple[ChannelFace, ...]:
    """Return what a display needs of each channel."""
    return tuple(
        ChannelFace(one.name, one.range.low_us, one.range.high_us, one.failsafe_us, one.role == "throttle")
        for one in link.channels
    )


def delivery_limit(plan: p.Plan) -> Fraction | None:
    """Return the largest share that a check of the whole run asks for, None if none does."""
    rules = [check.rule for check in plan.checks]
    return max(
        (one.at_least for one in rules if isinstance(one, p.Delivery) and not one.during), default=None
    )


def latency_limit_ns(plan: p.Plan) -> int | None:
    """Return the smallest limit of packets' latency that a check of the whole run asks for."""
    rules = [check.rule for check in plan.checks if isinstance(check.rule, p.Latency)]
    return min((one.at_most_ns for one in rules if one.of == "packet" and not one.during), default=None)


_TOLD: Final = frozenset((m.Pong.TYPE, m.OutputChange.TYPE, m.Counters.TYPE, m.Started.TYPE))
_NOTHING: Final = Second(-1)

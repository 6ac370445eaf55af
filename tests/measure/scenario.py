"""An imaginary link whose truth is known exactly, written down frame by frame as a recording.

Times are true host ns. Every device stamps with its own clock; each frame takes its byte times on the line.
Change a field or pass a function to make the link do something; `recording()` writes it all down.
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from harness.bench.protocol import DEVICES, Role
from harness.chance import stream
from harness.clock import MS, US, S
from harness.codec import encode
from harness.codec import messages as wire
from harness.judge import judge
from harness.plan import model as p
from harness.recording.model import Direction, Header, Mark, PortPackets, Recording
from harness.verdict import CheckResult

TX, RX, WX = Role.TRANSMITTER, Role.RECEIVER, Role.WITNESS
BAUD = 115_200
CHANNELS = (
    p.Channel(name="throttle", role="throttle", failsafe="low"),
    p.Channel(name="roll", failsafe="centre"),
    p.Channel(name="tail", direction="reversed", failsafe="centre"),
    p.Channel(name="camera", failsafe="hold"),
)
TELEMETRY = (
    p.TelemetryField(name="volts", type="u16"),
    p.TelemetryField(name="heat", type="i16", byte_order="big"),
    p.TelemetryField(name="amps", type="f32"),
)
LINK = p.Link(
    packet_rate_mhz=50_000,
    lost_after_ns=100 * MS,
    channels=CHANNELS,
    failsafe=p.Failsafe(within_ns=500 * MS, not_before_ns=100 * MS, recover_within_ns=200 * MS),
    telemetry=TELEMETRY,
)
REPORTS = wire.Applied | wire.OutputChange
START_NS = 100 * S
"""Host time at which the recording begins: nothing may rest on it being zero."""
RUN_NS = START_NS + S
"""The first step."""


def plan_for(*rules: Any, link: p.Link = LINK, steps: Sequence[p.PlanStep] = ()) -> p.Plan:
    """A plan with these checks, each named after its kind and place."""
    checks = tuple(
        p.PlanCheck(rule=rule, name=f"{rule.WORD} {place}", path=f"checks[{place}]")
        for place, rule in enumerate(rules)
    )
    given = tuple(steps) or (p.PlanStep(action=p.Hold(for_ns=S), name="go", path="steps[0]"),)
    return p.Plan(
        name="imaginary", text="", format=1, title="imaginary", about="", safety=p.Safety(),
        link=link, steps=given, checks=checks,
    )  # fmt: skip


@dataclass(frozen=True)
class DeviceClock:
    """A device's clock: its reading at host time 0, and how many millionths fast it runs."""

    offset_us: int = 0
    ppm: float = 0.0

    def stamp(self, at_ns: int) -> int:
        """The device's microseconds, modulo 2**32."""
        return (self.offset_us + int(at_ns * (1 + self.ppm * 1e-6)) // US) % 2**32


@dataclass(frozen=True)
class Silence:
    """A cut: commanded at `at_ns`, silent from `at_ns` + `delay_ns` on for `for_ns`."""

    at_ns: int
    for_ns: int
    delay_ns: int = 5 * MS

    @property
    def start_ns(self) -> int:
        return self.at_ns + self.delay_ns

    @property
    def end_ns(self) -> int:
        return self.start_ns + self.for_ns


@dataclass(frozen=True)
class Meddling(Silence):
    """A disturbance (`kind` by its number), or a time of a deaf or a mute receiver (`kind` 0)."""

    kind: int = 0
    sent: int | None = None
    """How many packets it reports; None: as many as there were. -1: no report."""
    acked: int | None = None
    """How many of them were acknowledged; None: all."""


@dataclass(frozen=True)
class Reset:
    """A restart by command at `at_ns`; the device is back `down_ns` later, its clock at `clock_us`.

    With `packet` it is a RestartAt: a transmitter then begins at that number.
    """

    role: Role
    at_ns: int
    down_ns: int = 300 * MS
    commanded: bool = True
    cause: int = wire.StartCause.COMMAND
    clock_us: int = 0
    packet: int | None = None

    @property
    def back_ns(self) -> int:
        return self.at_ns + self.down_ns


@dataclass(frozen=True)
class Packet:
    """What the link is asked about: the packet's place in the run, number, sampling time, sticks."""

    index: int
    number: int
    at_ns: int
    sticks: tuple[int, ...]


@dataclass(frozen=True)
class Event:
    """One frame: when it was handed over (to a device) or ready to be sent (by one)."""

    at_ns: int
    role: Role
    direction: Direction
    message: Any


@dataclass(frozen=True)
class ReplyTo:
    """A reply that takes its command's counter when the recording is written."""

    command: Event
    result: int
    at_us: int


def _never(_: Any) -> bool:
    return False


@dataclass
class Scenario:
    """An imaginary run of `seconds`, packets every `period_ns` from 0.5 s before the first step.

    `lost`, `latency_ns`, `shown`, `copies` and `in_burst` are asked about every packet. `drop` about every
    frame that a device sends (role, place in its stream, message). `events` takes further frames, `clocks`
    each device's clock.
    """

    plan: p.Plan = field(default_factory=plan_for)
    seconds: float = 4.0
    period_ns: int = 20 * MS
    first_number: int = 0
    clocks: Mapping[Role, DeviceClock] = field(default_factory=lambda: {TX: DeviceClock(), RX: DeviceClock()})
    lost: Callable[[Packet], bool] = _never
    latency_ns: Callable[[Packet], int] = lambda _: 2 * MS
    took_ns: Callable[[Packet], int] = lambda _: 3 * MS
    shown: Callable[[Packet, tuple[int, ...]], tuple[int, ...]] = lambda _, outputs: outputs
    copies: Callable[[Packet], int] = lambda _: 1
    in_burst: Callable[[Packet], bool] = _never
    telemetry: Callable[[Packet], bytes | None] = lambda _: None
    foreign_number: int = 0
    """The first number of a foreign packet in each disturbance."""
    sticks: Callable[[int], tuple[int, ...]] = lambda place: (
        1000 + place * 7 % 1001, 1000 + place * 13 % 1001, 1000 + place * 29 % 1001, 1000 + place * 37 % 1001,
    )  # fmt: skip
    own: Callable[[Packet], bool] = _never
    """Whether a packet carries the transmitter's own sticks."""
    silences: Sequence[Silence] = ()
    disturbs: Sequence[Meddling] = ()
    deafs: Sequence[Meddling] = ()
    mutes: Sequence[Meddling] = ()
    obeyed: bool = True
    """Whether a deaf receiver is deaf."""
    stranger: Callable[[int, int], str] = lambda kind, place: "ignored"
    """What the receiver does with the packet at that place of a disturbance: "ignored", "applied", "feeds"
    its failsafe timer."""
    resets: Sequence[Reset] = ()
    silent: bool = True
    failsafe_ns: Callable[[int], int | None] = lambda _: 400 * MS
    start_outputs: Sequence[tuple[int, ...]] = ((1000, 1500, 1500, 1500),)
    """What the receiver reports after each start, one after the other."""
    failsafe_outputs: Callable[[tuple[int, ...]], tuple[int, ...]] = lambda held: (1000, 1500, 1500, held[3])
    drop: Callable[[Role, int, Any], bool] = lambda role, place, message: False
    pings: bool = True
    pong_after_ns: Callable[[int], int] = lambda _: 30 * US
    end_why: str | None = "complete"
    baud: int = BAUD
    events: list[Event] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    injected: list[tuple[int, tuple[int, ...]]] = field(default_factory=list)
    """Injected sets by the time they took effect, raw values of every field."""
    preloaded: int = 1
    """How many packets old an acknowledgement payload is by design."""
    garble: Callable[[tuple[int, ...]], tuple[int, ...]] = lambda values: values
    """What the receiver makes of the raw values."""
    pins: Callable[[int, tuple[int, ...]], tuple[float, ...]] | None = None
    """With a witness: what the pins get in the servo frame at a host time, given what was reported last.

    In us, 0 for no pulse; frames come every 20 ms, and none while the receiver is down.
    """

    @property
    def end_ns(self) -> int:
        """The end of the last step."""
        return RUN_NS + int(self.seconds * S)

    def tell(self, role: Role, message: Any, at_ns: int) -> Event:
        """Send a frame to a device."""
        event = Event(at_ns, role, Direction.TO_DEVICE, message)
        self.events.append(event)
        return event

    def inject(self, values: tuple[int, ...], at_ns: int, *, result: int = wire.Result.DONE) -> None:
        """Inject a raw value into every field; from then on packets carry telemetry."""
        event = self.tell(RX, wire.Inject(tuple(enumerate(values))), at_ns)
        taken_ns = at_ns + line_ns(30) + 50 * US
        if self._down(RX, taken_ns):
            return
        self.say(RX, ReplyTo(event, result, self.stamp(RX, taken_ns)), taken_ns)
        if result == wire.Result.DONE:
            self.injected.append((taken_ns, values))
        self.telemetry = self._payload

    def inject_often(self, seed: int = 1, every_ns: int = 250 * MS) -> None:
        """Inject values drawn from a seed during the whole run."""
        chance = stream(seed, "injected")
        for at_ns in range(RUN_NS + 105 * MS, self.end_ns - 200 * MS, every_ns):
            ends = (
                chance.randrange(1 << 16),
                chance.randrange(-(1 << 15), 1 << 15),
                chance.randrange(1 << 31),
            )
            self.inject(ends, at_ns)

    def _payload(self, packet: Packet) -> bytes:
        """The values in force when the payload was preloaded: at the packet received `preloaded` before."""
        born_ns = max([0, *(r.back_ns for r in self.resets if r.role == RX and r.at_ns <= packet.at_ns)])
        earlier = [at_ns for at_ns in self._received if born_ns <= at_ns < packet.at_ns][-self.preloaded :]
        self._received.append(packet.at_ns)
        loaded_ns = earlier[0] + MS if len(earlier) == self.preloaded else 0
        values = (7, 7, 7)
        for taken_ns, given in self.injected:
            if born_ns <= taken_ns <= loaded_ns:
                values = (*given, *values[len(given) :])
        volts, heat, amps = self.garble(values)
        return struct.pack("<H", volts & 0xFFFF) + struct.pack(">H", heat & 0xFFFF) + struct.pack("<I", amps)

    def say(self, role: Role, message: Any, at_ns: int) -> None:
        """Have a device send a frame, ready at `at_ns`."""
        self.events.append(Event(at_ns, role, Direction.TO_PC, message))

    def mark(self, at_ns: int, what: str, **fields: Any) -> None:
        """Set a mark."""
        self.marks.append(Mark(at_ns, what, fields))

    def stamp(self, role: Role, at_ns: int) -> int:
        """A device's clock reading."""
        backs = [reset.back_ns for reset in self.resets if reset.role == role and reset.back_ns <= at_ns]
        clock = self.clocks.get(role, DeviceClock())
        if not backs:
            return clock.stamp(at_ns)
        last = max((r for r in self.resets if r.role == role and r.back_ns <= at_ns), key=lambda r: r.back_ns)
        return DeviceClock(last.clock_us, clock.ppm).stamp(at_ns - last.back_ns)

    @property
    def roles(self) -> tuple[Role, ...]:
        """The ports of this bench."""
        return DEVICES if self.pins is None else (*DEVICES, WX)

    def _down(self, role: Role, at_ns: int) -> bool:
        return any(reset.role == role and reset.at_ns <= at_ns < reset.back_ns for reset in self.resets)

    def recording(self, *, complete: bool = True) -> Recording:
        """Write the run down; once only."""
        self._received: list[int] = []
        self._set_up()
        self._packets()
        if self.pins is not None:
            self._frames(self.pins)
        return self._written(complete)

    def _set_up(self) -> None:
        for number, role in enumerate(self.roles, start=1):
            self.tell(role, wire.Identify(), START_NS)
            identity = wire.Identity(1, number, 4, 50_000, 0xFFFF, f"imaginary {role}", "1.0", "42")
            self.say(role, identity, START_NS + 5 * MS)
        if self.pings:
            self._ping()
        self.mark(START_NS, "begin")
        if not any(mark.kind == "step" for mark in self.marks):
            self.mark(RUN_NS, "step", path="steps[0]", kind="hold", name="go", title="go")
            self.mark(self.end_ns, "step end", path="steps[0]")
        for cut in self.silences:
            event = self.tell(TX, wire.Silence(cut.delay_ns // US, cut.for_ns // US), cut.at_ns)
            taken_ns = cut.at_ns + line_ns(14, self.baud)
            self.say(TX, ReplyTo(event, wire.Result.DONE, self.stamp(TX, cut.at_ns)), taken_ns)
        self._meddle()
        for reset in self.resets:
            if reset.commanded:
                at = reset.clock_us, reset.packet or 0
                word = wire.Restart() if reset.packet is None else wire.RestartAt(*at)
                self.tell(reset.role, word, reset.at_ns)
            self.say(reset.role, wire.Started(reset.cause, reset.clock_us), reset.back_ns)
            if reset.role == RX:
                for outputs in self.start_outputs:
                    self.change(wire.OutputReason.START, outputs, reset.back_ns)
        if self.end_why:
            self.mark(self.end_ns + 600 * MS, "end", why=self.end_why, detail="", role="", port="")

    def _meddle(self) -> None:
        """Give the orders to disturb, to be deaf and to be mute, and report what was sent in disturbances."""
        kinds = ((self.deafs, RX, wire.Deafen), (self.mutes, RX, wire.MuteAcks))
        orders = [
            (one, TX, wire.Disturb(one.kind, one.delay_ns // US, one.for_ns // US)) for one in self.disturbs
        ]
        orders += [
            (one, role, kind(one.delay_ns // US, one.for_ns // US))
            for each, role, kind in kinds
            for one in each
        ]
        for one, role, message in orders:
            event = self.tell(role, message, one.at_ns)
            taken_ns = one.at_ns + line_ns(18, self.baud)
            self.say(role, ReplyTo(event, wire.Result.DONE, self.stamp(role, one.at_ns)), taken_ns)
        for one in self.disturbs:
            sent = one.for_ns // self.period_ns if one.sent is None else one.sent
            if sent >= 0:
                acked = sent if one.acked is None else one.acked
                done = wire.Disturbed(one.kind, self.stamp(TX, one.end_ns), sent, acked)
                self.say(TX, done, one.end_ns + 200 * US)

    def _disturbed(self, one: Meddling, place: int, at_ns: int, last: Packet, number: int) -> None:
        """What the receiver makes of one packet of a disturbance."""
        fate = self.stranger(one.kind, place)
        if fate == "ignored":
            return
        foreign = tuple(
            channel.range.low_us if channel.role == "throttle" else channel.range.high_us
            for channel in self.plan.link.channels
        )
        sticks = {1: self.sticks(last.index + 1 + place), 3: last.sticks}.get(one.kind, foreign)
        outputs = tuple(
            channel.output_us(us) for channel, us in zip(self.plan.link.channels, sticks, strict=True)
        )
        if fate == "applied":
            shown = {1: number, 3: last.number}.get(one.kind, self.foreign_number + place) % 65536
            self.say(RX, wire.Applied(shown, self.stamp(RX, at_ns), -60, outputs), at_ns)
        self._fed.append((at_ns, outputs))

    def _ping(self) -> None:
        times = [START_NS + 50 * MS + 25 * MS * place for place in range(8)]
        times += [RUN_NS + place * S for place in range(int(self.seconds) + 1)]
        times += [self.end_ns + 320 * MS + 25 * MS * place for place in range(8)]
        for role, shift in zip(self.roles, (0, 300 * MS, 600 * MS), strict=False):
            for nonce, base in enumerate(times, start=1):
                at_ns = base + (shift if RUN_NS <= base < self.end_ns else 0)
                self.tell(role, wire.Ping(nonce), at_ns)
                answered = at_ns + line_ns(11, self.baud) + self.pong_after_ns(nonce)
                if self._down(role, answered):
                    continue
                self.say(role, wire.Pong(nonce, self.stamp(role, answered)), answered)

    def _packets(self) -> None:
        self._fed: list[tuple[int, tuple[int, ...]]] = []
        at_ns = START_NS + 500 * MS
        index = 0
        number = self.first_number
        was_down = False
        last = Packet(0, 0, at_ns, self.sticks(0))
        while at_ns <= self.end_ns + 400 * MS:
            down = self._down(TX, at_ns)
            number = self._first_number(at_ns) if was_down and not down else number
            was_down = down
            silent = self.silent and any(cut.start_ns <= at_ns < cut.end_ns for cut in self.silences)
            disturbed = next((one for one in self.disturbs if one.start_ns <= at_ns < one.end_ns), None)
            if disturbed is not None and not down:
                place = (at_ns - disturbed.start_ns) // self.period_ns
                beside = disturbed.kind == wire.Disturbance.BESIDE
                when = at_ns + (self.period_ns // 2 if beside else 2 * MS)
                self._disturbed(disturbed, place, when, last, number)
                silent = silent or not beside
            if not silent and not down:
                last = Packet(index, number % 65536, at_ns, self.sticks(index))
                self._fed.extend(self._packet(last))
                number += 1
            index += 1
            at_ns += self.period_ns
        self._failsafes(self._fed)

    def _first_number(self, at_ns: int) -> int:
        """The number that a transmitter begins at after a restart."""
        back = max((r for r in self.resets if r.role == TX and r.back_ns <= at_ns), key=lambda r: r.back_ns)
        return back.packet or 0

    def _meddled(self, orders: Sequence[Meddling], at_ns: int) -> bool:
        return any(one.start_ns <= at_ns < one.end_ns for one in orders)

    def _packet(self, packet: Packet) -> list[tuple[int, tuple[int, ...]]]:
        set_number = wire.NO_SET if self.own(packet) else 1 + packet.index % 60_000
        if set_number != wire.NO_SET:
            self.tell(TX, wire.Sticks(set_number, packet.sticks), packet.at_ns - 12 * MS)
        latency = self.latency_ns(packet)
        down = self._down(RX, packet.at_ns + latency)
        deaf = self.obeyed and self._meddled(self.deafs, packet.at_ns + latency) and not down
        lost = deaf or self.lost(packet) or down
        mute = self._meddled(self.mutes, packet.at_ns)
        done = packet.at_ns + self.took_ns(packet)
        stamp = self.stamp(TX, packet.at_ns)
        took = min((self.stamp(TX, done) - stamp) % 2**32, 65_535)
        acked = (deaf or not lost) and not mute
        flags = (wire.SENT_ACKED if acked else 0) | (wire.SENT_IN_BURST if self.in_burst(packet) else 0)
        self.say(TX, wire.Sent(packet.number, set_number, stamp, took, 1, flags), done)
        if lost and not deaf:
            return []
        payload = self.telemetry(packet)
        if deaf and self._received and self._received[-1] == packet.at_ns:
            self._received.pop()  # acknowledged with what was loaded before, and nothing new is loaded
        if payload is not None and not mute:
            self.say(TX, wire.Telemetry(packet.number, self.stamp(TX, done), payload), done)
        if deaf:
            return []
        outputs = tuple(
            channel.output_us(us) for channel, us in zip(self.plan.link.channels, packet.sticks, strict=True)
        )
        outputs = self.shown(packet, outputs)
        times = [packet.at_ns + latency + copy * MS for copy in range(self.copies(packet))]
        for at_ns in times:
            self.say(RX, wire.Applied(packet.number, self.stamp(RX, at_ns), -60, outputs), at_ns)
        return [(at_ns, outputs) for at_ns in times]

    def _frames(self, pins: Callable[[int, tuple[int, ...]], tuple[float, ...]]) -> None:
        """Have the witness report the pulses of each servo frame at the beginning of the next."""
        reports = [event for event in self.events if isinstance(event.message, REPORTS)]
        reports.sort(key=lambda event: event.at_ns)
        times = [event.at_ns for event in reports]
        fast = 1 + self.clocks.get(WX, DeviceClock()).ppm * 1e-6
        for frame_ns in range(START_NS + 600 * MS, self.end_ns + 400 * MS, 20 * MS):
            place = bisect_right(times, frame_ns) - 1
            if place < 0:
                continue
            away = self._down(RX, frame_ns)
            widths = () if away else pins(frame_ns, reports[place].message.outputs_us)
            closed_us = self.stamp(WX, frame_ns + 21 * MS)
            sets = []
            for width in (*widths, 0, 0, 0, 0)[:4]:
                ended = (closed_us - self.stamp(WX, frame_ns + int(width * US))) % 2**32
                sets.append((ended, round(10 * width * fast)) if width else (0, 0))
            self.say(WX, wire.Pulses(closed_us, tuple(sets)), frame_ns + 21 * MS)

    def _failsafes(self, applied: list[tuple[int, tuple[int, ...]]]) -> None:
        """Engage wherever no packet was applied for the failsafe time."""
        applied.sort()
        times = [at_ns for at_ns, _ in applied] + [self.end_ns + 10 * S]
        place = 0
        for (at_ns, outputs), after in zip(applied, times[1:], strict=True):
            due = self.failsafe_ns(place)
            if due is not None and after - at_ns > due and not self._reset_within(at_ns, at_ns + due):
                place += 1
                self.change(wire.OutputReason.FAILSAFE, self.failsafe_outputs(outputs), at_ns + due)

    def _reset_within(self, start_ns: int, end_ns: int) -> bool:
        over = end_ns >= self.end_ns + 500 * MS
        return over or any(r.role == RX and r.back_ns > start_ns and r.at_ns < end_ns for r in self.resets)

    def change(self, reason: int, outputs: tuple[int, ...], at_ns: int) -> None:
        """Have the receiver change its outputs without a packet."""
        self.say(RX, wire.OutputChange(self.stamp(RX, at_ns), reason, outputs), at_ns)

    def _written(self, complete: bool) -> Recording:
        self._counters: dict[int, int] = {}
        ports = {role: self._port(role) for role in self.roles}
        header = Header(
            plan_name=self.plan.name, plan_text="", rig_name="imaginary", rig_text="", seed=1, versions=(),
            clock="virtual", wall_seconds=0, hardware=False, baud=dict.fromkeys(self.roles, self.baud),
            facts={},
        )  # fmt: skip
        marks = tuple(sorted(self.marks, key=lambda mark: mark.at_ns))
        return Recording(header, ports, marks, complete, () if complete else ("cut short at byte 1234",))

    def _port(self, role: Role) -> PortPackets:
        rows: list[tuple[int, int, bytes]] = []
        for direction in (Direction.TO_DEVICE, Direction.TO_PC):
            events = [event for event in self.events if event.role == role and event.direction == direction]
            rows.extend(self._stream(role, direction, sorted(events, key=lambda event: event.at_ns)))
        rows.sort(key=lambda row: row[0])
        return PortPackets([row[0] for row in rows], [row[1] for row in rows], [row[2] for row in rows])

    def _stream(self, role: Role, direction: Direction, events: list[Event]) -> list[tuple[int, int, bytes]]:
        rows = []
        counter = free_ns = 0
        for place, event in enumerate(events):
            message = event.message
            if isinstance(message, wire.Started):
                counter = 0
            if isinstance(message, ReplyTo):
                kind, number = message.command.message.TYPE, self._counters[id(message.command)]
                message = wire.Reply(kind, number, message.result, message.at_us)
            raw = isinstance(message, bytes)
            data = message if raw else encode(message, counter)
            if direction == Direction.TO_DEVICE:
                self._counters[id(event)] = counter % 65536
            counter += not raw
            at_ns = event.at_ns
            if direction == Direction.TO_PC:
                free_ns = at_ns = max(at_ns, free_ns) + line_ns(len(data), self.baud)
                if self.drop(role, place, event.message):
                    continue
            rows.append((at_ns, int(direction), data))
        return rows


def judged(rule: Any, scenario: Scenario | None = None, **fields: Any) -> CheckResult:
    """The result of one check on a scenario, or on one with these fields."""
    scenario = scenario or Scenario(**fields)
    plan = plan_for(rule, link=scenario.plan.link, steps=scenario.plan.steps)
    return judge(plan, scenario.recording()).results[0]


def line_ns(count: int, baud: int = BAUD) -> int:
    """Time of bytes on the line, 8N1."""
    return count * 10 * S // baud


def as_reported(_: int, outputs: tuple[int, ...]) -> tuple[int, ...]:
    """What healthy pins get."""
    return outputs


def every(first: int, step: int) -> Callable[[Packet], bool]:
    """Say yes to every `step`-th packet from `first` on."""
    return lambda packet: packet.index >= first and (packet.index - first) % step == 0


def drop_every(role: Role, step: int, kind: type | None = None) -> Callable[[Role, int, Any], bool]:
    """Drop every `step`-th frame of a port, of one kind of message only if given; never the first fifty."""

    def drop(of: Role, place: int, message: Any) -> bool:
        return of == role and place > 50 and place % step == 0 and (kind is None or isinstance(message, kind))

    return drop

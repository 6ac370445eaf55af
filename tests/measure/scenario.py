"""An imaginary link whose truth is known exactly, written down frame by frame as a recording.

Times are true host ns. Every device stamps with its own clock; each frame takes its byte times on the line.
Change a field or pass a function to make the link do something; `recording()` writes it all down.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from harness.bench.protocol import Role
from harness.clock import MS, US, S
from harness.codec import encode
from harness.codec import messages as wire
from harness.plan import model as p
from harness.recording.model import Direction, Header, Mark, PortPackets, Recording

TX, RX = Role.TRANSMITTER, Role.RECEIVER
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
class Packet:
    """What the imaginary link is asked about: the packet's place in the run, number, sampling time, sticks."""

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


def _never(_: Any) -> bool:
    return False


@dataclass
class Scenario:
    """An imaginary run of `seconds`, packets every `period_ns` from 0.5 s before the first step.

    `lost`, `latency_ns`, `shown` and `copies` are asked about every packet. `drop` is asked about every frame that a
    device sends (role, place in its stream, message). `events` takes further frames, `clocks` each device's clock.
    """

    plan: p.Plan = field(default_factory=plan_for)
    seconds: float = 4.0
    period_ns: int = 20 * MS
    first_number: int = 0
    clocks: Mapping[Role, DeviceClock] = field(default_factory=lambda: {TX: DeviceClock(), RX: DeviceClock()})
    lost: Callable[[Packet], bool] = _never
    latency_ns: Callable[[Packet], int] = lambda _: 2 * MS
    shown: Callable[[Packet, tuple[int, ...]], tuple[int, ...]] = lambda _, outputs: outputs
    copies: Callable[[Packet], int] = lambda _: 1
    telemetry: Callable[[Packet], bytes | None] = lambda _: None
    sticks: Callable[[int], tuple[int, ...]] = lambda place: (
        1000 + place * 7 % 1001, 1000 + place * 13 % 1001, 1000 + place * 29 % 1001, 1000 + place * 37 % 1001,
    )  # fmt: skip
    silences: Sequence[Silence] = ()
    silent: bool = True
    failsafe_ns: Callable[[int], int | None] = lambda _: 400 * MS
    failsafe_outputs: Callable[[tuple[int, ...]], tuple[int, ...]] = lambda held: (1000, 1500, 1500, held[3])
    drop: Callable[[Role, int, Any], bool] = lambda role, place, message: False
    pings: bool = True
    pong_after_ns: Callable[[int], int] = lambda _: 30 * US
    end_why: str | None = "complete"
    baud: int = BAUD
    events: list[Event] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)

    @property
    def end_ns(self) -> int:
        """The end of the last step."""
        return RUN_NS + int(self.seconds * S)

    def tell(self, role: Role, message: Any, at_ns: int) -> None:
        """Send a frame to a device."""
        self.events.append(Event(at_ns, role, Direction.TO_DEVICE, message))

    def say(self, role: Role, message: Any, at_ns: int) -> None:
        """Have a device send a frame, ready at `at_ns`."""
        self.events.append(Event(at_ns, role, Direction.TO_PC, message))

    def mark(self, at_ns: int, what: str, **fields: Any) -> None:
        """Set a mark."""
        self.marks.append(Mark(at_ns, what, fields))

    def stamp(self, role: Role, at_ns: int) -> int:
        """A device's clock reading."""
        return self.clocks[role].stamp(at_ns)

    def recording(self, *, complete: bool = True) -> Recording:
        """Write the run down."""
        self._set_up()
        self._packets()
        return self._written(complete)

    def _set_up(self) -> None:
        for role, number in ((TX, 1), (RX, 2)):
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
            self.tell(TX, wire.Silence(cut.delay_ns // US, cut.for_ns // US), cut.at_ns)
        if self.end_why:
            self.mark(self.end_ns + 600 * MS, "end", why=self.end_why, detail="", role="", port="")

    def _ping(self) -> None:
        times = [START_NS + 50 * MS + 25 * MS * place for place in range(8)]
        times += [RUN_NS + place * S for place in range(int(self.seconds) + 1)]
        times += [self.end_ns + 320 * MS + 25 * MS * place for place in range(8)]
        for role, shift in ((TX, 0), (RX, 300 * MS)):
            for nonce, base in enumerate(times, start=1):
                at_ns = base + (shift if RUN_NS <= base < self.end_ns else 0)
                self.tell(role, wire.Ping(nonce), at_ns)
                answered = at_ns + line_ns(11, self.baud) + self.pong_after_ns(nonce)
                self.say(role, wire.Pong(nonce, self.stamp(role, answered)), answered)

    def _packets(self) -> None:
        applied: list[tuple[int, tuple[int, ...]]] = []
        at_ns = START_NS + 500 * MS
        index = number = 0
        while at_ns <= self.end_ns + 400 * MS:
            if not (self.silent and any(cut.start_ns <= at_ns < cut.end_ns for cut in self.silences)):
                sticks = self.sticks(index)
                packet = Packet(index, (self.first_number + number) % 65536, at_ns, sticks)
                applied.extend(self._packet(packet))
                number += 1
            index += 1
            at_ns += self.period_ns
        self._failsafes(applied)

    def _packet(self, packet: Packet) -> list[tuple[int, tuple[int, ...]]]:
        set_number = 1 + packet.index % 60_000
        self.tell(TX, wire.Sticks(set_number, packet.sticks), packet.at_ns - 12 * MS)
        lost, latency = self.lost(packet), self.latency_ns(packet)
        done = packet.at_ns + 3 * MS
        stamp = self.stamp(TX, packet.at_ns)
        took = (self.stamp(TX, done) - stamp) % 2**32
        self.say(TX, wire.Sent(packet.number, set_number, stamp, took, 1, 0 if lost else 1), done)
        if lost:
            return []
        payload = self.telemetry(packet)
        if payload is not None:
            self.say(TX, wire.Telemetry(packet.number, self.stamp(TX, done), payload), done)
        outputs = tuple(
            channel.output_us(us) for channel, us in zip(self.plan.link.channels, packet.sticks, strict=True)
        )
        outputs = self.shown(packet, outputs)
        times = [packet.at_ns + latency + copy * MS for copy in range(self.copies(packet))]
        for at_ns in times:
            self.say(RX, wire.Applied(packet.number, self.stamp(RX, at_ns), -60, outputs), at_ns)
        return [(at_ns, outputs) for at_ns in times]

    def _failsafes(self, applied: list[tuple[int, tuple[int, ...]]]) -> None:
        """Engage wherever no packet was applied for the failsafe time."""
        applied.sort()
        times = [at_ns for at_ns, _ in applied] + [self.end_ns + 10 * S]
        place = 0
        for (at_ns, outputs), after in zip(applied, times[1:], strict=True):
            due = self.failsafe_ns(place)
            if due is not None and after - at_ns > due and at_ns + due < self.end_ns + 500 * MS:
                place += 1
                self.change(wire.OutputReason.FAILSAFE, self.failsafe_outputs(outputs), at_ns + due)

    def change(self, reason: int, outputs: tuple[int, ...], at_ns: int) -> None:
        """Have the receiver change its outputs without a packet."""
        self.say(RX, wire.OutputChange(self.stamp(RX, at_ns), reason, outputs), at_ns)

    def _written(self, complete: bool) -> Recording:
        ports = {role: self._port(role) for role in Role}
        header = Header(
            plan_name=self.plan.name, plan_text="", rig_name="imaginary", rig_text="", seed=1, versions=(),
            clock="virtual", wall_seconds=0, hardware=False, baud={TX: self.baud, RX: self.baud}, facts={},
        )  # fmt: skip
        marks = tuple(sorted(self.marks, key=lambda mark: mark.at_ns))
        return Recording(header, ports, marks, complete, () if complete else ("cut short at byte 1234",))

    def _port(self, role: Role) -> PortPackets:
        rows: list[tuple[int, int, bytes]] = []
        for direction in Direction:
            events = [event for event in self.events if event.role == role and event.direction == direction]
            rows.extend(self._stream(role, direction, sorted(events, key=lambda event: event.at_ns)))
        rows.sort(key=lambda row: row[0])
        return PortPackets([row[0] for row in rows], [row[1] for row in rows], [row[2] for row in rows])

    def _stream(self, role: Role, direction: Direction, events: list[Event]) -> list[tuple[int, int, bytes]]:
        rows = []
        counter = free_ns = 0
        for place, event in enumerate(events):
            if isinstance(event.message, wire.Started):
                counter = 0
            raw = isinstance(event.message, bytes)
            data = event.message if raw else encode(event.message, counter)
            counter += not raw
            at_ns = event.at_ns
            if direction == Direction.TO_PC:
                free_ns = at_ns = max(at_ns, free_ns) + line_ns(len(data), self.baud)
                if self.drop(role, place, event.message):
                    continue
            rows.append((at_ns, int(direction), data))
        return rows


def line_ns(count: int, baud: int = BAUD) -> int:
    """Time of bytes on the line, 8N1."""
    return count * 10 * S // baud


def every(first: int, step: int) -> Callable[[Packet], bool]:
    """Say yes to every `step`-th packet from `first` on."""
    return lambda packet: packet.index >= first and (packet.index - first) % step == 0


def drop_every(role: Role, step: int, kind: type | None = None) -> Callable[[Role, int, Any], bool]:
    """Drop every `step`-th frame of a port, of one kind of message only if given; never the first fifty."""

    def drop(of: Role, place: int, message: Any) -> bool:
        return of == role and place > 50 and place % step == 0 and (kind is None or isinstance(message, kind))

    return drop

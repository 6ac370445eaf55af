"""A test plan as plain frozen values: what was asked, with every quantity in one unit.

Times are ns, pulses us, rates mHz, shares exact fractions. Each field carries (`key`) how it is written in
YAML and one sentence about it; the reader, the error messages and the JSON Schema all come from that.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar, Literal

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS, US, S
from harness.plan.kinds import (
    Choice,
    Duration,
    Each,
    Frequency,
    Items,
    Name,
    Nested,
    Number,
    Pulse,
    PulseOr,
    PulseRange,
    Share,
    Text,
    Variants,
    Whole,
    key,
)

HOUR = 3600 * S
MAX_DURATION_NS = 24 * HOUR
MAX_STEPS = 10_000
"""Steps after `repeat` is unrolled."""


@dataclass(frozen=True, slots=True)
class Range:
    """A span of pulse widths in us, low end first."""

    low_us: int
    high_us: int


@dataclass(frozen=True, slots=True)
class Channel:
    """One control input and the output it must drive."""

    name: str
    range: Range = key(
        PulseRange(), "Shortest and longest pulse, such as 1000 us to 2000 us.", Range(1000, 2000)
    )
    centre_us: int | None = key(
        Pulse(), "Pulse with the stick at rest; the middle of the range if left out.", None, yaml="centre"
    )
    resolution_us: int = key(Pulse(1, 100), "Smallest step that must come through.", 1, yaml="resolution")
    direction: Literal["normal", "reversed"] = key(
        Choice("normal", "reversed"), "Whether the output follows the stick or mirrors it.", "normal"
    )
    role: Literal["control", "throttle"] = key(
        Choice("control", "throttle"), "A throttle rests at its low end and is capped on hardware.", "control"
    )
    failsafe: int | Literal["low", "centre", "high", "hold"] = key(
        PulseOr("low", "centre", "high", "hold"),
        "What the output must become after link loss: a pulse, an end, the centre, or hold the last value.",
    )

    @property
    def rest_us(self) -> int:
        """Pulse with the stick let go: a throttle closed, any other channel centred."""
        return self.range.low_us if self.role == "throttle" else self.middle_us

    @property
    def middle_us(self) -> int:
        """The declared centre, or the middle of the range."""
        if self.centre_us is not None:
            return self.centre_us
        return (self.range.low_us + self.range.high_us) // 2

    @property
    def failsafe_us(self) -> int | None:
        """Pulse demanded in failsafe; None means the last value is held."""
        named = {"low": self.range.low_us, "centre": self.middle_us, "high": self.range.high_us, "hold": None}
        return named[self.failsafe] if isinstance(self.failsafe, str) else self.failsafe

    def output_us(self, stick_us: int) -> int:
        """Pulse that the output must show for this stick pulse."""
        if self.direction == "normal":
            return stick_us
        return self.range.low_us + self.range.high_us - stick_us


@dataclass(frozen=True, slots=True)
class Failsafe:
    """When failsafe must begin and end."""

    within_ns: int = key(
        Duration(MS, 10 * S),
        "Outputs must be in failsafe this long after the last applied packet.",
        yaml="within",
    )
    not_before_ns: int | None = key(
        Duration(0, 10 * S),
        "Failsafe sooner than this after the last packet is a false failsafe; half of `within` if left out.",
        None,
        yaml="not_before",
    )
    recover_within_ns: int = key(
        Duration(MS, 10 * S),
        "Outputs must follow the sticks again this long after the transmitter sends its first packet.",
        S,
        yaml="recover_within",
    )

    @property
    def earliest_ns(self) -> int:
        """Time after the last applied packet before which failsafe is a false one."""
        return self.within_ns // 2 if self.not_before_ns is None else self.not_before_ns


FieldType = Literal["u8", "i8", "u16", "i16", "u32", "i32", "f32"]
FIELD_BYTES: dict[str, int] = {"u8": 1, "i8": 1, "u16": 2, "i16": 2, "u32": 4, "i32": 4, "f32": 4}


@dataclass(frozen=True, slots=True)
class TelemetryField:
    """One field of the acknowledgement payload, in the order in which the fields stand."""

    name: str
    type: FieldType = key(
        Choice(*FIELD_BYTES), "Width and sign: u8 i8 u16 i16 u32 i32, or f32 for IEEE 754 single."
    )
    byte_order: Literal["little", "big"] = key(Choice("little", "big"), "Which byte comes first.", "little")
    scale: Fraction = key(Number(zero=False), "Raw value times scale is the value in `unit`.", Fraction(1))
    unit: str = key(Text(16), "Unit of the scaled value, such as V or degC.", "")
    source: Literal["injected", "device"] = key(
        Choice("injected", "device"),
        "Whether the harness may inject this field through the receiver, or only looks at it.",
        "injected",
    )


@dataclass(frozen=True, slots=True)
class Link:
    """What the maker declares about the link under test."""

    packet_rate_mhz: int = key(
        Frequency(1_000, 1_000_000), "Control packets a second, such as 50 Hz.", yaml="packet_rate"
    )
    lost_after_ns: int = key(
        Duration(MS, 10 * S), "A packet applied later than this counts as lost.", 100 * MS, yaml="lost_after"
    )
    channels: tuple[Channel, ...] = key(
        Each(Channel, at_most=16), "The channels by name, in the order in which the devices number them."
    )
    failsafe: Failsafe = key(Nested(Failsafe), "When failsafe must begin and end.")
    telemetry: tuple[TelemetryField, ...] = key(
        Each(TelemetryField, at_most=16), "The acknowledgement payload's fields by name, in order.", ()
    )

    @property
    def packet_period_ns(self) -> int:
        """Time from one packet to the next, in ns, rounded."""
        return (10**12 + self.packet_rate_mhz // 2) // self.packet_rate_mhz

    @property
    def rest_us(self) -> tuple[int, ...]:
        """Every stick let go."""
        return tuple(channel.rest_us for channel in self.channels)

    def channel_index(self, name: str) -> int:
        """Return the place of the channel called `name`; raises KeyError."""
        for index, channel in enumerate(self.channels):
            if channel.name == name:
                return index
        raise KeyError(name)


ALL: tuple[str, ...] = ()
"""An empty channel list means every channel."""


@dataclass(frozen=True, slots=True)
class Settle:
    """Let go of every stick and wait."""

    WORD: ClassVar[str] = "settle"
    SHORT: ClassVar[str] = "for"
    for_ns: int = key(Duration(0, HOUR), "How long.", S, yaml="for")


@dataclass(frozen=True, slots=True)
class Hold:
    """Put sticks at given pulses and keep them there."""

    WORD: ClassVar[str] = "hold"
    for_ns: int = key(Duration(0, HOUR), "How long.", yaml="for")
    sticks: tuple[tuple[str, int], ...] = key(
        Items(Name("channel"), Pulse()), "Pulse by channel; the others stay where they are.", ()
    )


@dataclass(frozen=True, slots=True)
class Step:
    """Jump one stick between two pulses."""

    WORD: ClassVar[str] = "step"
    channel: str = key(Name("channel"), "The channel that jumps.")
    from_us: int | None = key(Pulse(), "First pulse; the low end if left out.", None, yaml="from")
    to_us: int | None = key(Pulse(), "Second pulse; the high end if left out.", None, yaml="to")
    dwell_ns: int = key(Duration(MS, HOUR), "Time at each pulse.", S, yaml="dwell")
    times: int = key(Whole(1, 10_000), "Number of jumps from the first pulse to the second.", 1)


@dataclass(frozen=True, slots=True)
class Ramp:
    """Move one stick evenly from one pulse to another."""

    WORD: ClassVar[str] = "ramp"
    channel: str = key(Name("channel"), "The channel that moves.")
    from_us: int | None = key(Pulse(), "First pulse; the low end if left out.", None, yaml="from")
    to_us: int | None = key(Pulse(), "Last pulse; the high end if left out.", None, yaml="to")
    over_ns: int = key(Duration(MS, HOUR), "How long the way takes.", yaml="over")


@dataclass(frozen=True, slots=True)
class Sweep:
    """Move sticks over a span again and again."""

    WORD: ClassVar[str] = "sweep"
    channels: tuple[str, ...] = key(
        Items(Name("channel"), all_word="all"),
        "The channels, moved one after the other; `all` for every one.",
        ALL,
    )
    shape: Literal["triangle", "sine", "staircase"] = key(
        Choice("triangle", "sine", "staircase"),
        "triangle and sine take `period`; staircase goes up through every value of the resolution.",
        "triangle",
    )
    from_us: int | None = key(Pulse(), "Low turning point; the low end if left out.", None, yaml="from")
    to_us: int | None = key(Pulse(), "High turning point; the high end if left out.", None, yaml="to")
    period_ns: int = key(Duration(10 * MS, HOUR), "Time for once there and back.", 4 * S, yaml="period")
    cycles: int = key(Whole(1, 10_000), "How many times there and back.", 1)
    dwell_ns: int | None = key(
        Duration(MS, S), "Time on each stair; two packet periods if left out.", None, yaml="dwell"
    )


@dataclass(frozen=True, slots=True)
class Corners:
    """Put every channel at both ends so that every pair of channels meets in all four ways."""

    WORD: ClassVar[str] = "corners"
    dwell_ns: int = key(Duration(MS, HOUR), "Time in each corner.", 500 * MS, yaml="dwell")


@dataclass(frozen=True, slots=True)
class Wander:
    """Move every stick by a random walk drawn from the run's seed."""

    WORD: ClassVar[str] = "wander"
    for_ns: int = key(Duration(MS, HOUR), "How long.", yaml="for")
    stride_us: int = key(Pulse(1, 1000), "Largest move at a time.", 40, yaml="stride")
    every_ns: int | None = key(
        Duration(MS, 10 * S), "Time between moves; one packet period if left out.", None, yaml="every"
    )


@dataclass(frozen=True, slots=True)
class Burst:
    """Have the transmitter send extra packets."""

    WORD: ClassVar[str] = "burst"
    count: int = key(Whole(1, 10_000), "Packets in a burst.")
    spacing_ns: int = key(
        Duration(0, S, multiple_ns=US), "Time from one to the next; 0 ms is back to back.", yaml="spacing"
    )
    times: int = key(Whole(1, 1_000), "How many bursts.", 1)
    pause_ns: int = key(Duration(0, HOUR), "Rest after each burst.", S, yaml="pause")


@dataclass(frozen=True, slots=True)
class Cut:
    """Silence the transmitter, with the sticks off their rest before it and moved during it."""

    WORD: ClassVar[str] = "cut"
    duration_ns: int = key(
        Duration(MS, 60 * S, multiple_ns=US), "How long the transmitter is silent.", yaml="duration"
    )
    times: int = key(Whole(1, 10_000), "How many cuts.", 1)
    phase: int | Literal["random"] = key(
        Duration(0, S, word="random", multiple_ns=US),
        "Delay of the cut after the command; `random` draws it from one packet period.",
        "random",
    )
    before_ns: int = key(Duration(0, HOUR), "Time linked before each cut.", 500 * MS, yaml="before")
    after_ns: int = key(Duration(0, HOUR), "Time linked after each cut.", 500 * MS, yaml="after")


@dataclass(frozen=True, slots=True)
class Wait:
    """Wait for something to happen."""

    WORD: ClassVar[str] = "wait"
    SHORT: ClassVar[str] = "until"
    until: Literal["linked", "failsafe", "packets"] = key(
        Choice("linked", "failsafe", "packets"), "What to wait for."
    )
    packets: int = key(Whole(1, 10_000_000), "How many applied packets, with `until: packets`.", 1)
    deadline_ns: int = key(
        Duration(MS, HOUR), "Give up after this long; the run then ends early.", 10 * S, yaml="deadline"
    )


@dataclass(frozen=True, slots=True)
class Restart:
    """Restart a device and give it time to come back."""

    WORD: ClassVar[str] = "restart"
    SHORT: ClassVar[str] = "device"
    device: Role = key(Choice(*DEVICES), "Which device.")
    times: int = key(Whole(1, 1_000), "How many restarts.", 1)
    before_ns: int = key(Duration(0, HOUR), "Time linked before each restart.", 500 * MS, yaml="before")
    after_ns: int = key(Duration(0, HOUR), "Time to come back after each.", 2 * S, yaml="after")


@dataclass(frozen=True, slots=True)
class Inject:
    """Have the receiver report chosen telemetry values: each field's ends, zero, odd bytes, random ones."""

    WORD: ClassVar[str] = "inject"
    times: int = key(Whole(1, 10_000), "How many sets of values.")
    every_ns: int = key(Duration(10 * MS, HOUR), "Time between sets.", 250 * MS, yaml="every")


@dataclass(frozen=True, slots=True)
class Repeat:
    """Carry out steps several times."""

    WORD: ClassVar[str] = "repeat"
    times: int = key(Whole(1, 10_000), "How many times.")
    steps: tuple[PlanStep, ...] = key(Variants("step"), "The steps to repeat.")


StepAction = (
    Settle | Hold | Step | Ramp | Sweep | Corners | Wander | Burst | Cut | Wait | Restart | Inject | Repeat
)
STEP_KINDS: tuple[type, ...] = (
    Settle, Hold, Step, Ramp, Sweep, Corners, Wander, Burst, Cut, Wait, Restart, Inject, Repeat,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One entry under `steps`: what to do, the name that checks may refer to, and where it stands."""

    action: StepAction
    name: str
    path: str


_CONFIDENCE = (Share(Fraction(1, 2), Fraction(9999, 10000)), "Confidence of the interval.", Fraction(95, 100))
_SHOWABLE = Share(Fraction(1, 100), Fraction(99_999, 100_000))
"""No finite number of packets or cuts shows 100 %."""
_DURING = (Items(Name("step")), "Names of the steps to look at; the whole run if left out.", ALL)


@dataclass(frozen=True, slots=True)
class Delivery:
    """Share of sent packets that were applied in time."""

    WORD: ClassVar[str] = "delivery"
    at_least: Fraction = key(_SHOWABLE, "Smallest share, such as 99 %; no finite test can show 100 %.")
    confidence: Fraction = key(*_CONFIDENCE)
    during: tuple[str, ...] = key(*_DURING)


@dataclass(frozen=True, slots=True)
class PacketRate:
    """Packets sent a second while the transmitter was not silenced."""

    WORD: ClassVar[str] = "packet_rate"
    at_least_mhz: int = key(Frequency(1, 10_000_000), "Smallest rate, such as 49 Hz.", yaml="at_least")


@dataclass(frozen=True, slots=True)
class Latency:
    """Time from sampling the sticks to applying them; a lost packet counts as infinitely late."""

    WORD: ClassVar[str] = "latency"
    percentile: Fraction = key(
        Share(Fraction(1, 100), Fraction(9999, 10000)), "Which percentile, such as 95 %."
    )
    at_most_ns: int = key(Duration(1000, 10 * S), "Largest time.", yaml="at_most")
    confidence: Fraction = key(*_CONFIDENCE)
    during: tuple[str, ...] = key(*_DURING)


@dataclass(frozen=True, slots=True)
class ControlGap:
    """Longest time between two applied packets, cuts and restarts apart."""

    WORD: ClassVar[str] = "control_gap"
    at_most_ns: int = key(Duration(MS, 10 * S), "Longest gap.", yaml="at_most")
    during: tuple[str, ...] = key(*_DURING)


@dataclass(frozen=True, slots=True)
class Duplicates:
    """Packets applied more than once."""

    WORD: ClassVar[str] = "duplicates"
    at_most: int = key(Whole(0, 1_000_000), "Largest number.", 0)


@dataclass(frozen=True, slots=True)
class FailsafeEntry:
    """Time from the last applied packet to failsafe outputs, over all cuts."""

    WORD: ClassVar[str] = "failsafe_entry"
    within_ns: int | None = key(
        Duration(MS, 10 * S), "Longest time; the link's declared time if left out.", None, yaml="within"
    )
    share: Fraction = key(
        _SHOWABLE, "Share of all future cuts that must be shown to be in time.", Fraction(95, 100)
    )
    confidence: Fraction = key(*_CONFIDENCE)


@dataclass(frozen=True, slots=True)
class FailsafeOutputs:
    """Every channel's output during failsafe against its declared value."""

    WORD: ClassVar[str] = "failsafe_outputs"
    tolerance_us: int = key(Pulse(0, 500), "Largest deviation.", 0, yaml="tolerance")


@dataclass(frozen=True, slots=True)
class FailsafeExit:
    """Return of control after a cut: in time, and with no value from before the cut."""

    WORD: ClassVar[str] = "failsafe_exit"
    within_ns: int | None = key(
        Duration(MS, 10 * S), "Longest time; the link's declared time if left out.", None, yaml="within"
    )


@dataclass(frozen=True, slots=True)
class NoFalseFailsafe:
    """No failsafe while packets arrive: none sooner than declared after the last one, in a cut or not."""

    WORD: ClassVar[str] = "no_false_failsafe"


@dataclass(frozen=True, slots=True)
class Fidelity:
    """Each applied packet's outputs equal the sticks it was sent with."""

    WORD: ClassVar[str] = "fidelity"
    tolerance_us: int = key(Pulse(0, 500), "Largest deviation.", 0, yaml="tolerance")
    during: tuple[str, ...] = key(*_DURING)


@dataclass(frozen=True, slots=True)
class NoGlitch:
    """No output change that neither a sent packet nor failsafe nor start-up explains."""

    WORD: ClassVar[str] = "no_glitch"


@dataclass(frozen=True, slots=True)
class TelemetryValue:
    """Every injected telemetry field arrives with its value."""

    WORD: ClassVar[str] = "telemetry_value"


@dataclass(frozen=True, slots=True)
class TelemetryAge:
    """Age of telemetry when the transmitter has it, in packets and in time."""

    WORD: ClassVar[str] = "telemetry_age"
    at_most_packets: int = key(
        Whole(0, 1000), "Oldest, in packets; a preloaded acknowledgement payload is 1 old by design.", 1
    )
    at_most_ns: int = key(Duration(MS, 60 * S), "Oldest, in time.", yaml="at_most")


@dataclass(frozen=True, slots=True)
class BenchHealth:
    """No serial line lost messages, no port vanished, every clock could be mapped."""

    WORD: ClassVar[str] = "bench"
    lost_at_most: Fraction = key(Share(), "Largest share of serial messages lost on any port.", Fraction(0))


@dataclass(frozen=True, slots=True)
class Pins:
    """The receiver's pins do what it reports; a witness measures them."""

    WORD: ClassVar[str] = "pins"
    within_us: int = key(
        Pulse(0, 500), "Largest difference of a pulse from what was reported.", 4, yaml="within"
    )
    after_ns: int = key(
        Duration(0, S),
        "Time after a change for which pulses may still show the old value; one 20 ms servo frame and its "
        "pulses if left out.",
        25 * MS,
        yaml="after",
    )
    witness: Literal["required", "if present"] = key(
        Choice("required", "if present"),
        "Whether a bench without a witness is refused, or the check is then not judged.",
        "required",
    )


Check = (
    Delivery | PacketRate | Latency | ControlGap | Duplicates | FailsafeEntry | FailsafeOutputs | FailsafeExit
    | NoFalseFailsafe | Fidelity | NoGlitch | TelemetryValue | TelemetryAge | Pins | BenchHealth
)  # fmt: skip
CHECK_KINDS: tuple[type, ...] = (
    Delivery, PacketRate, Latency, ControlGap, Duplicates, FailsafeEntry, FailsafeOutputs, FailsafeExit,
    NoFalseFailsafe, Fidelity, NoGlitch, TelemetryValue, TelemetryAge, Pins, BenchHealth,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class PlanCheck:
    """One entry under `checks`: its rule, its name in reports, and where it stands."""

    rule: Check
    name: str
    path: str


@dataclass(frozen=True, slots=True)
class Safety:
    """What the plan asks for beyond the cautious defaults on hardware."""

    throttle_up_to: Fraction = key(
        Share(), "On hardware, throttle sticks go no higher than this share of their travel.", Fraction(1, 4)
    )


@dataclass(frozen=True, slots=True)
class Plan:
    """A whole test plan. `name` is the file's stem, `text` the file as read."""

    name: str
    text: str
    format: int = key(Whole(1, 1), "Version of this plan format: 1.", yaml="propsoff")
    title: str = key(Text(120, least=1), "One line: what this plan shows.")
    about: str = key(Text(4000, lines=True), "Why, and how to read the result.", "")
    safety: Safety = key(Nested(Safety), "What the plan asks for beyond the cautious defaults.", Safety())
    link: Link = key(Nested(Link), "What the maker declares about the link under test.")
    steps: tuple[PlanStep, ...] = key(Variants("step"), "What to do, in order.")
    checks: tuple[PlanCheck, ...] = key(Variants("check"), "What to judge.")

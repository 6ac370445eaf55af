"""Everything that a plan can do: one frozen value for each kind of step, keys declared as in the model."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar, Literal

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS, US, S
from harness.plan.kinds import (
    Choice,
    Decibel,
    Distance,
    Duration,
    Flag,
    Frequency,
    Items,
    Name,
    Pulse,
    Share,
    Variants,
    Whole,
    key,
)

HOUR = 3600 * S
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
    together: bool = key(
        Flag(),
        "Move all these channels at once, each from another place of its span, so that no two go in step.",
        False,
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


CutByCommand = Literal["silence", "corrupted", "foreign", "repeated", "deaf"]
CutBy = Literal["silence", "corrupted", "foreign", "repeated", "deaf", "power", "path"]
CUT_WAYS: tuple[CutByCommand, ...] = ("silence", "corrupted", "foreign", "repeated", "deaf")
"""Ways that the devices' own firmware makes on command."""
OUTSIDE_WAYS: tuple[CutBy, ...] = ("power", "path")
"""Ways that need something beside the devices: the rig says what."""
_ABILITY = (
    Choice("required", "if present"),
    "Whether firmware that cannot do this is refused, or the step is then left out and named as not shown.",
    "required",
)


@dataclass(frozen=True, slots=True)
class Cut:
    """Cut the link, with the sticks off their rest before it and moved during it."""

    WORD: ClassVar[str] = "cut"
    duration_ns: int = key(Duration(MS, 60 * S, multiple_ns=US), "How long the link is cut.", yaml="duration")
    times: int = key(Whole(1, 10_000), "How many cuts.", 1)
    by: CutBy = key(
        Choice(*CUT_WAYS, *OUTSIDE_WAYS),
        "silence: the transmitter sends nothing. corrupted, foreign, repeated: it sends only packets whose "
        "check is wrong, packets of another transmitter, its last packet again and again. deaf: the "
        "receiver's module acknowledges and its firmware gets nothing. power, path: the transmitter's "
        "power is taken away, or the antenna path is opened, by whatever the rig has for it.",
        "silence",
    )
    sticks: Literal["drawn", "ends", "high"] = key(
        Choice("drawn", "ends", "high"),
        "Where the sticks stand before each cut. drawn: off their failsafe values; ends: at the ends of "
        "their travel, so that over the cuts every two channels meet in all four ways; high: all at the "
        "high end. They are elsewhere after it.",
        "drawn",
    )
    burst: int = key(
        Whole(0, 1_000),
        "Extra packets, back to back, that are under way when the cut begins; of 8 or more some surely are.",
        0,
    )
    phase: int | Literal["random"] = key(
        Duration(0, S, word="random", multiple_ns=US),
        "Delay of the cut after the command; `random` draws it from one packet period.",
        "random",
    )
    before_ns: int = key(Duration(0, HOUR), "Time linked before each cut.", 500 * MS, yaml="before")
    after_ns: int = key(Duration(0, HOUR), "Time linked after each cut.", 500 * MS, yaml="after")
    packet_rate_mhz: int | None = key(
        Frequency(1_000, 1_000_000),
        "Packets a second during these cuts, to tell a failsafe timer from a count of packets; the link's "
        "own rate if left out. Packet rate, control gap and failsafe entry are not judged there.",
        None,
        yaml="packet_rate",
    )
    ability: Literal["required", "if present"] = key(*_ABILITY)

    def period_ns(self, link_period_ns: int) -> int:
        """Time from one packet to the next during these cuts, in ns."""
        return 10**12 // self.packet_rate_mhz if self.packet_rate_mhz else link_period_ns


@dataclass(frozen=True, slots=True)
class Fade:
    """Let packets get rarer until none comes, and come back the same way: a flight out of range and back.

    Between single packets the transmitter is silent for 1, 2, 3 ... packet periods over `over`, then for
    `duration`, then the other way round.
    """

    WORD: ClassVar[str] = "fade"
    over_ns: int = key(
        Duration(100 * MS, 60 * S, multiple_ns=US),
        "Most time for the link to get worse, and to get better again.",
        yaml="over",
    )
    duration_ns: int = key(
        Duration(MS, 60 * S, multiple_ns=US), "How long nothing at all comes through.", yaml="duration"
    )
    times: int = key(Whole(1, 1_000), "How many fades.", 1)
    before_ns: int = key(Duration(0, HOUR), "Time linked before each fade.", 500 * MS, yaml="before")
    after_ns: int = key(Duration(0, HOUR), "Time linked after each fade.", 500 * MS, yaml="after")


@dataclass(frozen=True, slots=True)
class Mute:
    """Have the receiver acknowledge nothing: packets arrive, and the transmitter does not learn of it."""

    WORD: ClassVar[str] = "mute"
    SHORT: ClassVar[str] = "for"
    for_ns: int = key(Duration(MS, 60 * S, multiple_ns=US), "How long.", yaml="for")
    times: int = key(Whole(1, 1_000), "How many times.", 1)
    pause_ns: int = key(Duration(0, HOUR), "Time linked after each.", 500 * MS, yaml="pause")
    ability: Literal["required", "if present"] = key(*_ABILITY)


@dataclass(frozen=True, slots=True)
class Interfere:
    """Have packets of another transmitter come between the link's own, which go on."""

    WORD: ClassVar[str] = "interfere"
    SHORT: ClassVar[str] = "for"
    for_ns: int = key(Duration(MS, 60 * S, multiple_ns=US), "How long.", yaml="for")
    times: int = key(Whole(1, 1_000), "How many times.", 1)
    pause_ns: int = key(Duration(0, HOUR), "Time without them after each.", 500 * MS, yaml="pause")
    ability: Literal["required", "if present"] = key(*_ABILITY)


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
    by: Literal["command", "power"] = key(
        Choice("command", "power"),
        "command: the firmware restarts itself. power: its power is taken away and given back, by whatever "
        "the rig has for it.",
        "command",
    )
    unpowered_ns: int = key(
        Duration(10 * MS, 60 * S, multiple_ns=US),
        "With `by: power`, how long the device stays without.",
        S,
        yaml="unpowered",
    )
    times: int = key(Whole(1, 1_000), "How many restarts.", 1)
    before_ns: int = key(Duration(0, HOUR), "Time linked before each restart.", 500 * MS, yaml="before")
    after_ns: int = key(
        Duration(0, HOUR),
        "Time to come back after each; `0 s` in front of a `wait: linked`.",
        2 * S,
        yaml="after",
    )
    silent_ns: int = key(
        Duration(0, 60 * S, multiple_ns=US),
        "Cut the link around each restart of the receiver: failsafe is in before it, and this long goes by "
        "after it without a packet.",
        0,
        yaml="silent",
    )
    clock_wraps_in_ns: int | None = key(
        Duration(US, 4_294 * S, multiple_ns=US),
        "Start the device's clock of 32-bit microseconds this long before it wraps.",
        None,
        yaml="clock_wraps_in",
    )
    packets_wrap_in: int | None = key(
        Whole(1, 65_535), "Start a transmitter's packet numbers this many before 65 536.", None
    )
    ability: Literal["required", "if present"] = key(*_ABILITY)


@dataclass(frozen=True, slots=True)
class Inject:
    """Have the receiver report chosen telemetry values: each field's ends, zero, odd bytes, random ones."""

    WORD: ClassVar[str] = "inject"
    times: int = key(Whole(1, 10_000), "How many sets of values.")
    every_ns: int = key(Duration(10 * MS, HOUR), "Time between sets.", 250 * MS, yaml="every")


@dataclass(frozen=True, slots=True)
class OwnSticks:
    """Let the transmitter use its own inputs: every stick let go, the throttle's own stick at its low end.

    No cap holds the throttle here. The run ends at once if a throttle output goes above what
    `safety.throttle_up_to` allows, on any bench.
    """

    WORD: ClassVar[str] = "own_sticks"
    SHORT: ClassVar[str] = "for"
    for_ns: int = key(Duration(100 * MS, HOUR), "How long; 10 s tell noise and hum well.", 10 * S, yaml="for")


_METHOD = "practical for short trials; the standard's name for its own trial lengths, waits and repetitions."


@dataclass(frozen=True, slots=True)
class FindThroughput:
    """Search the highest packet rate at which no packet is lost; the sticks stay where they are."""

    WORD: ClassVar[str] = "throughput"
    from_mhz: int | None = key(
        Frequency(1_000, 1_000_000), "Lowest rate; the link's packet rate if left out.", None, yaml="from"
    )
    to_mhz: int = key(
        Frequency(1_000, 1_000_000),
        "Highest rate; the search goes no higher than the serial lines can report either.",
        yaml="to",
    )
    resolution_mhz: int = key(
        Frequency(100, 100_000), "Smallest difference between two rates tried.", 5_000, yaml="resolution"
    )
    trial_ns: int = key(
        Duration(200 * MS, 60 * S), "Length of a trial while searching; the last one is longer.", 2 * S,
        yaml="trial",
    )  # fmt: skip
    loss: Fraction = key(
        Share(Fraction(0), Fraction(1, 10)), "Share of packets that a trial may lose and still be good.",
        Fraction(0),
    )  # fmt: skip
    method: Literal["practical", "RFC 2544"] = key(Choice("practical", "RFC 2544"), _METHOD, "practical")


@dataclass(frozen=True, slots=True)
class FindBackToBack:
    """Search the longest burst at zero spacing of which no packet is lost, several times."""

    WORD: ClassVar[str] = "back_to_back"
    up_to: int = key(
        Whole(2, 60_000), "Longest burst; the search also stops at what the serial lines can report.", 64
    )
    repeats: int | None = key(Whole(1, 1_000), "How often to search; 10 if left out, 50 with RFC 9004.", None)
    method: Literal["practical", "RFC 9004"] = key(Choice("practical", "RFC 9004"), _METHOD, "practical")


@dataclass(frozen=True, slots=True)
class Overload:
    """Send faster than the link can carry for a while, then at half that rate."""

    WORD: ClassVar[str] = "overload"
    rate_mhz: int | None = key(
        Frequency(1_000, 1_000_000), "The rate; a share of the throughput found before if left out.", None,
        yaml="rate",
    )  # fmt: skip
    share: Fraction = key(
        Share(Fraction(1), Fraction(3)), "The rate as a share of the throughput found before.",
        Fraction(110, 100), yaml="of_throughput",
    )  # fmt: skip
    for_ns: int | None = key(
        Duration(100 * MS, 600 * S), "How long; 2 s if left out, 60 s with RFC 2544.", None, yaml="for"
    )
    after_ns: int = key(Duration(100 * MS, 600 * S), "Time at half the rate, watched.", 3 * S, yaml="after")
    times: int = key(Whole(1, 100), "How many overloads.", 1)
    method: Literal["practical", "RFC 2544"] = key(Choice("practical", "RFC 2544"), _METHOD, "practical")


LimitStep = FindThroughput | FindBackToBack | Overload
LIMIT_STEPS: tuple[type, ...] = (FindThroughput, FindBackToBack, Overload)
"""Steps that push the link until it loses packets: checks look at them only where that is their business."""


BY_UNIT = {"power": "dBm", "hand": "dB"}
_LEVEL = Decibel(-1_000, 1_500, ("dBm", "dB"))


@dataclass(frozen=True, slots=True)
class Margin:
    """Weaken the link step by step, every stick at rest, until packets get lost."""

    WORD: ClassVar[str] = "margin"
    by: Literal["power", "hand"] = key(
        Choice("power", "hand"),
        "Who weakens it: the transmitter lowers its power, or somebody turns an attenuator when asked.",
    )
    from_x10: int = key(_LEVEL, "First transmit power in dBm, or first attenuation in dB.", yaml="from")
    to_x10: int = key(_LEVEL, "Last transmit power in dBm, or last attenuation in dB.", yaml="to")
    step_x10: int = key(Decibel(1, 200), "From one level to the next.", 20, yaml="step")
    normal_x10: int | None = key(
        _LEVEL,
        "Level in normal use, from which the margin counts; `from` if left out. The power is put back to it.",
        None,
        yaml="normal",
    )
    packets: int = key(Whole(20, 100_000), "Packets at each level.", 200)
    until_under: Fraction = key(
        Share(Fraction(0), Fraction(99, 100)),
        "The step is over once a level gets fewer of its packets through than this.",
        Fraction(1, 2),
    )
    in_line_x10: int = key(
        Decibel(0, 1_500),
        "Fixed attenuator in the antenna line that is not there in normal use; it is added to the margin.",
        0,
        yaml="in_line",
    )
    distance_mm: int | None = key(
        Distance(10, 10**9),
        "How far the antennas are apart, to tell which range the margin would mean in free space.",
        None,
        yaml="distance",
    )
    patience_ns: int = key(
        Duration(S, HOUR), "By hand: how long to wait for each turn.", 600 * S, yaml="patience"
    )

    @property
    def unit(self) -> str:
        """Unit of the levels."""
        return BY_UNIT[self.by]

    @property
    def normal(self) -> int:
        """Level in normal use, in tenths."""
        return self.from_x10 if self.normal_x10 is None else self.normal_x10

    @property
    def levels_x10(self) -> tuple[int, ...]:
        """Every level in tenths, the strongest signal first."""
        if self.by == "power":
            return tuple(range(self.from_x10, self.to_x10 - 1, -self.step_x10))
        return tuple(range(self.from_x10, self.to_x10 + 1, self.step_x10))

    def above_normal_db(self, level_x10: int) -> float:
        """How much stronger than in normal use the signal is at a level, in dB; below zero for weaker."""
        weaker = level_x10 - self.normal if self.by == "hand" else self.normal - level_x10
        return -(weaker + self.in_line_x10) / 10


LOSING_STEPS: tuple[type, ...] = (*LIMIT_STEPS, Margin)
"""Steps that lose packets on purpose: a check of the whole run leaves them out."""


@dataclass(frozen=True, slots=True)
class Repeat:
    """Carry out steps several times."""

    WORD: ClassVar[str] = "repeat"
    times: int = key(Whole(1, 10_000), "How many times.")
    steps: tuple[PlanStep, ...] = key(Variants("step"), "The steps to repeat.")


StepAction = (
    Settle
    | Hold
    | Step
    | Ramp
    | Sweep
    | Corners
    | Wander
    | Burst
    | Cut
    | Fade
    | Mute
    | Interfere
    | Wait
    | Restart
    | Inject
    | OwnSticks
    | FindThroughput
    | FindBackToBack
    | Overload
    | Margin
    | Repeat
)
STEP_KINDS: tuple[type, ...] = (
    Settle,
    Hold,
    Step,
    Ramp,
    Sweep,
    Corners,
    Wander,
    Burst,
    Cut,
    Fade,
    Mute,
    Interfere,
    Wait,
    Restart,
    Inject,
    OwnSticks,
    FindThroughput,
    FindBackToBack,
    Overload,
    Margin,
    Repeat,
)


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One entry under `steps`: what to do, the name that checks may refer to, and where it stands."""

    action: StepAction
    name: str
    path: str


def is_outside(action: StepAction) -> bool:
    """Return whether a step cuts the link, or restarts a device, by something beside the devices."""
    return action.by in OUTSIDE_WAYS if isinstance(action, Cut | Restart) else False


def is_optional(action: StepAction) -> bool:
    """Return whether a step is left out where the firmware cannot do it."""
    return getattr(action, "ability", "") == "if present"


def every_step(steps: Iterable[PlanStep]) -> Iterator[PlanStep]:
    """Yield all steps in the plan's order, each `repeat` before the steps inside it."""
    for step in steps:
        yield step
        if isinstance(step.action, Repeat):
            yield from every_step(step.action.steps)

"""A test plan as plain frozen values: what was asked, with every quantity in one unit.

Times are ns, pulses us, rates mHz, shares exact fractions. Each field carries (`key`) how it is written in
YAML and one sentence about it; the reader, the error messages and the JSON Schema all come from that.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar, Literal

from harness.clock import MS, S
from harness.plan.checks import *  # noqa: F403 - a plan is one model in three files
from harness.plan.checks import PlanCheck
from harness.plan.kinds import (
    Choice,
    Duration,
    Each,
    Frequency,
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
from harness.plan.steps import *  # noqa: F403
from harness.plan.steps import HOUR, PlanStep

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


@dataclass(frozen=True, slots=True)
class Safety:
    """What the plan asks for beyond the cautious defaults on hardware."""

    throttle_up_to: Fraction = key(
        Share(), "On hardware, throttle sticks go no higher than this share of their travel.", Fraction(1, 4)
    )
    replug_within_ns: int | None = key(
        Duration(S, 600 * S),
        "A port that goes away may come back within this time and the run goes on; the run ends if left out.",
        None,
        yaml="replug_within",
    )


@dataclass(frozen=True, slots=True)
class Extend:
    """Play all steps again while a check is inconclusive for want of samples."""

    up_to_ns: int | None = key(
        Duration(S, MAX_DURATION_NS),
        "Most link time in all, the first round included, waits at their deadline; eight rounds if left out.",
        None,
        yaml="up_to",
    )


@dataclass(frozen=True, slots=True)
class Soak:
    """Play all steps again and again for hours; each round is judged, and all together."""

    SHORT: ClassVar[str] = "for"
    for_ns: int = key(Duration(S, MAX_DURATION_NS), "How long in all.", yaml="for")


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
    extend: Extend | None = key(
        Nested(Extend, flag=True),
        "Whether to play all steps again while a check lacks samples and none has failed, up to a cap; "
        "each check's confidence then holds for all looks at the data together.",
        None,
    )
    soak: Soak | None = key(
        Nested(Soak),
        "Whether to play all steps again and again for hours; each round is judged, and all together.",
        None,
    )
    steps: tuple[PlanStep, ...] = key(Variants("step"), "What to do, in order.")
    checks: tuple[PlanCheck, ...] = key(Variants("check"), "What to judge.")

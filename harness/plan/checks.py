"""Everything that a plan can judge: a frozen value for each kind of check, keys declared as in the model."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar, Literal

from harness.clock import MS, S
from harness.plan.kinds import (
    Choice,
    Decibel,
    Duration,
    Frequency,
    Items,
    Name,
    Pulse,
    Share,
    Whole,
    key,
)
from harness.plan.steps import ALL, HOUR

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
    """Time from sampling the sticks to applying them, or as `of` says; what gets lost is infinitely late."""

    WORD: ClassVar[str] = "latency"
    of: Literal["packet", "stick", "acknowledgement"] = key(
        Choice("packet", "stick", "acknowledgement"),
        "packet: from sampling the sticks to applying them; stick: from a moved stick to the outputs; "
        "acknowledgement: until the transmitter knows.",
        "packet",
    )
    percentile: Fraction = key(
        Share(Fraction(1, 100), Fraction(9999, 10000)), "Which percentile, such as 95 %."
    )
    at_most_ns: int = key(Duration(1000, 10 * S), "Largest time.", yaml="at_most")
    confidence: Fraction = key(*_CONFIDENCE)
    during: tuple[str, ...] = key(*_DURING)


@dataclass(frozen=True, slots=True)
class ControlAge:
    """Age of the newest applied stick positions, over time: how old what the outputs obey is."""

    WORD: ClassVar[str] = "control_age"
    percentile: Fraction = key(
        Share(Fraction(1, 100), Fraction(9999, 10000)), "Share of the time, such as 99 %."
    )
    at_most_ns: int = key(Duration(1000, 10 * S), "Largest age.", yaml="at_most")
    confidence: Fraction = key(*_CONFIDENCE)
    during: tuple[str, ...] = key(*_DURING)


@dataclass(frozen=True, slots=True)
class ControlGap:
    """Longest time between two applied packets, cuts and restarts apart."""

    WORD: ClassVar[str] = "control_gap"
    at_most_ns: int = key(Duration(MS, 10 * S), "Longest gap.", yaml="at_most")
    during: tuple[str, ...] = key(*_DURING)


@dataclass(frozen=True, slots=True)
class LossPattern:
    """How packets get lost: most in a row, and losses that come in step with a period."""

    WORD: ClassVar[str] = "loss_pattern"
    longest_run: int = key(
        Whole(0, 10_000), "Most packets lost in a row; five are 100 ms without control at 50 Hz.", 5
    )
    periodic: Literal["refused", "allowed"] = key(
        Choice("refused", "allowed"), "Whether losses that come in step with a period fail.", "refused"
    )
    period_up_to_ns: int = key(
        Duration(100 * MS, HOUR),
        "Longest period that must be ruled out: a routine that costs a packet at least every other time; a "
        "run too short for that leaves the check open. Longer ones fail too where they are seen.",
        2 * S,
        yaml="period_up_to",
    )
    false_alarm: Fraction = key(
        Share(Fraction(1, 1_000_000), Fraction(1, 20)),
        "Chance that losses without any period are taken for periodic ones, all periods tried together.",
        Fraction(1, 1000),
    )
    during: tuple[str, ...] = key(*_DURING)


@dataclass(frozen=True, slots=True)
class Duplicates:
    """Packets applied more than once."""

    WORD: ClassVar[str] = "duplicates"
    at_most: int = key(Whole(0, 1_000_000), "Largest number.", 0)


@dataclass(frozen=True, slots=True)
class FailsafeEntry:
    """Time from the last applied packet, or from the cut, to failsafe outputs, over all cuts."""

    WORD: ClassVar[str] = "failsafe_entry"
    within_ns: int | None = key(
        Duration(MS, 10 * S), "Longest time; the link's declared time if left out.", None, yaml="within"
    )
    since: Literal["packet", "cut"] = key(
        Choice("packet", "cut"),
        "packet: from the last applied packet; cut: from the silence itself, less by up to a packet period.",
        "packet",
        yaml="from",
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
class StartUp:
    """Outputs of the receiver from each start to its first packet: the declared failsafe, and no twitch."""

    WORD: ClassVar[str] = "start_up"
    tolerance_us: int = key(Pulse(0, 500), "Largest deviation.", 0, yaml="tolerance")


@dataclass(frozen=True, slots=True)
class FailsafeMargin:
    """How far the lowest throttle that the sticks can produce stands above the throttle in failsafe.

    For a flight controller downstream that tells failsafe by the throttle's pulse.
    """

    WORD: ClassVar[str] = "failsafe_margin"
    at_least_us: int = key(Pulse(1, 500), "Smallest distance on any throttle channel.", yaml="at_least")


@dataclass(frozen=True, slots=True)
class Order:
    """Packets are applied in the order in which they were sent, and none that was never sent."""

    WORD: ClassVar[str] = "order"
    at_most: int = key(Whole(0, 1_000_000), "Largest number out of order or never sent.", 0)


@dataclass(frozen=True, slots=True)
class OutputRange:
    """Every output always lies within its channel's range, or at its failsafe value."""

    WORD: ClassVar[str] = "output_range"
    tolerance_us: int = key(Pulse(0, 500), "How far beyond an end an output may go.", 0, yaml="tolerance")


@dataclass(frozen=True, slots=True)
class Fidelity:
    """Each applied packet's outputs equal the sticks it was sent with."""

    WORD: ClassVar[str] = "fidelity"
    tolerance_us: int = key(Pulse(0, 500), "Largest deviation.", 0, yaml="tolerance")
    monotonic: Literal["required", "any"] = key(
        Choice("required", "any"),
        "Whether an output may ever go the other way than its stick; counts where `tolerance` is not 0 us.",
        "required",
    )
    resolution: Literal["required", "any"] = key(
        Choice("required", "any"),
        "Whether every step of the declared resolution must come out as a value of its own; counts where "
        "`tolerance` is not 0 us.",
        "any",
    )
    during: tuple[str, ...] = key(*_DURING)


@dataclass(frozen=True, slots=True)
class NoGlitch:
    """No output change that neither a sent packet nor failsafe nor start-up explains."""

    WORD: ClassVar[str] = "no_glitch"


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of the transmitter's own inputs at rest, in own_sticks steps: RMS about a slow drift."""

    WORD: ClassVar[str] = "noise"
    at_most_us: int = key(
        Pulse(1, 500), "Largest RMS of any channel, at the upper end of its interval.", yaml="at_most"
    )
    peak_to_peak_us: int | None = key(
        Pulse(1, 1000),
        "Largest peak to peak of any channel; not judged if left out.",
        None,
        yaml="peak_to_peak",
    )
    hum_us: int | None = key(
        Pulse(1, 500), "Largest amplitude at the mains frequency; not judged if left out.", None, yaml="hum"
    )
    mains: Literal["50 Hz", "60 Hz", "both"] = key(
        Choice("50 Hz", "60 Hz", "both"), "Which mains frequencies `hum` is about.", "both"
    )
    confidence: Fraction = key(*_CONFIDENCE)
    during: tuple[str, ...] = key(*_DURING)


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
class Throughput:
    """Highest packet rate at which no packet is lost, as the steps `throughput` find it."""

    WORD: ClassVar[str] = "throughput"
    at_least_mhz: int = key(
        Frequency(1_000, 1_000_000), "Rate that must be reached, such as 100 Hz.", yaml="at_least"
    )


@dataclass(frozen=True, slots=True)
class BackToBack:
    """Longest burst at zero spacing that comes through whole, as the steps `back_to_back` find it."""

    WORD: ClassVar[str] = "back_to_back"
    at_least: int = key(Whole(1, 60_000), "Packets that every burst must be able to have.")


@dataclass(frozen=True, slots=True)
class Recovery:
    """Time until packets come through again after an overload or a restart."""

    WORD: ClassVar[str] = "recovery"
    after: Literal["overload", "restart"] = key(
        Choice("overload", "restart"), "What the link must recover from: the steps of that kind."
    )
    within_ns: int = key(Duration(MS, 60 * S), "Longest time.", yaml="within")


@dataclass(frozen=True, slots=True)
class LinkMargin:
    """How much weaker than normal the signal may get before too few packets come through."""

    WORD: ClassVar[str] = "link_margin"
    at_least_x10: int = key(Decibel(0, 1_000), "Smallest margin.", 100, yaml="at_least")
    delivery: Fraction = key(
        Share(Fraction(1, 2), Fraction(9_999, 10_000)), "Share of packets that must come through.",
        Fraction(99, 100),
    )  # fmt: skip
    confidence: Fraction = key(*_CONFIDENCE)
    level_error_x10: int = key(
        Decibel(0, 200), "How far a level may be off what was asked for.", 10, yaml="level_error"
    )
    during: tuple[str, ...] = key(Items(Name("step")), "Names of the margin steps; all if left out.", ALL)


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


@dataclass(frozen=True, slots=True)
class Drift:
    """Figures that get worse over the hours of a soak, from round to round."""

    WORD: ClassVar[str] = "drift"
    latency_ns: int | None = key(
        Duration(1000, S), "Most that the median packet latency may grow in an hour.", 500_000,
        yaml="latency",
    )  # fmt: skip
    delivery: Fraction | None = key(
        Share(Fraction(1, 100_000), Fraction(1, 2)), "Most of delivery that may be lost in an hour.",
        Fraction(5, 1000),
    )  # fmt: skip
    free_memory: int | None = key(
        Whole(1, 65_535), "Most bytes of the receiver's free memory that may be gone in an hour.", 64
    )
    control_gap_ns: int | None = key(
        Duration(1000, S),
        "Most that a round's longest gap may grow in an hour; not judged if left out.",
        None,
        yaml="control_gap",
    )
    telemetry_age_ns: int | None = key(
        Duration(1000, S),
        "Most that the median age of telemetry may grow in an hour; not judged if left out.",
        None,
        yaml="telemetry_age",
    )
    clocks_ppm: int | None = key(
        Whole(1, 10_000),
        "Most millionths in an hour by which one device's clock may get faster or slower than the other's; "
        "not judged if left out.",
        None,
        yaml="clocks",
    )
    false_alarm: Fraction = key(
        Share(Fraction(1, 1_000_000), Fraction(1, 20)),
        "Chance that a figure that keeps its limit fails, or one beyond it passes, all figures together.",
        Fraction(1, 100),
    )


Check = (
    Delivery
    | PacketRate
    | Latency
    | ControlAge
    | ControlGap
    | LossPattern
    | Duplicates
    | FailsafeEntry
    | FailsafeOutputs
    | FailsafeExit
    | NoFalseFailsafe
    | StartUp
    | FailsafeMargin
    | Fidelity
    | Order
    | OutputRange
    | NoGlitch
    | Noise
    | TelemetryValue
    | TelemetryAge
    | Pins
    | Throughput
    | BackToBack
    | Recovery
    | LinkMargin
    | Drift
    | BenchHealth
)
CHECK_KINDS: tuple[type, ...] = (
    Delivery,
    PacketRate,
    Latency,
    ControlAge,
    ControlGap,
    LossPattern,
    Duplicates,
    FailsafeEntry,
    FailsafeOutputs,
    FailsafeExit,
    NoFalseFailsafe,
    StartUp,
    FailsafeMargin,
    Fidelity,
    Order,
    OutputRange,
    NoGlitch,
    Noise,
    TelemetryValue,
    TelemetryAge,
    Pins,
    Throughput,
    BackToBack,
    Recovery,
    LinkMargin,
    Drift,
    BenchHealth,
)


@dataclass(frozen=True, slots=True)
class PlanCheck:
    """One entry under `checks`: its rule, its name in reports, and where it stands."""

    rule: Check
    name: str
    path: str

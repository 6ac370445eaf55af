"""What does a key take, in words? For error messages and for the descriptions in the JSON Schema."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from types import MappingProxyType
from typing import Any, Final

from harness.plan.kinds import (
    Choice,
    Decibel,
    Distance,
    Duration,
    Each,
    Flag,
    Frequency,
    Items,
    Kind,
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
)
from harness.plan.units import (
    format_decibel,
    format_distance,
    format_duration,
    format_frequency,
    format_number,
    format_pulse,
    format_share,
)


def expected(kind: Kind) -> str:
    """Return what a value of this kind looks like and between which ends it lies."""
    return _EXPECTED[type(kind)](kind)


def _time(kind: Duration) -> str:
    span = f"from {format_duration(kind.least_ns)} to {format_duration(kind.most_ns)}"
    return f"a time {span if kind.most_ns else 'such as 20 ms'}" + (f", or {kind.word}" if kind.word else "")


def _pulse(low_us: int, high_us: int, what: str = "a pulse") -> str:
    return f"{what} from {format_pulse(low_us)} to {format_pulse(high_us)}"


def _decibel(kind: Decibel) -> str:
    low, high = (format_decibel(end, "").strip() for end in (kind.least_x10, kind.most_x10))
    unit = " or ".join(kind.units)
    return f"{'a power' if unit == 'dBm' else 'a level'} from {low} {unit} to {high} {unit}"


def _number(kind: Number) -> str:
    span = f"a number from {format_number(kind.least)} to {format_number(kind.most)}"
    return span if kind.zero else f"{span}, but not 0"


def _whole(kind: Whole) -> str:
    return str(kind.least) if kind.least == kind.most else f"a whole number from {kind.least} to {kind.most}"


def _text(kind: Text) -> str:
    return f"text of {f'{kind.least} to' if kind.least else 'at most'} {kind.most} characters"


def _items(kind: Items) -> str:
    if kind.value is not None:
        return f"a mapping from {expected(kind.each)} to {expected(kind.value)}"
    return f"a list, each entry {expected(kind.each)}" + (f", or {kind.all_word}" if kind.all_word else "")


def _each(kind: Each) -> str:
    return f"a mapping from 1 to {kind.at_most} {kind.of.__name__.casefold()} names to their keys"


_ANY_PULSE: Final = Pulse().least_us, Pulse().most_us
_EXPECTED: Final[Mapping[type, Callable[[Any], str]]] = MappingProxyType(
    {
        Duration: _time,
        Frequency: lambda k: f"a rate from {format_frequency(k.least_mhz)} to {format_frequency(k.most_mhz)}",
        Pulse: lambda k: _pulse(k.least_us, k.most_us),
        PulseOr: lambda k: f"{_pulse(*_ANY_PULSE)}, or one of {', '.join(k.words)}",
        PulseRange: lambda _: _pulse(*_ANY_PULSE, "two pulses"),
        Share: lambda k: f"a share from {format_share(k.least)} to {format_share(k.most)}",
        Decibel: _decibel,
        Distance: lambda k: f"a distance from {format_distance(k.least_mm)} to {format_distance(k.most_mm)}",
        Number: _number,
        Whole: _whole,
        Flag: lambda k: f"true, false or {k.other}" if k.other else "true or false",
        Text: _text,
        Choice: lambda k: f"one of {', '.join(k.words)}",
        Name: lambda k: f"the name of a {k.of}",
        Items: _items,
        Each: _each,
        Variants: lambda k: f"a list of {k.of}s",
        Nested: lambda k: "true, false or a mapping" if k.flag else "a mapping",
    }
)

_WRITTEN: Final[Mapping[type, Callable[[Any], str]]] = MappingProxyType(
    {
        Duration: format_duration,
        Frequency: format_frequency,
        Pulse: format_pulse,
        PulseOr: format_pulse,
        Share: format_share,
        Distance: format_distance,
        PulseRange: lambda span: f"{format_pulse(span.low_us)} to {format_pulse(span.high_us)}",
    }
)


def written(kind: Kind, value: object) -> str | int | bool | None:
    """Return a value as JSON would hold its YAML form; None where there is no short one."""
    if isinstance(value, str):
        return str(value)
    if isinstance(kind, Decibel) and isinstance(value, int):
        return format_decibel(value, kind.units[0])
    if value is not None and (write := _WRITTEN.get(type(kind))):
        return write(value)
    if isinstance(value, Fraction) and value.denominator == 1:
        return value.numerator
    return value if isinstance(value, int) else None

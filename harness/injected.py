"""Which telemetry values are injected? Each type's edges first, then random ones without end."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random
from typing import Final

from harness.plan import model as p

_BITS: Final = {"u8": 8, "i8": 8, "u16": 16, "i16": 16, "u32": 32, "i32": 32}
_ODD_BYTES: Final = 0x01020304
_FLOATS: Final = (
    0x00000000, 0x3F800000, 0xBF800000, 0x80000000, 0x7F7FFFFF, 0xFF7FFFFF, 0x00000001, 0xC2F6E979,
    0x007FFFFF, 0x00800000, 0x41200000, 0x4B800000, 0x3F333333, 0x80000001,
)  # fmt: skip
"""IEEE 754 single: 0, 1, -1, -0, largest, its negative, smallest subnormal, -123.456, largest subnormal,
smallest normal, 10, 2^24 (the first whose successor is not whole), 0.7, smallest negative subnormal."""
MOST_EDGES: Final = 15
"""Fewer than the injections of the shortest shipped plan."""
MEMORY: Final = 4
"""An injected value differs from this many before it, so that a stale one cannot pass for a fresh one."""


def injected(field_type: p.FieldType, chance: Random) -> Iterator[int]:
    """Make raw values (as i32) without end: `edges` first, then random ones."""
    recent: list[int] = []
    for raw in _candidates(field_type, chance):
        if raw not in recent:
            recent = [*recent[-MEMORY + 1 :], raw]
            yield raw - (1 << 32) if raw >= 1 << 31 else raw


def _candidates(field_type: p.FieldType, chance: Random) -> Iterator[int]:
    yield from edges(field_type)
    if field_type == "f32":
        while True:
            yield chance.getrandbits(30) | 0x20000000 | chance.getrandbits(1) << 31
    low, high = _ends(field_type)
    while True:
        yield chance.randint(low, high)


def _ends(field_type: p.FieldType) -> tuple[int, int]:
    bits = _BITS[field_type]
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if field_type[0] == "i" else (0, (1 << bits) - 1)


def edges(field_type: p.FieldType) -> tuple[int, ...]:
    """Return the values at which firmware goes wrong first, at most `MOST_EDGES`.

    Whole numbers: both ends, 0, 1, -1, every byte different, then the last and the first value on either side
    of each byte's and sign's end. Floats, as bit patterns: zeros of both signs, the largest, subnormals of
    both signs, a fraction.
    """
    if field_type == "f32":
        return _FLOATS
    low, high = _ends(field_type)
    wanted = [high, low, 1, 0, _ODD_BYTES >> (32 - _BITS[field_type]), -1]
    for half in (1 << 7, 1 << 15):
        wanted += [half - 1, half, 2 * half - 1, 2 * half]
    wanted += [-(1 << 7) - 1, high - 1, low + 1]
    return tuple(dict.fromkeys(value for value in wanted if low <= value <= high))[:MOST_EDGES]

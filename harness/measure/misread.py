"""What is behind wrong telemetry? A scale, sign, width or byte order that explains the values."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Final

from harness.measure.telemetry import WrongValue
from harness.plan.model import FIELD_BYTES, TelemetryField

MOST: Final = 0.95
"""An explanation must fit this share of the wrong values."""
LOOKED_AT: Final = 500
"""Wrong values tried for an explanation, at most."""
FACTORS: Final = (100, 10, 1000)

_Turn = Callable[[int, TelemetryField], set[int]]


def misreading(wrong: Sequence[WrongValue], field: TelemetryField) -> str:
    """Return in words what turns injected into shown bits in nearly all `wrong` values of `field`, or ""."""
    sample = wrong[:LOOKED_AT]
    for words, turn in _turns():
        fits = sum(any(one.shown in turn(bits, field) for bits in one.injected) for one in sample)
        if sample and fits >= MOST * len(sample):
            return words
    return ""


def _turns() -> list[tuple[str, _Turn]]:
    turns: list[tuple[str, _Turn]] = []
    for factor in FACTORS:
        turns.append((f"every wrong value is {factor} times the injected one", _times(Fraction(factor))))
        turns.append((f"every wrong value is 1/{factor} of the injected one", _times(Fraction(1, factor))))
    return [
        *turns,
        ("its bytes come in the wrong order", _swapped),
        ("its sign is wrong", _times(Fraction(-1))),
        ("only its low byte comes through", lambda bits, _: {bits & 0xFF}),
        ("it is always zero", lambda _, __: {0}),
        ("the payload is too short for it", lambda _, __: {-1}),
    ]


def _swapped(bits: int, field: TelemetryField) -> set[int]:
    width = FIELD_BYTES[field.type]
    return {int.from_bytes(bits.to_bytes(width, "little"), "big")}


def _times(factor: Fraction) -> _Turn:
    def turn(bits: int, field: TelemetryField) -> set[int]:
        return _float_times(bits, factor) if field.type == "f32" else _whole_times(bits, field, factor)

    return turn


def _whole_times(bits: int, field: TelemetryField, factor: Fraction) -> set[int]:
    """Return the bits of value x factor, wrapped into the field's width and clamped to its ends."""
    width = 8 * FIELD_BYTES[field.type]
    signed = field.type.startswith("i")
    value = bits - (1 << width) if signed and bits >> (width - 1) else bits
    low, high = (-(1 << (width - 1)), (1 << (width - 1)) - 1) if signed else (0, (1 << width) - 1)
    product = value * factor
    towards_zero = int(product)
    mask = (1 << width) - 1
    return {whole & mask for whole in (towards_zero, int(product // 1), min(max(towards_zero, low), high))}


def _float_times(bits: int, factor: Fraction) -> set[int]:
    value: float = struct.unpack("<f", struct.pack("<I", bits))[0]
    try:
        return {int.from_bytes(struct.pack("<f", value * float(factor)), "little")}
    except OverflowError:
        return {0x7F800000 if value > 0 else 0xFF800000}

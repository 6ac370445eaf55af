"""Defects in the sensor values that ride in acknowledgements: each one is sent, and is wrong."""

from __future__ import annotations

from math import isfinite
from typing import ClassVar, Final

from harness.plan.model import FIELD_BYTES, TelemetryField
from mocks.defects.model import Defect, Felt, Patch
from mocks.defects.telemetry import BITS, BITS_MASK, FLOAT
from mocks.device import Life, Surroundings
from mocks.receiver import Receiver

CONVERTER_BITS: Final = 12
DIGITS: Final = 9
"""Decimal digits after which a single reads back as it was: FLT_DECIMAL_DIG of C11, 5.2.4.2.2."""


def ends(field: TelemetryField) -> tuple[int, int]:
    """Return the lowest and the highest raw value of a whole-number field."""
    bits = 8 * FIELD_BYTES[field.type]
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if field.type.startswith("i") else (0, (1 << bits) - 1)


def as_float(raw: int) -> float:
    """Return the number that a raw value's bits are as an IEEE 754 single."""
    number: float = FLOAT.unpack(BITS.pack(raw & BITS_MASK))[0]
    return number


def as_raw(number: float) -> int:
    """Return the bits of a number as an IEEE 754 single."""
    bits: int = BITS.unpack(FLOAT.pack(number))[0]
    return bits


def in_field(field: TelemetryField, bits: int) -> int:
    """Return the value that the lowest bits of a number are in a field, with its sign."""
    low, high = ends(field)
    kept = bits & (1 << 8 * FIELD_BYTES[field.type]) - 1
    return kept - (high - low + 1) if kept > high else kept


class EachField(Receiver):
    """Changes each value by itself, as `read` says."""

    def read(self, field: TelemetryField, raw: int) -> int:  # noqa: ARG002
        """Return what goes into the payload for a raw value."""
        return raw

    def sensed(self, raw: list[int]) -> list[int]:
        """Return all values, changed."""
        values = super().sensed(raw)
        return [self.read(field, value) for field, value in zip(self.link.telemetry, values, strict=True)]


class LosesSign(EachField):
    """Sends magnitudes."""

    SIGNED_AGAIN: ClassVar[bool] = False

    def read(self, field: TelemetryField, raw: int) -> int:
        """Return the value without its sign."""
        if field.type == "f32":
            bits = raw & BITS_MASK
            return bits if self.SIGNED_AGAIN else bits & BITS_MASK >> 1
        signed = field.type.startswith("i")
        sign = -1 if raw < 0 and self.SIGNED_AGAIN else 1
        return sign * abs(raw) if signed else raw


class KeepsSign(LosesSign):
    """Sends sign and magnitude, which the other end puts together."""

    SIGNED_AGAIN = True


class TurnsBytes(EachField):
    """Sends the highest byte of each value first where the lowest is asked for, and the other way round."""

    TURNS: ClassVar[int] = 1

    def read(self, field: TelemetryField, raw: int) -> int:
        """Return the value with its bytes turned round."""
        size = FIELD_BYTES[field.type]
        kept = raw & (1 << 8 * size) - 1
        for _ in range(self.TURNS):
            kept = int.from_bytes(kept.to_bytes(size, "little"), "big")
        return kept


class TurnsBytesBack(TurnsBytes):
    """Turns them into network order and back."""

    TURNS = 2


class CutsFloats(EachField):
    """Sends the whole part of a float."""

    def read(self, field: TelemetryField, raw: int) -> int:
        """Return a float without what is behind its point."""
        number = as_float(raw)
        return as_raw(float(int(number))) if field.type == "f32" and isfinite(number) else raw


class PrintsFloats(EachField):
    """Sends a float that was printed with nine digits and read again."""

    def read(self, field: TelemetryField, raw: int) -> int:
        """Return a float as it is read again."""
        number = as_float(raw)
        return as_raw(float(f"{number:.{DIGITS}g}")) if field.type == "f32" and isfinite(number) else raw


class Saturates(EachField):
    """Holds every whole number within what 12 bits can tell."""

    BITS_KEPT: ClassVar[int] = CONVERTER_BITS

    def read(self, field: TelemetryField, raw: int) -> int:
        """Return the value, held within its limits."""
        if field.type == "f32":
            return raw
        low, high = ends(field)
        most = (1 << self.BITS_KEPT) - 1
        return max(low, -most, min(high, most, in_field(field, raw)))


class SaturatesAtType(Saturates):
    """Holds it within what its field can tell."""

    BITS_KEPT = 32


class SwapsFields(Receiver):
    """Sends two values of the same width in each other's place."""

    def sensed(self, raw: list[int]) -> list[int]:
        """Return the values, the first two injected ones of equal width exchanged."""
        values = super().sensed(raw)
        fields = self.link.telemetry
        for first, one in enumerate(fields):
            for second in range(first + 1, len(fields)):
                both = (one, fields[second])
                if all(field.source == "injected" for field in both) and _width(both[0]) == _width(both[1]):
                    values = list(values)
                    values[first], values[second] = values[second], values[first]
                    return values
        return values


def _width(field: TelemetryField) -> int:
    return FIELD_BYTES[field.type]


class ReadsBackwards(Receiver):
    """Reads its sensors from the last to the first."""

    def sensed(self, raw: list[int]) -> list[int]:
        """Return the values, in their order again."""
        values = super().sensed(raw)
        backwards = [values[number] for number in range(len(values) - 1, -1, -1)]
        return backwards[::-1]


class AveragesNarrow(EachField):
    """Sends the mean of two readings, added up in as many bits as one of them has."""

    ROOM_BITS: ClassVar[int] = 0

    def read(self, field: TelemetryField, raw: int) -> int:
        """Return the mean of two equal readings."""
        if field.type == "f32":
            return raw
        bits = 8 * FIELD_BYTES[field.type] + self.ROOM_BITS
        total = 2 * in_field(field, raw)
        if not self.ROOM_BITS:
            total &= (1 << bits) - 1
        return total // 2


class AveragesWide(AveragesNarrow):
    """Adds them up with their signs, in wider numbers."""

    ROOM_BITS = 16


class Trembles(EachField):
    """Reads the two lowest bits of a whole number anew, from noise, for each packet."""

    NOISE: ClassVar[int] = 7

    def __init__(self, around: Surroundings, life: Life) -> None:
        self._noise: int = 1
        super().__init__(around, life)

    def read(self, field: TelemetryField, raw: int) -> int:
        """Return the value with noise in its last digits; a linear congruence makes it."""
        if field.type == "f32":
            return raw
        self._noise = (self._noise * 1_664_525 + 1_013_904_223) & BITS_MASK
        return raw ^ (self._noise >> 24) * self.NOISE >> 9 & 3

    def payload(self) -> bytes:
        """Return the payload of values that were read anew."""
        self._load(self._raw)
        return super().payload()


class TremblesBelowDigit(Trembles):
    """Has noise so small that rounding to whole digits leaves nothing of it."""

    NOISE = 0


class LatchesEnd(EachField):
    """Keeps a value that has once reached the upper end of its field."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        self._latched: set[str] = set()
        super().__init__(around, life)

    def read(self, field: TelemetryField, raw: int) -> int:
        """Return the value, or the end."""
        if field.type == "f32":
            return raw
        high = ends(field)[1]
        if in_field(field, raw) == high:
            self._latched.add(field.name)
        return self.told(raw, high) if field.name in self._latched else raw

    def told(self, raw: int, high: int) -> int:  # noqa: ARG002
        """Return what a field tells that has been at its end."""
        return high


class FlagsEnd(LatchesEnd):
    """Notes that it was there, and goes on telling the value."""

    def told(self, raw: int, high: int) -> int:  # noqa: ARG002
        """Return the value."""
        return raw


DEFECTS = (
    Defect(
        name="telemetry-sign-lost",
        felt=Felt.TELEMETRY,
        severity="serious",
        wrong="values below zero are told without their sign",
        cause="a routine for unsigned numbers prints a signed one's magnitude",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="sign and magnitude are sent apart and put together again",
        patch=Patch(receiver=LosesSign, needs_telemetry=True),
        near_patch=Patch(receiver=KeepsSign, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-bytes-turned",
        felt=Felt.TELEMETRY,
        severity="serious",
        wrong="the bytes of each value come in the wrong order",
        cause="a structure copied to a processor of the other byte order",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="they are turned into network order and back again",
        patch=Patch(receiver=TurnsBytes, needs_telemetry=True),
        near_patch=Patch(receiver=TurnsBytesBack, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-float-cut",
        felt=Felt.TELEMETRY,
        severity="nuisance",
        wrong="a fraction loses what is behind its point",
        cause="a float goes through an integer variable",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="a float is printed with nine digits and read again, which loses nothing",
        patch=Patch(receiver=CutsFloats, needs_telemetry=True),
        near_patch=Patch(receiver=PrintsFloats, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-clipped",
        felt=Felt.TELEMETRY,
        severity="serious",
        wrong="whole numbers stop at 4095",
        cause="limits of a 12-bit converter, applied to values that were scaled before",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="whole numbers stop at what their field can hold",
        patch=Patch(receiver=Saturates, needs_telemetry=True),
        near_patch=Patch(receiver=SaturatesAtType, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-fields-swapped",
        felt=Felt.TELEMETRY,
        severity="serious",
        wrong="two values of equal width stand in each other's place",
        cause="a new sensor was put into the middle of the structure at one end only",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="the sensors are read from the last to the first, and sent in order",
        patch=Patch(receiver=SwapsFields, needs_telemetry=True),
        near_patch=Patch(receiver=ReadsBackwards, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-mean-wraps",
        felt=Felt.TELEMETRY,
        severity="serious",
        wrong="values below zero, and large ones, come out half as large and without a sign",
        cause="two readings are added up in 16 bits without a sign before they are halved",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="they are added up with their signs in wider numbers",
        patch=Patch(receiver=AveragesNarrow, needs_telemetry=True),
        near_patch=Patch(receiver=AveragesWide, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-trembles",
        felt=Felt.TELEMETRY,
        severity="nuisance",
        wrong="the last two bits of each whole number are noise",
        cause="a converter beside the radio, without a capacitor at its reference",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="the noise is smaller than half of the last digit",
        patch=Patch(receiver=Trembles, needs_telemetry=True),
        near_patch=Patch(receiver=TremblesBelowDigit, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-latches-end",
        felt=Felt.TELEMETRY,
        severity="nuisance",
        wrong="a value that was once at its upper end stays there",
        cause="a flag for an overflow is set and never cleared",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="the flag is set as well, and the value goes on",
        patch=Patch(receiver=LatchesEnd, needs_telemetry=True),
        near_patch=Patch(receiver=FlagsEnd, needs_telemetry=True),
    ),
)

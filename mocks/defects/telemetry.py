"""Defects of the sensor values on their way back."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from math import isfinite
from struct import Struct

from harness.plan.model import TelemetryField
from mocks.defects.model import Defect, Felt, Patch
from mocks.receiver import Receiver
from mocks.settings import MockSettings

FACTOR = 100
FLOAT, BITS = Struct("<f"), Struct("<I")
BITS_MASK = 2**32 - 1
FLOAT_MAX = (2 - 2**-23) * 2.0**127
"""The largest finite IEEE 754 single."""


def _times(field: TelemetryField, raw: int, numerator: int, denominator: int) -> int:
    """Return a raw value scaled; a float takes its bit pattern, and is left alone if it is no number."""
    if field.type != "f32":
        return raw * numerator // denominator
    value = FLOAT.unpack(BITS.pack(raw & BITS_MASK))[0] * numerator / denominator
    if not isfinite(value):
        return raw
    bits: int = BITS.unpack(FLOAT.pack(max(-FLOAT_MAX, min(value, FLOAT_MAX))))[0]
    return bits


class ScalesAgain(Receiver):
    """Multiplies each value by 100 a second time."""

    def sensed(self, raw: list[int]) -> list[int]:
        """Return the values, 100 times too large."""
        fields = zip(self.link.telemetry, super().sensed(raw), strict=True)
        return [_times(field, value, FACTOR, 1) for field, value in fields]


class ScalesThereAndBack(Receiver):
    """Reckons in hundredths and divides again, in numbers wide enough for it."""

    def sensed(self, raw: list[int]) -> list[int]:
        """Return the values, unharmed."""
        fields = zip(self.link.telemetry, super().sensed(raw), strict=True)
        return [_times(field, value, FACTOR, FACTOR) for field, value in fields]


class PreloadsTwo(Receiver):
    """Keeps two payloads waiting in the radio."""

    PRELOADED = 2


def _lost_acknowledgements(settings: MockSettings) -> MockSettings:
    return replace(settings, ack_loss=Fraction(1, 20))


DEFECTS = (
    Defect(
        name="telemetry-scaled",
        felt=Felt.TELEMETRY,
        severity="serious",
        wrong="telemetry is 100 times too large",
        cause="the values were already in hundredths when they were scaled to hundredths",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="the values are scaled to hundredths and back in numbers wide enough for it",
        patch=Patch(receiver=ScalesAgain, needs_telemetry=True),
        near_patch=Patch(receiver=ScalesThereAndBack, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-stale",
        felt=Felt.TELEMETRY,
        severity="nuisance",
        wrong="telemetry is one packet older than the protocol makes it",
        cause="two acknowledgement payloads are kept waiting in the radio",
        caught_by="telemetry_age",
        plan="first-look",
        near_miss="one in twenty acknowledgements is lost and sent again: late in time, one packet old",
        patch=Patch(receiver=PreloadsTwo, needs_telemetry=True),
        near_patch=Patch(settings=_lost_acknowledgements, needs_telemetry=True),
    ),
)

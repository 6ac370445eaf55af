"""How do raw converter counts become microseconds of pulse, and back? Exact at both ends.

Between the ends on a straight line, and on beyond them, rounded to the nearest whole number, halves upward
(towards more). A value past an end must be seen as such, so nothing is cut off but what no pulse can be.
"""

from __future__ import annotations

import re
from typing import Final, NamedTuple

MOST_RAW: Final = 1 << 24
MOST_PULSE_US: Final = 65_535
_RANGE: Final = re.compile(r"([+-]?[0-9]{1,8}) to ([+-]?[0-9]{1,8})", re.ASCII)


class ScaleError(ValueError):
    """A range of counts cannot be read or has no length."""


class Scale(NamedTuple):
    """Counts from `low` to `high` (which may be the smaller) stand for pulses from `low_us` to `high_us`."""

    low: int
    high: int
    low_us: int
    high_us: int

    def pulse_us(self, raw: int) -> int:
        """Return the pulse that a raw count stands for, 0 to 65 535 us."""
        pulse = self.low_us + _nearest((raw - self.low) * (self.high_us - self.low_us), self.high - self.low)
        return min(max(pulse, 0), MOST_PULSE_US)

    def raw(self, pulse_us: int) -> int:
        """Return the count that stands for a pulse."""
        span_us = self.high_us - self.low_us
        return self.low + _nearest((pulse_us - self.low_us) * (self.high - self.low), span_us)


PLAIN: Final = Scale(0, MOST_PULSE_US, 0, MOST_PULSE_US)
"""Counts that are microseconds already."""


def _nearest(number: int, divisor: int) -> int:
    if divisor < 0:
        number, divisor = -number, -divisor
    return (2 * number + divisor) // (2 * divisor)


def read_counts(text: str) -> tuple[int, int]:
    """Return the ends of `0 to 1023`; raises ScaleError."""
    found = _RANGE.fullmatch(" ".join(text.split()))
    if found is None:
        raise ScaleError("two whole numbers are needed, such as 0 to 1023")
    low, high = int(found[1]), int(found[2])
    if low == high or max(abs(low), abs(high)) > MOST_RAW:
        raise ScaleError(f"two different numbers up to {MOST_RAW} are needed, such as 0 to 1023")
    return low, high


def scale_of(scales: tuple[Scale, ...], channel: int) -> Scale:
    """Return the scale of a channel, counted from 1: its own, the only one, or none."""
    if len(scales) == 1:
        return scales[0]
    return scales[channel - 1] if channel <= len(scales) else PLAIN

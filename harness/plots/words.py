"""How do pictures say their numbers, and that there is nothing to see? Shortly, with units."""

from __future__ import annotations

from typing import Final

from harness.measure.delivery import LOST_NS
from harness.plots.model import Axis, Plot

DIGITS: Final = 3
"""So many digits of a number with a fraction; whole ones are told in full."""


def short(number: float, unit: str = "") -> str:
    """Return a number with at most three digits, or whole, and its unit: `12.3 ms`, `1500 us`."""
    text = f"{number:.{DIGITS}g}" if abs(number) < 10**DIGITS else f"{number:.0f}"
    if "e" in text:
        text = f"{number:.{DIGITS}f}".rstrip("0").rstrip(".")
    return f"{text} {unit}".rstrip()


def short_ms(time_ns: float) -> str:
    """Return a time in ms; one of something lost has no end."""
    return "without end" if time_ns >= LOST_NS else short(time_ns / 1e6, "ms")


def to(low: str, high: str) -> str:
    """Return `1 ms to 2 ms`, or one of them where both read the same."""
    return low if low == high else f"{low} to {high}"


def nothing(key: str, title: str, why: str) -> Plot:
    """Return the plot that is missing, with the reason for it."""
    said = f"{why[0].upper()}{why[1:]}."
    return Plot(key, title, said, Axis(""), Axis(""), (), note=said)

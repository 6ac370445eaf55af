"""How is a number told to a maker? With its unit, and as many digits as its interval and margin deserve."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, TypeGuard

from harness.report.escape import clean
from harness.verdict import CheckResult

TIMES: Final = ("ns", "us", "ms", "s")
SYMBOLS: Final = (*TIMES, "%", "Hz", "V", "dB", "dBm")
PLACES_MAX: Final = 6
_TIME_SCALES: Final = ((1e10, 1e-9, "s"), (1e6, 1e-6, "ms"), (1e3, 1e-3, "us"), (0.0, 1.0, "ns"))


@dataclass(frozen=True, slots=True)
class Figures:
    """One check's numbers in words; empty where there is no such number."""

    value: str
    interval: str
    limit: str
    margin: str
    samples: str

    def line(self) -> str:
        """Return all of them in one line."""
        parts = ("value", "interval", "limit", "margin", "samples")
        return ", ".join(f"{name} {words}" for name in parts if (words := getattr(self, name)))


def figures(result: CheckResult) -> Figures:
    """Return the numbers of `result` in words, all in one unit.

    Decimal places are such that the margin shows two digits, so that a value beside its limit is not rounded
    onto the wrong side of it. A time without end is `never`.
    """
    factor, unit = _scale(result)
    style = _Style(factor, unit, _places(result, factor))
    beside = style if unit in SYMBOLS else replace(style, unit="")  # a counted thing is named once
    return Figures(
        value=_value(result, style),
        interval=_interval(result, style),
        limit=f"{result.side} {beside.exact(result.limit)}".strip() if is_finite(result.limit) else "",
        margin=beside.rounded(result.margin) if is_finite(result.margin) else "",
        samples=with_unit(str(result.samples), clean(result.sample_unit)) if result.samples else "",
    )


def with_unit(number: str, unit: str) -> str:
    """Return `12.4 ms`, `2 cuts`, but `1 cut`, `1 more cut` and `1 packet in a row`."""
    if number.partition(" ")[0] == "1" and unit not in TIMES:
        unit = _one(unit)
    return f"{number} {unit}".rstrip()


def _one(unit: str) -> str:
    """Return a counted thing in the singular: its first word in -s, as in `packets in a row`."""
    words = unit.split(" ")
    for place, word in enumerate(words):
        if word in ("of", "in"):
            break
        if word.isalpha() and word.endswith("s"):
            words[place] = word.removesuffix("es" if word.endswith("ches") else "s")
            break
    return " ".join(words)


def is_finite(number: float | None) -> TypeGuard[float]:
    """Return whether there is a number and it is neither infinite nor NaN."""
    return number is not None and math.isfinite(number)


@dataclass(frozen=True, slots=True)
class _Style:
    factor: float
    unit: str
    places: int

    def rounded(self, number: float) -> str:
        return with_unit(self.bare(number), self.unit)

    def exact(self, number: float) -> str:
        return with_unit(f"{_scaled(number, self.factor):.10g}", self.unit)

    def bare(self, number: float) -> str:
        text = f"{_scaled(number, self.factor):.{self.places}f}"
        return text.removeprefix("-") if float(text) == 0 else text


def _value(result: CheckResult, style: _Style) -> str:
    if result.value is None:
        return ""
    if math.isfinite(result.value):
        return style.rounded(result.value)
    if math.isnan(result.value):
        return "unknown"
    return "never" if result.unit in TIMES else "infinite"


def _interval(result: CheckResult, style: _Style) -> str:
    """Return the interval, widened by the uncertainty as for the verdict; without one the uncertainty."""
    low, high = widened(result)
    if result.interval is None and is_finite(result.uncertainty) and result.uncertainty > 0:
        places = min(_two_digits(_scaled(result.uncertainty, style.factor)), PLACES_MAX)
        return f"+- {replace(style, places=places).rounded(result.uncertainty)}"
    if is_finite(low) and is_finite(high):
        return f"{style.bare(low)} to {style.rounded(high)}"
    if is_finite(low):
        return f"{style.rounded(low)} or more"
    return f"{style.rounded(high)} or less" if is_finite(high) else ""


def widened(result: CheckResult) -> tuple[float | None, float | None]:
    """Return both ends of the interval less and plus the uncertainty; a time is never less than 0."""
    low, high = result.interval or (None, None)
    doubt = result.uncertainty if is_finite(result.uncertainty) else 0.0
    if is_finite(low):
        low = max(0.0, low - doubt) if result.unit in TIMES and low >= 0 else low - doubt
    return low, high + doubt if is_finite(high) else high


def _scale(result: CheckResult) -> tuple[float, str]:
    """Return what to multiply with and the unit to show: ns become the unit that suits, shares become %."""
    if result.unit == "share":
        return 100.0, "%"
    if result.unit != "ns":
        return 1.0, clean(result.unit)
    size = next((abs(number) for number in (result.limit, result.value) if is_finite(number)), 0.0)
    return next((factor, unit) for least, factor, unit in _TIME_SCALES if size >= least)


def _places(result: CheckResult, factor: float) -> int:
    """Two digits of the margin and of the interval, widened by the uncertainty.

    More digits than that say nothing (JCGM 100, 7.2.6), nor do more than four of the value unless its margin
    is finer. A value well under its limit still shows two.
    """
    low, high = widened(result)
    given = (result.value, result.limit, low, high)
    numbers = [_scaled(number, factor) for number in given if is_finite(number)]
    if all(number.is_integer() for number in numbers):
        return 0
    spans = [result.margin, high - low if is_finite(low) and is_finite(high) else None]
    sizes = [abs(span) * factor for span in spans if is_finite(span)]
    if not any(sizes):
        sizes = [abs(number) / 10 for number in numbers][:1]
    places = max([0, *map(_two_digits, sizes)])
    value = abs(result.value) * factor if is_finite(result.value) else 0.0
    if value * 1000 > max((abs(number) for number in numbers), default=0.0):
        by_margin = _two_digits(abs(result.margin) * factor) if is_finite(result.margin) else 0
        places = min(max(places, _two_digits(value)), max(by_margin, _two_digits(value) + 2))
    return min(places, PLACES_MAX)


def _two_digits(number: float) -> int:
    """Decimal places that show two digits of a number; 0 for nothing or without end."""
    return max(0, 1 - math.floor(math.log10(number))) if 0 < number < math.inf else 0


def _scaled(number: float, factor: float) -> float:
    """Return the product without the noise in its last digits that scaling by 0.001 brings in."""
    return float(f"{number * factor:.12g}")

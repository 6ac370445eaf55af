"""What quantity does this text mean, and how is a quantity written? Exact both ways: no floats.

Unit symbols are those of the SI brochure (9th edition, sections 2.3 and 3, tables 4, 7 and 8) with `us` for
the microsecond because a keyboard has no mu. Durations are ns, rates mHz, pulses us, shares exact fractions.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from fractions import Fraction
from types import MappingProxyType
from typing import Final

from harness.clock import MS, US, S
from harness.plan.wording import nearest, quoted

MINUTE: Final = 60 * S
HOUR: Final = 3600 * S
DURATION_UNITS: Final[Mapping[str, int]] = MappingProxyType(
    {"us": US, "ms": MS, "s": S, "min": MINUTE, "h": HOUR}
)
FREQUENCY_UNITS: Final[Mapping[str, int]] = MappingProxyType({"mHz": 1, "Hz": 1_000, "kHz": 1_000_000})
PULSE_UNITS: Final[Mapping[str, int]] = MappingProxyType({"us": 1})
SHARE_UNITS: Final[Mapping[str, int]] = MappingProxyType({"%": 1})
DECIBEL_UNITS: Final[Mapping[str, int]] = MappingProxyType({"dB": 10, "dBm": 10})
"""In tenths. The decibel is accepted for use with the SI (brochure, table 8); dBm, 0 of which is 1 mW, is
common practice."""
DISTANCE_UNITS: Final[Mapping[str, int]] = MappingProxyType({"mm": 1, "cm": 10, "m": 1_000, "km": 1_000_000})

MAX_DIGITS: Final = 15
"""Digits on either side of the point: 15 of them in hours are more than 10**11 years."""
MAX_EXPONENT: Final = 18
"""Largest power of ten of a number without a unit; keeps `1e999999999` from being worked out."""

NUMBER: Final = rf"[0-9]{{1,{MAX_DIGITS}}}(?:\.[0-9]{{1,{MAX_DIGITS}}})?"
"""A decimal number without a sign, as a pattern that Python and JSON Schema read alike."""
_NUMBER = re.compile(rf"({NUMBER})(.*)", re.DOTALL)
_RANGE = re.compile(r"(.*?\S) to (\S.*)", re.DOTALL)
_WHOLE = re.compile(rf"-?(?:0|[1-9][0-9]{{0,{MAX_DIGITS}}})")
_PLAIN_NUMBER = re.compile(rf"([-+]?)({NUMBER})(?:[eE]([-+]?[0-9]{{1,3}}))?")
_NOT_FINITE = re.compile(r"[-+]?\.?(nan|inf|infinity)\b.*", re.IGNORECASE | re.DOTALL)
_EXPONENT = re.compile(r"[-+]?[0-9.]+[eE][-+]?[0-9]+.*", re.DOTALL)
_NEGATIVE = re.compile(r"-\s*\.?[0-9].*", re.DOTALL)
_COMMA = re.compile(r"([0-9]+),([0-9]+)(.*)", re.DOTALL)

_SPELLINGS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "\u00b5s": "us", "\u03bcs": "us", "usec": "us", "micros": "us", "microseconds": "us",
        "msec": "ms", "millis": "ms", "milliseconds": "ms",
        "sec": "s", "secs": "s", "second": "s", "seconds": "s",
        "m": "min", "mins": "min", "minute": "min", "minutes": "min",
        "hr": "h", "hrs": "h", "hour": "h", "hours": "h",
        "hz": "Hz", "hertz": "Hz", "1/s": "Hz", "/s": "Hz", "khz": "kHz", "mhz": "mHz",
        "percent": "%", "pct": "%",
        "db": "dB", "decibel": "dB", "decibels": "dB", "dbm": "dBm",
        "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    }
)  # fmt: skip
"""Other ways to write a unit, in lower case, with the one that is meant."""


class QuantityError(ValueError):
    """The text is not the quantity that is due: what was found, what is allowed, what was probably meant."""

    def __init__(self, found: str, allowed: str, nearest: str = "") -> None:
        super().__init__(f"{found}; {allowed}")
        self.found = found
        self.allowed = allowed
        self.nearest = nearest


def parse_duration(text: str) -> int:
    """Return `20 ms` in ns; raises QuantityError, also where it is no whole number of ns."""
    value = _quantity(text, DURATION_UNITS, "ms")
    return _whole(value, text, "a time finer than 1 ns", "write at most three decimals of a us")


def parse_frequency(text: str) -> int:
    """Return `50 Hz` in mHz; raises QuantityError, also where it is no whole number of mHz."""
    value = _quantity(text, FREQUENCY_UNITS, "Hz")
    return _whole(value, text, "a rate finer than 1 mHz", "write at most three decimals of a Hz")


def parse_pulse(text: str) -> int:
    """Return `1500 us` in us; raises QuantityError, also where it is no whole number of us."""
    value = _quantity(text, PULSE_UNITS, "us")
    return _whole(value, text, "a pulse finer than 1 us", "write whole us")


def parse_share(text: str) -> Fraction:
    """Return `99.5 %` as a fraction of one; raises QuantityError."""
    return _quantity(text, SHARE_UNITS, "%") / 100


def parse_decibel(text: str, units: Sequence[str]) -> int:
    """Return `-10 dBm` or `20 dB`, in one of `units`, in tenths; raises QuantityError."""
    known = {unit: DECIBEL_UNITS[unit] for unit in units}
    below = bool(_NEGATIVE.fullmatch(text))
    try:
        value = _quantity(text[1:] if below else text, known, units[0])
    except QuantityError as trouble:
        raise _below_zero(trouble, text, units[0]) if below else trouble from None
    tenths = _whole(value, text, f"finer than 0.1 {units[0]}", "write at most one decimal")
    return -tenths if below else tenths


def _below_zero(trouble: QuantityError, text: str, usual: str) -> QuantityError:
    """Return what is wrong with a level below zero, with the sign that was taken off it."""
    if text[1].isspace():
        return QuantityError(f"{quoted(text)} has a blank after the sign", f"write it such as -10 {usual}")
    allowed = trouble.allowed
    if "has no unit" in trouble.found:
        allowed = allowed.replace("write ", "write -", 1)
    found = trouble.found.replace(quoted(text[1:]), quoted(text))
    return QuantityError(found, allowed, trouble.nearest and f"-{trouble.nearest}")


def parse_distance(text: str) -> int:
    """Return `1 m` in mm; raises QuantityError, also where it is no whole number of mm."""
    value = _quantity(text, DISTANCE_UNITS, "m")
    return _whole(value, text, "a distance finer than 1 mm", "write at most three decimals of a m")


def parse_pulse_range(text: str) -> tuple[int, int]:
    """Return both pulses of `1000 us to 2000 us` in us, the shorter first; raises QuantityError."""
    match = _RANGE.fullmatch(text)
    if match is None:
        raise QuantityError(f"{quoted(text)} is not a range of pulses", "write 1000 us to 2000 us")
    low, high = (parse_pulse(part) for part in match.groups())
    if low >= high:
        raise QuantityError(f"{quoted(text)} does not go up", "write the shorter pulse first")
    return low, high


def parse_whole(text: str) -> int:
    """Return a whole number; raises QuantityError."""
    if _WHOLE.fullmatch(text):
        return int(text)
    raise QuantityError(f"{quoted(text)} is not a whole number", "write digits only, such as 20")


def parse_number(text: str) -> Fraction:
    """Return a decimal number without a unit, such as 0.01, -2 or 1e-3, exactly; raises QuantityError."""
    match = _PLAIN_NUMBER.fullmatch(text)
    if match is None:
        found = "is not a finite number" if _NOT_FINITE.fullmatch(text) else "is not a number"
        raise QuantityError(f"{quoted(text)} {found}", "write a decimal number, such as 0.01")
    sign, digits, exponent = match.groups()
    power = int(exponent or 0)
    if abs(power) > MAX_EXPONENT:
        allowed = f"exponents go from -{MAX_EXPONENT} to {MAX_EXPONENT}"
        raise QuantityError(f"the exponent of {quoted(text)} is out of range", allowed)
    value = Fraction(digits) * Fraction(10) ** power
    return -value if sign == "-" else value


def _quantity(text: str, units: Mapping[str, int], usual: str) -> Fraction:
    """Return number times unit; `usual` is the unit that messages suggest."""
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise _not_a_number(text, units, usual)
    number, unit = match[1], match[2]
    factor = units.get(unit.lstrip(" "))
    if factor is None:
        raise _wrong_unit(number, unit, units, usual)
    return Fraction(number) * factor


def _whole(value: Fraction, text: str, found: str, allowed: str) -> int:
    if value.denominator != 1:
        raise QuantityError(f"{quoted(text)} is {found}", allowed)
    return value.numerator


def _not_a_number(text: str, units: Mapping[str, int], usual: str) -> QuantityError:
    """Say why the text does not even begin like a quantity."""
    shown = quoted(text)
    example = f"write a number with a unit, such as 20 {usual}"
    if not text.strip():
        return QuantityError("nothing stands here", example)
    if _NOT_FINITE.fullmatch(text):
        return QuantityError(f"{shown} is not a finite number", example)
    if _NEGATIVE.fullmatch(text):
        return QuantityError(f"{shown} is negative", "write zero or more, without a sign")
    if text.startswith("+"):
        return QuantityError(f"{shown} has a sign", "leave the + out")
    return QuantityError(f"{shown} is not a number with a unit", f"{example} ({_units_of(units)})")


def _wrong_unit(number: str, rest: str, units: Mapping[str, int], usual: str) -> QuantityError:
    """Say what is wrong with what follows the number."""
    shown, unit = quoted(number + rest), rest.strip()
    if not unit:
        return QuantityError(f"{shown} has no unit", _with_unit(number, units, usual))
    if match := _COMMA.fullmatch(number + rest):
        return QuantityError(
            f"{shown} has a comma", "write a decimal point", f"{match[1]}.{match[2]}{match[3]}"
        )
    if _EXPONENT.fullmatch(number + rest):
        return QuantityError(f"{shown} is in exponent form", f"write the digits out, such as 20 {usual}")
    if unit[0] in "0123456789.":
        allowed = f"write at most {MAX_DIGITS} digits on either side of a decimal point, then the unit"
        return QuantityError(f"{shown} is not a number with a unit", allowed)
    allowed = f"units here: {_units_of(units)}"
    return QuantityError(f"unknown unit {quoted(unit)}", allowed, _meant(number, unit, units))


def _with_unit(number: str, units: Mapping[str, int], usual: str) -> str:
    """Say how to write a bare number; a share up to 1.0 was probably meant as a part of one."""
    if units is SHARE_UNITS and "." in number and Fraction(number) <= 1:
        number = format_number(Fraction(number) * 100)
    others = ", ".join(name for name in units if name != usual)
    return f"write {number} {usual}" + (f", or another unit: {others}" if others else "")


def _meant(number: str, unit: str, units: Mapping[str, int]) -> str:
    """Return the quantity that was probably meant, or ""."""
    if units is PULSE_UNITS and unit in DURATION_UNITS:
        return format_pulse(Fraction(number) * DURATION_UNITS[unit] / US)
    known = _SPELLINGS.get(unit.casefold(), unit)
    meant = known if known in units else nearest(unit, units)
    return f"{number} {meant}" if meant else ""


def _units_of(units: Mapping[str, int]) -> str:
    return ", ".join(units)


def format_duration(ns: int, digits: int | None = None) -> str:
    """Return a time in the unit that reads best, exact, or rounded to `digits` significant digits.

    A rounded time never gets more decimals than its unit has ns.
    """
    size = abs(ns)
    if size >= 2 * HOUR and (digits is not None or ns % (HOUR // 10) == 0):
        unit = "h"
    elif size >= 2 * MINUTE and ns % (MINUTE // 10) == 0:
        unit = "min"
    elif size >= S:
        unit = "s"
    else:
        unit = "ms" if size >= MS or size == 0 else "us"
    return f"{format_number(Fraction(ns, DURATION_UNITS[unit]), digits)} {unit}"


def format_frequency(mhz: int, digits: int | None = None) -> str:
    """Return a rate in Hz, or in mHz below 1 Hz."""
    if 0 < abs(mhz) < 1_000:
        return f"{format_number(Fraction(mhz), digits)} mHz"
    return f"{format_number(Fraction(mhz, 1_000), digits)} Hz"


def format_pulse(us: int | Fraction, digits: int | None = None) -> str:
    """Return a pulse in us."""
    return f"{format_number(Fraction(us), digits)} us"


def format_share(share: Fraction, digits: int | None = None) -> str:
    """Return a share in percent, such as `99.5 %`."""
    return f"{format_number(share * 100, digits)} %"


def format_decibel(tenths: int, unit: str = "dB") -> str:
    """Return a level given in tenths, such as `-10.5 dBm`."""
    return f"{format_number(Fraction(tenths, 10))} {unit}"


def format_distance(mm: int) -> str:
    """Return a distance in mm, m or km, exact."""
    unit = "mm" if 0 < mm < 10 else "km" if mm and mm % 1_000_000 == 0 else "m"
    return f"{format_number(Fraction(mm, DISTANCE_UNITS[unit]))} {unit}"


def format_number(value: Fraction, digits: int | None = None) -> str:
    """Return a decimal number without trailing zeros: exact where that ends, else to 15 decimals.

    `digits` rounds to that many significant digits, half to even; digits before the point are never lost.
    """
    decimals = MAX_DIGITS
    if digits is not None:
        decimals = min(max(digits - _magnitude(abs(value)), 0), MAX_DIGITS)
    scaled = round(value * 10**decimals)
    text = f"{abs(scaled):0{decimals + 1}d}"
    before, after = text[: len(text) - decimals], text[len(text) - decimals :].rstrip("0")
    sign = "-" if scaled < 0 else ""
    return f"{sign}{before}.{after}" if after else f"{sign}{before}"


def _magnitude(size: Fraction) -> int:
    """Return how many digits stand before the point; below 0.1, minus the zeros right after it."""
    if size >= 1:
        return len(str(int(size)))
    zeros = 0
    while 0 < size < Fraction(1, 10) and zeros < MAX_DIGITS:
        size *= 10
        zeros += 1
    return -zeros

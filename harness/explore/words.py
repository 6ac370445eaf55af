"""How are link time and counts typed and told? `5m` is read; `2.86 s`, `20.1 min`, `1 step` are written."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Final

from harness.clock import S
from harness.plan.units import format_number
from harness.report.escape import clean

MINUTE: Final = 60 * S
LEAST_NS: Final = S
MOST_NS: Final = 24 * 60 * MINUTE
_UNITS: Final = {"s": S, "m": MINUTE, "min": MINUTE, "h": 60 * MINUTE}


def parse_link_time(text: str) -> int:
    """Return a time as typed, such as `5m`, in ns; raises ValueError in words."""
    shown = clean(text, 40)
    given = re.fullmatch(r"(-?[0-9]{1,6}(?:\.[0-9]{1,3})?) ?(s|m|min|h)", text.strip())
    if given is None:
        raise ValueError(f"{shown!r} is no time; write a number and s, m or h, such as 5m")
    time_ns = int(Fraction(given[1]) * _UNITS[given[2]])
    if not LEAST_NS <= time_ns <= MOST_NS:
        raise ValueError(f"{shown!r} is out of range; write a time from 1s to 24h, such as 5m")
    return time_ns


def time_words(time_ns: int) -> str:
    """Return a time to three digits, in seconds below a minute and in minutes from there on."""
    if time_ns < MINUTE:
        return f"{format_number(Fraction(time_ns, S), 3)} s"
    return f"{format_number(Fraction(time_ns, MINUTE), 3)} min"

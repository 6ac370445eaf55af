"""Which macros can the reference firmwares be built with? Those that their sources leave open, and no others.

A macro that no source asks about would change nothing, and a misspelt fault would pass for a healthy build.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Final, NamedTuple

FIRMWARE: Final = Path(__file__).resolve().parents[2] / "shared" / "firmware"
REFERENCE: Final = FIRMWARE / "reference"
LOWEST: Final = -(2**31)
HIGHEST: Final = 2**32 - 1
_OPEN: Final = re.compile(r"^#ifndef (\w+)\n#define \1 +[-\w(]", re.MULTILINE)
_WRITTEN: Final = re.compile(r"([A-Za-z_]\w{0,39})(?:=(-?[0-9]{1,20}))?", re.ASCII)


class Trouble(NamedTuple):
    """What is wrong with a macro, what may stand there, and the name that was probably meant."""

    found: str
    allowed: str
    nearest: str = ""


@cache
def known_macros() -> frozenset[str]:
    """Return the macros that the sources define only if nobody else did; none outside the source tree."""
    files = [*FIRMWARE.glob("*.[ch]"), *REFERENCE.glob("*.[ch]")]
    return frozenset(name for file in files for name in _OPEN.findall(file.read_text(encoding="utf-8")))


def read_macro(text: str) -> tuple[str, int] | Trouble:
    """Return name and value of NAME or NAME=NUMBER (a bare name is 1), or what is wrong with it."""
    match = _WRITTEN.fullmatch(text)
    if match is None:
        return Trouble(f"{text!r} is no macro", "write NAME or NAME=NUMBER, a whole number")
    name, value = match[1], int(match[2] or 1)
    known = known_macros()
    if known and name not in known:
        near = get_close_matches(name.upper(), known, 1)
        return Trouble(
            f"the firmware has no macro {name!r}", "see model.h and faults.h in shared/firmware", *near
        )
    if not LOWEST <= value <= HIGHEST:
        return Trouble(f"{value} is too large for the firmware", f"write a number from {LOWEST} to {HIGHEST}")
    return name, value


def troubles(defines: tuple[str, ...]) -> Iterator[tuple[int, Trouble]]:
    """Yield place and trouble of each macro in a list that cannot be used."""
    for index, text in enumerate(defines):
        found = read_macro(text)
        if isinstance(found, Trouble):
            yield index, found

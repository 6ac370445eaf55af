"""How are the words of the command line read? As values, or with errors that say how to mend them."""

from __future__ import annotations

import argparse
import re
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import NoReturn


class Parser(argparse.ArgumentParser):
    """A parser whose errors say how to mend them."""

    def error(self, message: str) -> NoReturn:
        """Write what is wrong to stderr and leave with exit code 2."""
        message = message.replace("expected one argument", "no value stands behind it; write one there")
        super().error(f"{message} (`{self.prog} --help` tells what is allowed)")


def with_values(words: Sequence[str]) -> list[str]:
    """Return the words, `--for -1m` as `--for=-1m`: argparse would take the value for an option."""
    found: list[str] = []
    for word in words:
        option = found[-1] if found else ""
        if re.match(r"-[0-9.]", word) and re.fullmatch(r"--[a-z-]+", option) and "--" not in found:
            found[-1] = f"{option}={word}"
        else:
            found.append(word)
    return found


def count(text: str) -> int:
    """Return a whole number of something; raises ArgumentTypeError, as all these do."""
    if text.isascii() and text.isdigit() and len(text) <= 7:
        return int(text)
    raise argparse.ArgumentTypeError(f"{text!r} is no count; give a whole number up to 9999999")


def some(text: str) -> int:
    """Return a whole number of something, at least one."""
    number = count(text)
    if number:
        return number
    raise argparse.ArgumentTypeError("0 leaves none; write 1 or more, or leave the option out")


def date(text: str) -> int:
    """Return a date, or a date and time, in UTC as seconds since 1970."""
    from harness.clock import seconds_of

    try:
        return seconds_of(text)
    except (ValueError, OverflowError):
        raise argparse.ArgumentTypeError(
            f"{text!r:.60} is no date; write 2026-11-25, or 2026-11-25T14:30"
        ) from None


def baud(text: str) -> int:
    """Return a baud rate."""
    if text.isascii() and text.isdigit() and len(text) <= 8 and 300 <= int(text) <= 12_000_000:
        return int(text)
    raise argparse.ArgumentTypeError(f"{text!r} is no baud rate; give a whole number from 300 to 12000000")


def names(text: str) -> tuple[str, ...]:
    """Return the names between commas, each once."""
    found = tuple(dict.fromkeys(name.strip() for name in text.split(",")))
    if all(found):
        return found
    raise argparse.ArgumentTypeError(f"a name is missing in {text!r}; write names with one comma in between")


def path(text: str) -> Path:
    """Return a file or folder; an empty word would be the current folder."""
    if text.strip():
        return Path(text)
    raise argparse.ArgumentTypeError(f"{text!r} names nothing; write a name, or leave the option out")


def seed(text: str) -> int:
    """Return what all chance comes from."""
    from harness.chance import parse_seed

    try:
        return parse_seed(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def unit(text: str) -> str:
    """Return the name of a unit: one printable line of at most 80 characters."""
    from harness.bench.rig import UNIT_MAX

    name = text.strip()
    if name and name.isprintable() and len(name) <= UNIT_MAX:
        return name
    raise argparse.ArgumentTypeError(
        f"{text!r:.100} names no unit; write up to {UNIT_MAX} printable characters"
    )


def share(text: str) -> Fraction:
    """Return a share of a stick's travel, such as `10 %`."""
    from harness.plan.units import QuantityError, parse_share

    try:
        found = parse_share(text)
    except QuantityError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if not 0 <= found <= 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no share of a stick's travel; write 0 % to 100 %")
    return found


def moment(text: str) -> float:
    """Return a time in s of the run, such as `12.5`; before the first step it is negative."""
    number = text.strip().removesuffix("s").strip()
    if re.fullmatch(r"[+-]?[0-9]{1,9}([.][0-9]{1,9})?", number):
        return float(number)
    raise argparse.ArgumentTypeError(f"{text!r} is no time of the run; give s since its first step, as 12.5")


def link_time(text: str) -> int:
    """Return a time in ns."""
    from harness.explore.words import parse_link_time

    try:
        return parse_link_time(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None

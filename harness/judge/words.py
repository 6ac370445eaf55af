"""How are numbers said in a reason? Short, with units, never rounded onto the wrong side of a limit."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Final

from harness.clock import MS, US, S
from harness.measure.evidence import Evidence

EXAMPLES: Final = 5
"""Single events named under a check, at most."""
TEXT_MOST: Final = 120


def plain(number: float, places: int = 3) -> str:
    """Return a number with at most `places` decimals and no idle zeros."""
    text = f"{number:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def ms(time_ns: float) -> str:
    """Return a time in ms, to the us."""
    return f"{plain(time_ns / MS)} ms"


def times_ms(times_ns: Sequence[int]) -> str:
    """Return `1 ms to 2 ms` for the least and the most of some times; one where they are the same to 1 us."""
    least, most = min(times_ns), max(times_ns)
    return ms(most) if most - least <= US else f"{ms(least)} to {ms(most)}"


def between(lower: str, upper: str) -> str:
    """Return `between 1 ms and 2 ms`; one of them where both ends read the same."""
    return f"surely {lower}" if lower == upper else f"between {lower} and {upper}"


def share(value: float | Fraction) -> str:
    """Return a share of 1 in per cent."""
    return f"{plain(float(value) * 100)} %"


def moment(evidence: Evidence, at_ns: int) -> str:
    """Return when something was, in s since the first step, and in which step."""
    start = evidence.run.start_ns
    steps = [step for step in evidence.steps if step.start_ns <= at_ns <= step.end_ns]
    where = f" in {steps[-1].name}" if steps and steps[-1].name else ""
    return f"{plain((at_ns - start) / S)} s{where}"


def in_steps(during: tuple[str, ...]) -> str:
    """Return ` in a, b` for the steps looked at, nothing for the whole run."""
    return f" in {', '.join(during)}" if during else ""


def foreign(data: bytes) -> str:
    """Return text that a device printed, escaped and cut short."""
    text = ascii(data.decode("utf-8", "replace"))[1:-1]
    return text if len(text) <= TEXT_MOST else text[:TEXT_MOST] + "..."

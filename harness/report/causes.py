"""How are likely causes told? Title, evidence for and against, and the experiment that would settle it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.likely import Likely
from harness.report.escape import clean

MOST_SHORT: Final = 3
"""Causes in the short report; report.txt and verdict.json have all of them."""
WORDS: Final = ((0.9, "all but certain"), (0.75, "very likely"), (0.5, "likely"), (0.0, "possible"))


def how_likely(cause: Likely) -> str:
    """Return the strength of a cause in words; `by design` for what is no fault."""
    if cause.by_design:
        return "by design"
    return next(words for least, words in WORDS if cause.strength >= least)


def cause_lines(causes: Sequence[Likely], *, full: bool) -> list[str]:
    """Return the paragraph on likely causes, lines to be wrapped; nothing where there is none.

    What is by design is no news: only the full report tells it.
    """
    told = causes if full else [cause for cause in causes if not cause.by_design]
    if not told:
        return []
    shown = told if full else told[:MOST_SHORT]
    lines = ["Likely causes, by the recording:"]
    for number, cause in enumerate(shown, start=1):
        lines += _cause(number, cause)
    if len(shown) < len(told):
        lines.append(f"{len(told) - len(shown)} more in report.txt or with --full.")
    return lines


def _cause(number: int, cause: Likely) -> list[str]:
    explains = ", ".join(map(clean, cause.explains))
    lines = [f"{number}. {clean(cause.title)} ({how_likely(cause)})"]
    lines += [f"   explains: {explains}"] if explains else []
    lines += [f"   for: {clean(words)}" for words in cause.speaks_for]
    lines += [f"   against: {clean(words)}" for words in cause.speaks_against]
    lines += [f"   settle it: {clean(cause.next_step)}"] if cause.next_step else []
    return lines


def one_line(causes: Sequence[Likely], check: str) -> str:
    """Return the likeliest cause of one check's failure in a line; empty if none explains it."""
    cause = next((one for one in causes if check in one.explains and not one.by_design), None)
    return f"likely cause: {clean(cause.title)}" if cause is not None else ""


__all__ = ["MOST_SHORT", "cause_lines", "how_likely", "one_line"]

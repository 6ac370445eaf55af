"""Where does a check's figure stand on an axis that all share? Its limit in the middle, good to the right.

A distance from the limit is told as a share of the way to the best there can be: 0 for times and counts that
may not be too large, 100 % for shares that may not be too small, twice the limit for what has no best. Its
square root is drawn, so that a figure just inside of its limit is not drawn upon it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from harness.page.model import Card, Lane, Lanes, Mood
from harness.report.figures import figures, is_finite, widened
from harness.verdict import CheckResult, Verdict

MOODS: Final[dict[Verdict, Mood]] = {
    Verdict.PASS: "good",
    Verdict.FAIL: "bad",
    Verdict.ERROR: "doubt",
    Verdict.INCONCLUSIVE: "doubt",
    Verdict.NONE: "muted",
}
MATTERS: Final = (("delivery",), ("latency", "control_age"), ("failsafe_entry", "recovery"))
"""Kinds of checks that a maker looks at first: does it arrive, soon enough, and does the throttle close?"""
CARDS: Final = 3
BEYOND: Final = 2.0
"""Stands for a place that no axis reaches."""
NOTE: Final = (
    "Every limit stands in the middle, and better is to the right: the right end is no loss, no delay or "
    "nothing wrong at all, the left end twice as bad as allowed, or worse. Distances are drawn as their "
    "square roots, so that small margins can be seen."
)


def lanes(results: Sequence[CheckResult]) -> Lanes:
    """Return all checks on one axis."""
    return Lanes("Each check against its limit", tuple(map(_lane, results)), ("worse", "better"), NOTE)


def cards(results: Sequence[CheckResult]) -> tuple[Card, ...]:
    """Return the figures that matter most: one of each kind in `MATTERS`, then the worst of the others."""
    judged = sorted((one for one in results if one.verdict is not Verdict.NONE), key=_badness)
    groups = ([one for one in judged if one.kind in kinds] for kinds in MATTERS)
    chosen = [group[0] for group in groups if group]
    others = [one for one in judged if all(one is not other for other in chosen)]
    chosen += others[: CARDS - len(chosen)]
    return tuple(map(_card, chosen))


def place(result: CheckResult, number: float | None) -> float | None:
    """Return where a number in the check's unit stands; None if there is no number or no limit.

    0 is the limit, 1 the best there can be, negative is beyond the limit; less than -1 is off the axis.
    """
    if number is None or math.isnan(number) or not is_finite(result.limit):
        return None
    limit = result.limit
    best = _best(result)
    if best == limit:
        return 0.0 if number == limit else -BEYOND
    share = (number - limit) / (best - limit)
    if not math.isfinite(share):
        return math.copysign(BEYOND, share)
    return math.copysign(math.sqrt(abs(share)), share)


def _best(result: CheckResult) -> float:
    assert result.limit is not None
    if result.side == "at most":
        return min(0.0, 2 * result.limit)
    if result.unit == "%" and result.limit <= 100:
        return 100.0
    if result.unit == "share" and result.limit <= 1:
        return 1.0
    return result.limit + abs(result.limit or 1.0)


def _lane(result: CheckResult) -> Lane:
    told = figures(result)
    at = place(result, result.value)
    low, high = sorted_ends(result)
    exact = result.limit == result.value == 0
    words = "none, as wanted" if exact else "" if at is not None else "no figure"
    return Lane(
        result.name,
        MOODS[result.verdict],
        result.verdict.value,
        told.value,
        told.limit,
        None if exact else at,
        None if exact else low,
        None if exact else high,
        words,
    )


def sorted_ends(result: CheckResult) -> tuple[float | None, float | None]:
    """Return where both ends of the interval stand, the worse one first; an open end is off the axis."""
    if result.interval is None and not is_finite(result.uncertainty):
        return None, None
    low, high = widened(result)
    if result.interval is None and result.value is not None:
        doubt = result.uncertainty or 0.0
        low, high = result.value - doubt, result.value + doubt
    open_low, open_high = -math.inf if low is None else low, math.inf if high is None else high
    ends = [place(result, open_low), place(result, open_high)]
    known = sorted(end for end in ends if end is not None)
    return (known[0], known[1]) if len(known) == 2 else (None, None)


def _card(result: CheckResult) -> Card:
    told = figures(result)
    return Card(
        result.name, told.value, told.interval, told.limit, result.verdict.value, MOODS[result.verdict]
    )


def _badness(result: CheckResult) -> tuple[int, float]:
    at = place(result, result.value)
    return -result.verdict.rank, BEYOND if at is None or result.limit == result.value == 0 else at

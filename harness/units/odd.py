"""Which units stand out from the lot? One stated test for each figure, all of them sharing one risk.

The test goes by the number of units and the kind of figure, both known before the values are looked at:
15 units and more Rosner's generalized ESD test, 7 to 14 Grubbs's, 4 to 6 Dixon's; for figures that crowd
against an end the median rule of Iglewicz and Hoaglin. Times must stand out as they are and in their
logarithm, for both normal and lognormal figures are met. Under 4 units nothing can be said. Whatever a test
finds must also differ from the middle of the other units by more than the intervals and the measurement
uncertainties of both. All tests are two-sided, for a unit may be odd by being better; but of figures that are
the worst of a few events only the bad side counts, for chance makes some of them good.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from harness.stats.outliers import MODIFIED_Z_LIMIT, dixon, grubbs, modified_z, rosner
from harness.units.figures import Subject
from harness.units.lots import Joined, Lot, Unit
from harness.units.ranking import RISK, halves

FEWEST: Final = 4
FEWEST_GRUBBS: Final = 7
FEWEST_ROSNER: Final = 15
"""NIST/SEMATECH e-Handbook section 1.3.5.17.3 calls the test's risk reasonably accurate from here on (from
memory); `tests/evidence/units.md` has it for the numbers used here."""
MOST: Final = 4
"""At most one in so many units is odd: with more, it is a mixed lot."""


@dataclass(frozen=True, slots=True)
class Odd:
    """A unit that stands out: its value, the middle of the others, how far out it is and what was allowed."""

    unit: Unit
    value: float
    middle: float
    statistic: float
    critical: float
    is_worse: bool


@dataclass(frozen=True, slots=True)
class Look:
    """One figure over the lot: by which test, who stands out. `test` "" means not tested, `why` says why.

    `doubted` are units that the median rule calls odd and the test does not; with two or more of them one may
    have masked the other.
    """

    subject: Subject
    units: int
    test: str
    critical: float | None = None
    odd: tuple[Odd, ...] = ()
    doubted: tuple[Unit, ...] = ()
    is_mixed: bool = False
    why: str = ""


def look_for_odd(lot: Lot) -> tuple[Look, ...]:
    """Return a look at each figure, in the plan's order. The tests made share the risk evenly."""
    found = {s.key: [unit for unit in lot.units if s.key in unit.figures] for s in lot.subjects}
    reasons = {s.key: _why_not(s, found[s.key]) for s in lot.subjects}
    tested = sum(not why for why in reasons.values())
    looks = []
    for subject in lot.subjects:
        units, why = found[subject.key], reasons[subject.key]
        if why:
            looks.append(Look(subject, len(units), "", why=why))
        else:
            looks.append(_look(subject, units, RISK / tested))
    return tuple(looks)


def _why_not(subject: Subject, units: Sequence[Unit]) -> str:
    if not units:
        return "no unit has a value"
    values = {unit.figures[subject.key].value for unit in units}
    if len(values) == 1:
        return "no two units differ"
    if subject.shape == "listed":
        return "not tested, being one largest value or a count of a run"
    if len(units) < FEWEST:
        return f"a value in fewer than {FEWEST} units, of which nothing can be said"
    if all(unit.figures[subject.key].below is None for unit in units) and subject.shape == "skewed":
        return "no interval tells what is chance"
    return ""


def _look(subject: Subject, units: Sequence[Unit], risk: float) -> Look:
    values = [unit.figures[subject.key].value for unit in units]
    scores = modified_z(values)
    far_out = _far(scores)
    if subject.shape == "skewed":
        test, critical = "median rule", MODIFIED_Z_LIMIT
        found = {n: (scores[n], critical) for n in far_out}
    else:
        test, critical, found = _even(values, risk)
        if logs := _logarithms(subject, units):
            beside, far_too = _even(logs, risk)[2], _far(modified_z(logs))
            found = {n: told for n, told in found.items() if n in beside}
            far_out = tuple(n for n in far_out if n in far_too)
    tail = risk / (2 * len(units))
    real = [n for n in found if _counts(subject, units, n, tail)]
    far = [n for n in far_out if n not in real and _counts(subject, units, n, tail)]
    most = max(1, len(units) // MOST)
    odd = tuple(_odd(subject, units, n, *found[n]) for n in real[:most])
    doubted = tuple(units[n] for n in far) if subject.shape != "skewed" else ()
    is_mixed = len(real) > most or len(real) + len(far) > most
    return Look(subject, len(units), test, critical, odd, doubted, is_mixed)


def _logarithms(subject: Subject, units: Sequence[Unit]) -> list[float]:
    """Return the logarithms of times, with the measurement uncertainty added; none unless all are positive.

    Times have long upper tails where they differ by much. What stands out must do so in both scales, so that
    the risk holds for normal figures and for lognormal ones. Where units differ by little, both scales agree.
    """
    found = [unit.figures[subject.key] for unit in units]
    doubt = statistics.median(one.uncertainty for one in found)
    if subject.better > 0 or min(one.value for one in found) + doubt <= 0:
        return []
    return [math.log(one.value + doubt) for one in found]


def _even(values: Sequence[float], risk: float) -> tuple[str, float, dict[int, tuple[float, float]]]:
    """Return the test for so many values, its first critical value, and what it allows and found by place."""
    count = len(values)
    if count >= FEWEST_ROSNER:
        test, found = "Rosner's ESD", rosner(values, count // MOST, risk)
    elif count >= FEWEST_GRUBBS:
        test, found = "Grubbs", grubbs(values, risk)
    else:
        test, found = "Dixon", dixon(values, risk)
    told = list(zip(found.statistics, found.critical, strict=True))[: len(found.places)]
    # of several odd ones the last step decides, whatever the steps before it came to
    shown = [pair if pair[0] > pair[1] else told[-1] for pair in told]
    return test, found.critical[0], dict(zip(found.places, shown, strict=True))


def _far(scores: Sequence[float]) -> tuple[int, ...]:
    """Return the places that the median rule calls odd, the farthest first."""
    far = [place for place, score in enumerate(scores) if abs(score) > MODIFIED_Z_LIMIT]
    return tuple(sorted(far, key=lambda place: -abs(scores[place])))


def _counts(subject: Subject, units: Sequence[Unit], place: int, tail: float) -> bool:
    """Return whether a unit that a test found is odd: beyond doubt, on a side that tells of the unit."""
    if subject.shape == "worst" and not _is_worse(subject, units, place):
        return False
    return _is_beyond(subject, units, place, tail)


def _is_worse(subject: Subject, units: Sequence[Unit], place: int) -> bool:
    return (units[place].figures[subject.key].value - _middle(subject, units, place)) * subject.better < 0


def _middle(subject: Subject, units: Sequence[Unit], place: int) -> float:
    """Return the median of the other units."""
    return statistics.median(u.figures[subject.key].value for n, u in enumerate(units) if n != place)


def _is_beyond(subject: Subject, units: Sequence[Unit], place: int, tail: float) -> bool:
    """Return whether a unit differs from the middle of the others by more than both sides' doubt.

    For figures without an interval the doubt is the measurement uncertainty alone: the scatter among the
    units, which the test knows, stands for the rest.
    """
    found = units[place].figures[subject.key]
    others = [unit.figures[subject.key] for n, unit in enumerate(units) if n != place]
    middle = _middle(subject, units, place)
    is_more = found.value > middle
    own = _reach(subject, found, tail, upwards=not is_more)
    theirs = statistics.median(_reach(subject, one, tail, upwards=is_more) for one in others)
    doubt = found.uncertainty + statistics.median(one.uncertainty for one in others)
    return abs(found.value - middle) > math.hypot(own, theirs) + doubt


def _reach(subject: Subject, found: Joined, tail: float, *, upwards: bool) -> float:
    if found.below is None and found.above is None:
        return 0.0
    below, above = halves(subject, found, None, tail)
    return above if upwards else below


def _odd(subject: Subject, units: Sequence[Unit], place: int, statistic: float, critical: float) -> Odd:
    value = units[place].figures[subject.key].value
    middle, is_worse = _middle(subject, units, place), _is_worse(subject, units, place)
    return Odd(units[place], value, middle, abs(statistic), critical, is_worse)

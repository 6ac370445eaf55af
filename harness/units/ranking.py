"""Which unit is better than which, as far as that can be told? Pairs apart, places, and the least room left.

Two units are told apart in a figure if the interval of their difference leaves out zero, widened by both
measurement uncertainties. The interval is made of the two intervals' facing halves by square-and-add
(Newcombe 1998; Zou and Donner 2008: both from memory), each as wide as Bonferroni's share of the risk asks
for over all pairs and figures. Where enough units ran more than once, what differs from run to run is counted
as well.

A unit is *shown better* than another if its verdict is better, or with equal verdicts it is better in a
figure and worse in none. Its place is what that leaves open: behind as many as are shown better, ahead of as
many as are shown worse. No score is made of different figures.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from harness.units.figures import Subject
from harness.units.lots import Joined, Lot, Unit
from harness.verdict import Verdict

RISK: Final = 0.05
"""Chance that any units at all, in any figure, are told apart though they are equal: common practice."""
FEWEST_DEGREES: Final = 4
"""With fewer repeats than this over all units, the scatter from run to run is too badly known to be used."""
_CLASSES: Final = {Verdict.PASS: 0, Verdict.INCONCLUSIVE: 1, Verdict.FAIL: 2}
_MEDIAN: Final = math.sqrt(math.pi / 2)
"""How much more than a mean the median of many normal values scatters; of one or two it is the mean."""
Grid = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Scatter:
    """What one figure's values differ by from run to run of the same unit, with its degrees of freedom."""

    deviation: float
    degrees: int


@dataclass(frozen=True, slots=True)
class Place:
    """Where a unit stands: from `first` to `last`, from 1 on. `tightest` has the least room left."""

    unit: Unit
    first: int
    last: int
    tightest: Subject | None
    room: float | None


@dataclass(frozen=True, slots=True)
class Ranking:
    """Places in order; by figure, how many pairs were told apart; how much of it rests on repeated runs."""

    places: tuple[Place, ...]
    apart: Mapping[str, int]
    comparisons: int
    repeated: bool


def rank(lot: Lot) -> Ranking:
    """Return the units in order."""
    scatters = {subject.key: scatter_of(lot.units, subject.key) for subject in lot.subjects}
    repeated = any(one is not None for one in scatters.values())
    count = len(lot.units)
    usable = [s for s in lot.subjects if s.shape != "listed" and _comparable(lot, s, scatters[s.key])]
    comparisons = len(usable) * count * (count - 1) // 2
    tail = RISK / (2 * max(1, comparisons))
    ahead = {s.key: _ahead(lot.units, s, scatters[s.key], tail) for s in usable}
    nothing = np.zeros((count, count), dtype=bool)
    better = np.logical_or.reduce([nothing, *ahead.values()])
    classes = np.array([_CLASSES[unit.verdict] for unit in lot.units])
    shown = (better & ~better.T & (classes[:, None] == classes)) | (classes[:, None] < classes)
    apart = {key: int(grid.sum()) for key, grid in ahead.items()}
    return Ranking(tuple(_places(lot, shown, apart)), apart, comparisons, repeated)


def _comparable(lot: Lot, subject: Subject, scatter: Scatter | None) -> bool:
    """Return whether something is known of how a figure scatters by chance, for one unit at least."""
    found = [unit.figures[subject.key] for unit in lot.units if subject.key in unit.figures]
    return scatter is not None or any(_half(one.below) + _half(one.above) < math.inf for one in found)


def _ahead(units: Sequence[Unit], subject: Subject, scatter: Scatter | None, tail: float) -> Grid:
    """Return which unit (row) is shown better than which (column) in one figure."""
    count = len(units)
    value, below, above, doubt = np.full((4, count), np.nan)
    for place, unit in enumerate(units):
        found = unit.figures.get(subject.key)
        if found is not None:
            value[place], doubt[place] = found.value, found.uncertainty
            below[place], above[place] = halves(subject, found, scatter, tail)
    difference = value[:, None] - value
    reach = np.hypot(below[:, None], above) + doubt[:, None] + doubt
    more: Grid = difference > reach  # not a number is never more
    return more if subject.better > 0 else more.T


def halves(subject: Subject, found: Joined, scatter: Scatter | None, tail: float) -> tuple[float, float]:
    """Return how far the true figure may be below and above the measured one, each with the risk `tail`.

    An interval that holds with another confidence is widened as that of a normal figure would be, that of a
    skewed one as an exponential's, which reaches farther: no loss among n packets leaves -ln(risk) / n open.
    Infinite where nothing is known.
    """
    below, above = (_widened(half, found.confidence, subject, tail) for half in (found.below, found.above))
    if scatter is None:
        return below, above
    repeat = _repeated(scatter, len(found.values), tail)
    return max(repeat, below) if below < math.inf else repeat, max(
        repeat, above
    ) if above < math.inf else repeat


def _widened(half: float | None, confidence: float | None, subject: Subject, tail: float) -> float:
    from scipy.special import ndtri

    if half is None or confidence is None or not 0.5 < confidence < 1:
        return math.inf
    if subject.shape == "skewed":
        return half * math.log(tail) / math.log(1 - confidence)
    return half * float(ndtri(tail) / ndtri(1 - confidence))


def _repeated(scatter: Scatter, runs: int, tail: float) -> float:
    """Return how far the joined figure of so many runs may be from what ever more runs would give."""
    from scipy.special import stdtrit

    spread = scatter.deviation / math.sqrt(runs) * (_MEDIAN if runs > 2 else 1)
    return -float(stdtrit(scatter.degrees, tail)) * spread


def _half(half: float | None) -> float:
    return math.inf if half is None else half


def scatter_of(units: Sequence[Unit], key: str) -> Scatter | None:
    """Return the pooled standard deviation of a figure within units, None with too few repeats."""
    groups = [np.array(unit.figures[key].values) for unit in units if key in unit.figures]
    degrees = sum(len(group) - 1 for group in groups)
    if degrees < FEWEST_DEGREES:
        return None
    squares = math.fsum(float(((group - group.mean()) ** 2).sum()) for group in groups)
    return Scatter(math.sqrt(squares / degrees), degrees)


def _places(lot: Lot, shown: Grid, apart: Mapping[str, int]) -> list[Place]:
    behind, ahead = shown.sum(axis=0), shown.sum(axis=1)
    count = len(lot.units)
    told = [subject for subject in lot.subjects if apart.get(subject.key)]
    places = []
    for place, unit in enumerate(lot.units):
        tightest, room = _tightest(unit, told)
        if room is None:
            tightest, room = _tightest(unit, lot.subjects)
        places.append(Place(unit, 1 + int(behind[place]), count - int(ahead[place]), tightest, room))
    return sorted(places, key=_order)


def _order(place: Place) -> tuple[int, int, int, float, str]:
    room = -math.inf if place.room is None else -place.room
    return _CLASSES[place.unit.verdict], place.first, place.last, room, place.unit.name


def _tightest(unit: Unit, subjects: Sequence[Subject]) -> tuple[Subject | None, float | None]:
    """Return the figure with the least room left, and the room."""
    rooms = [
        (room, subject)
        for subject in subjects
        if subject.key in unit.figures and (room := subject.room(unit.figures[subject.key].value)) is not None
    ]
    if not rooms:
        return None, None
    room, subject = min(rooms, key=lambda pair: pair[0])
    return subject, room

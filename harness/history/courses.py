"""How did each figure go, from run to run? First, last, marks between, a trend where a test shows one.

A trend is named where Mann-Kendall's test (`harness.stats.trend`) would find so much order among the values
by chance in fewer than 5 % of histories, all figures that are looked at taken together (Bonferroni). Runs are
taken as independent; values of more than 200 runs are first made into medians of neighbours.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from harness.history.entry import CheckEntry
from harness.history.rows import Group
from harness.history.series import Line
from harness.stats.trend import Floats, kendall

RISK: Final = 0.05
COMPARED_MAX: Final = 200
COURSE_MAX: Final = 16
"""Marks in a course: with figures beside it a line of 80 columns is full."""
MARKS: Final = "▁▂▃▄▅▆▇█"
PLAIN_MARKS: Final = "_.-=^"
"""For terminals and files without block elements."""


@dataclass(frozen=True, slots=True)
class Course:
    """One figure of one group with what a test for a trend says of it.

    `known` are the values that there are. `tau` and `p_value` are Kendall's; `trend` is `rising`, `falling`
    or "".
    """

    line: Line
    known: tuple[float, ...]
    changes: bool
    tau: float = 0.0
    p_value: float = 1.0
    trend: str = ""

    @property
    def name(self) -> str:
        """The check's name."""
        return self.line.name

    @property
    def last(self) -> CheckEntry:
        """All that the newest run says of it."""
        return self.line.last

    @property
    def direction(self) -> str:
        """Whether the trend is for the `better` or the `worse`; "" without a trend or a good side."""
        if not self.trend or not self.last.side:
            return ""
        return "better" if (self.trend == "rising") == (self.last.side == "at least") else "worse"


@dataclass(frozen=True, slots=True)
class Told:
    """A group with its figures, in the newest run's order."""

    group: Group
    courses: tuple[Course, ...]

    @property
    def verdicts(self) -> Counter[str]:
        """How many runs had which verdict."""
        return Counter(run.verdict for run in self.group.runs)

    @property
    def plans(self) -> int:
        """How many different texts the plan had."""
        return len({run.plan_sha256 for run in self.group.runs})


def told_of(groups: Sequence[Group], lines: Sequence[Sequence[Line]]) -> tuple[Told, ...]:
    """Return every group with its courses and their trends."""
    courses = [[_course(line) for line in some] for some in lines]
    looked_at = sum(course.changes for some in courses for course in some)
    return tuple(
        Told(group, tuple(_tested(course, looked_at) for course in some))
        for group, some in zip(groups, courses, strict=True)
    )


def _course(line: Line) -> Course:
    known = tuple(value for value in line.values if value is not None)
    return Course(line, known, len(set(known)) > 1)


def _tested(course: Course, looked_at: int) -> Course:
    """Return the course with its trend; one that never changed can show none."""
    if not course.changes:
        return course
    tau, p_value = kendall(_medians(np.asarray(course.known)))
    seen = p_value * looked_at < RISK
    trend = ("rising" if tau > 0 else "falling") if seen else ""
    return replace(course, tau=tau, p_value=p_value, trend=trend)


def _medians(values: Floats) -> Floats:
    """Return at most `COMPARED_MAX` values: medians of as many neighbours each as that takes."""
    each = -(-len(values) // COMPARED_MAX)
    whole = len(values) // each * each
    found = np.median(values[:whole].reshape(-1, each), axis=1)
    return np.append(found, np.median(values[whole:])) if whole < len(values) else found


def marks(course: Course, *, plain: bool = False, most: int = COURSE_MAX) -> str:
    """Return the course in marks from the lowest to the highest value, the newest last.

    With more runs than marks, each mark stands for neighbours and shows the one nearest to the bad side, so
    that no bad run is lost; a run without a value is a blank.
    """
    known = course.known
    if not known:
        return ""
    low, high = min(known), max(known)
    scale = PLAIN_MARKS if plain else MARKS
    values = course.line.values
    each = -(-len(values) // most)
    shown = [_worst(values[start : start + each], course) for start in range(0, len(values), each)]
    return "".join(" " if value is None else scale[_level(value, low, high, len(scale))] for value in shown)


def _worst(values: Sequence[float | None], course: Course) -> float | None:
    known = [value for value in values if value is not None]
    if not known:
        return None
    if not course.last.side:
        middle = float(np.median(course.known))
        return max(known, key=lambda value: abs(value - middle))
    return min(known) if course.last.side == "at least" else max(known)


def _level(value: float, low: float, high: float, levels: int) -> int:
    """Return the mark of a value; halves first, so that no span is too great for a float."""
    if high == low:
        return 0
    share = (value / 2 - low / 2) / (high / 2 - low / 2)
    return min(levels - 1, max(0, math.floor(share * levels)))


__all__ = ["COURSE_MAX", "Course", "Told", "marks", "told_of"]

"""How is the history told in a terminal? Group by group: verdicts, figures with their course, newest runs."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Final

from harness.history.courses import COURSE_MAX, Course, Told, marks
from harness.history.entry import CheckEntry
from harness.history.rows import RunRow, Unread
from harness.plan.wording import many
from harness.report.figures import figures, with_unit
from harness.report.table import GAP, columns
from harness.verdict import CheckResult, Verdict

WIDTH: Final = 100
"""Where the output goes to a file or a pipe."""
WIDTH_MIN: Final = 60
NEWEST: Final = 5
"""Runs listed of each group, where nobody asked for a number."""
NAMED_MAX: Final = 10
"""Folders named in one complaint."""
COURSE_MIN: Final = 6
STRETCHES_MAX: Final = 8
PLACES_MAX: Final = 6
HEADS: Final = ("check", "course", "first", "last", "change", "limit")
UNDATED: Final = "*"


@dataclass(frozen=True, slots=True)
class History:
    """All that is told: where it stands, the groups, and what could not be read."""

    path: str
    groups: tuple[Told, ...]
    unread: tuple[Unread, ...]
    broken: tuple[str, ...]
    unjudged: tuple[str, ...]
    asked: bool = False
    """Whether figures were named: then every one is shown, constant ones too."""
    last: int | None = None
    checks: Mapping[int, Sequence[CheckEntry]] = field(default_factory=dict)
    """Every check of every run by the run's id, where a table was asked for."""

    @property
    def runs(self) -> tuple[RunRow, ...]:
        """All runs that are told of."""
        return tuple(run for one in self.groups for run in one.group.runs)


def render(history: History, *, width: int = WIDTH, plain: bool = False) -> str:
    """Return the history as text, lines of at most `width` columns where words allow it; ends in a newline.

    `plain` does without block elements.
    """
    width = max(width, WIDTH_MIN)
    parts = [_head(history, width)]
    parts += [_group(told, history, width, plain=plain) for told in history.groups]
    parts += [_complaints(history, width), _wrapped(_reading(history), width)]
    return "\n\n".join(part for part in parts if part) + "\n"


def _head(history: History, width: int) -> str:
    groups = history.groups
    kinds = (
        (len({one.group.unit for one in groups}), "unit"),
        (len({one.group.firmware for one in groups}), "firmware"),
        (len({one.group.plan for one in groups}), "plan"),
    )
    told = ", ".join(many(count, what) for count, what in kinds)
    lines = [f"{many(len(history.runs), 'run')} in {history.path}: {told}; newest last"]
    if any(not run.dated for run in history.runs):
        lines.append(
            f"{UNDATED} a simulated run has no date: it stands where its verdict.json was written, in UTC"
        )
    return _wrapped(lines, width)


def _group(told: Told, history: History, width: int, *, plain: bool) -> str:
    group = told.group
    modules = sorted({run.module for run in group.runs if run.module})
    lines = [
        f"unit {group.unit}" + (f" (module {', '.join(modules)})" if modules else ""),
        f"firmware {group.firmware}",
        f"plan {group.plan}" + (f", whose text changed: {told.plans} versions" if told.plans > 1 else ""),
        f"{many(len(group.runs), 'run')}: {_stretches(group.runs)}",
    ]
    changing = [course for course in told.courses if _is_shown(course, history)]
    blocks = [_wrapped(lines, width), _table(changing, width, plain=plain)]
    blocks.append(_wrapped(_steady(told, changing), width))
    blocks.append(_wrapped([_trend(course) for course in changing if course.trend], width))
    blocks.append(_newest(group.runs, told, history, width))
    return "\n".join(block for block in blocks if block)


def _stretches(runs: Sequence[RunRow]) -> str:
    """Return `5 pass, 1 fail, 3 pass`: the verdicts in the order of runs."""
    found = [(verdict, len(list(same))) for verdict, same in groupby(run.verdict for run in runs)]
    shown = [f"{count} {verdict}" for verdict, count in found[-STRETCHES_MAX:]]
    before = sum(count for _, count in found[:-STRETCHES_MAX])
    return ", ".join([f"{before} before"] * bool(before) + shown)


def _is_shown(course: Course, history: History) -> bool:
    """Return whether a figure gets a line of its own: it changed, or somebody asked for it."""
    return bool(course.known) and (course.changes or history.asked)


def _steady(told: Told, shown: Sequence[Course]) -> list[str]:
    """Tell figures without a line of their own: those that never changed, and those that nobody knows."""
    others = [course for course in told.courses if course not in shown]
    same = [f"{course.name} {shown_value(course.last)}" for course in others if any(course.known)]
    zero = [course.name for course in others if course.known and not any(course.known)]
    same += [f"0 for {', '.join(zero)}"] if zero else []
    unknown = [course.name for course in others if not course.known]
    each = "the same in every run" if len(told.group.runs) > 1 else "in this one run"
    lines = [f"{each}: {'; '.join(same)}"] if same else []
    return lines + ([f"without a figure: {', '.join(unknown)}"] if unknown else [])


def shown_value(check: CheckEntry) -> str:
    """Return a check's value with its unit, as reports show it."""
    return figures(_result(check)).value or "none"


def shown_limit(course: Course) -> str:
    """Return the newest run's limit, such as `at most 500 ms`."""
    return figures(_result(course.last)).limit


def shown_ends(course: Course) -> tuple[str, str, str]:
    """Return the first value, the last and their difference, with two digits of how far values lie apart.

    Values that are all the same stand as reports show them.
    """
    known, unit = course.known, course.last.unit
    if max(known) == min(known):
        value = shown_value(course.last)
        return value, value, "0"
    places = _places(max(known) - min(known))
    first, last = round(known[0], places), round(known[-1], places)
    change = round(last - first, places)
    texts = [f"{number:.{places}f}" for number in (first, last)]
    return with_unit(texts[0], unit), with_unit(texts[1], unit), f"{change:+.{places}f}" if change else "0"


def _places(span: float) -> int:
    return min(PLACES_MAX, max(0, 1 - math.floor(math.log10(span)))) if span > 0 else 0


def _result(check: CheckEntry) -> CheckResult:
    interval = None if check.low is None and check.high is None else (check.low, check.high)
    return CheckResult(
        check.name, check.kind, Verdict(check.verdict), "", check.value, check.unit, interval,
        check.confidence, check.uncertainty, check.limit,
        check.side if check.side in ("at least", "at most") else "",
        check.samples or 0, check.sample_unit,
    )  # fmt: skip


def _table(courses: Sequence[Course], width: int, *, plain: bool) -> str:
    """Return a line for each course; where space is short courses are shortened, then limits left out."""
    if not courses:
        return ""
    rows = [HEADS, *(_cells(course) for course in courses)]
    left = width - _needed(rows)
    if left < COURSE_MIN:
        rows = [row[:-1] for row in rows]
        left = width - _needed(rows)
    most = max(COURSE_MIN, min(COURSE_MAX, left))
    drawn = ["course", *(marks(course, plain=plain, most=most) for course in courses)]
    rows = [(row[0], mark, *row[2:]) for row, mark in zip(rows, drawn, strict=True)]
    widths = [max(columns(row[place]) for row in rows) for place in range(len(rows[0]))]
    return "\n".join(_line(row, widths) for row in rows)


def _needed(rows: Sequence[tuple[str, ...]]) -> int:
    """Return how many columns everything but the courses takes."""
    widths = [max(columns(row[place]) for row in rows) for place in range(len(rows[0])) if place != 1]
    return sum(widths) + GAP * len(widths) + 2


def _cells(course: Course) -> tuple[str, ...]:
    return (course.name, "", *shown_ends(course), shown_limit(course))


def _line(row: Sequence[str], widths: Sequence[int]) -> str:
    padded = [cell + " " * (width - columns(cell)) for cell, width in zip(row, widths, strict=True)]
    return f"  {(' ' * GAP).join(padded)}".rstrip()


def _trend(course: Course) -> str:
    direction = f", for the {course.direction}" if course.direction else ""
    return (
        f"trend: {course.name} is {course.trend}{direction} (tau {course.tau:+.2f} over "
        f"{many(len(course.known), 'run')}, p {course.p_value:.1g})"
    )


def _newest(runs: Sequence[RunRow], told: Told, history: History, width: int) -> str:
    shown = runs if history.last else runs[-NEWEST:]
    before = len(runs) - len(shown)
    bad = _not_passed(told, {run.id for run in shown})
    lines = [f"  ({many(before, 'run')} before)"] if before else []
    widest = max(len(run.verdict) for run in shown)
    for run in shown:
        mark = " " if run.dated else UNDATED
        head = f"  {run.date[:10]} {run.date[11:16]}{mark} {run.verdict:<{widest}}  {run.folder}"
        more = f": {', '.join(bad[run.id])}" if bad.get(run.id) else ""
        lines += textwrap.wrap(
            head + more, width, subsequent_indent=" " * 8, break_on_hyphens=False, drop_whitespace=True
        )
    return "\n".join(lines)


def _not_passed(told: Told, shown: set[int]) -> dict[int, list[str]]:
    """Return, by run, the checks that did not pass with their values."""
    found: dict[int, list[str]] = {}
    for course in told.courses:
        line = course.line
        for run, number, verdict in zip(line.runs, line.values, line.verdicts, strict=True):
            if run.id in shown and verdict not in ("pass", "none"):
                like = replace(line.last, value=number, low=None, high=None)
                value = "" if number is None else f" {shown_value(like)}"
                word = "" if verdict == run.verdict else f" ({verdict})"
                found.setdefault(run.id, []).append(f"{line.name}{value}{word}")
    return found


def _complaints(history: History, width: int) -> str:
    unread = [f"not read: {one.folder}: {one.problem}" for one in history.unread[:NAMED_MAX]]
    more = len(history.unread) - NAMED_MAX
    if more > 0:
        unread.append(f"not read: {many(more, 'more run')}")
    lines = [*unread, *_named("broke off", history.broken, "judges it as far as it goes")]
    lines += _named("no verdict.json", history.unjudged, "judges the recording")
    return _wrapped(lines, width)


def _named(what: str, folders: Sequence[str], judging: str) -> list[str]:
    if not folders:
        return []
    more = f" and {len(folders) - NAMED_MAX} more" if len(folders) > NAMED_MAX else ""
    return [f"{what}: {', '.join(folders[:NAMED_MAX])}{more}; `propsoff judge FOLDER` {judging}"]


def _reading(history: History) -> list[str]:
    """Say how to read courses and trends, where there are any."""
    changed = [course for one in history.groups for course in one.courses if course.changes]
    if not changed:
        return []
    each = "Each course runs from its lowest to its highest value"
    if any(len(course.line.runs) > COURSE_MIN for course in changed):
        each += "; where one mark stands for several runs it shows the worst of them"
    return [
        f"{each}. A trend is named where Mann-Kendall's test leaves chance less than 5 % over all "
        f"figures that changed, {len(changed)} here. It is no verdict, and figures of other plans, rigs or "
        "seeds are not alike: `propsoff compare` says what two sets of runs show."
    ]


def _wrapped(lines: Iterable[str], width: int) -> str:
    wrapped: list[str] = []
    for line in lines:
        wrapped += textwrap.wrap(line, width, subsequent_indent="    ", break_on_hyphens=False)
    return "\n".join(wrapped)

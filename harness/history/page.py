"""How does the history look on a page? A part for each unit, firmware and plan, a plot for each figure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from harness.history.courses import Course, Told
from harness.history.entry import CheckEntry
from harness.history.telling import History, shown_ends, shown_limit
from harness.page.model import Block, Drawn, Folded, Mood, Page, Part, Points, Table, Words
from harness.plan.wording import many
from harness.plots.model import Axis, Floats, Plot, Rule, Series, Symbol, Tone

HOW: Final = (
    "Runs stand in the order of time, side by side whatever lies between them. A simulated run has no date: "
    "it stands where its verdict.json was written. A trend is named where Mann-Kendall's test leaves chance "
    "less than 5 % over all figures that changed. It is no verdict."
)
_MARKED: Final[tuple[tuple[str, str, Tone, Symbol], ...]] = (
    ("pass", "passed", "good", "circle"),
    ("fail", "failed", "bad", "cross"),
    ("inconclusive", "inconclusive", "doubt", "triangle"),
    ("error", "bench trouble", "muted", "square"),
)
_MOODS: Final[dict[str, Mood]] = {"pass": "good", "fail": "bad", "inconclusive": "doubt", "error": "doubt"}


def page(told: History) -> Page:
    """Return the page as a value."""
    newest = [one.group.runs[-1].verdict for one in told.groups]
    bad = [one for one in newest if one != "pass"]
    words = "all passed" if not bad else f"{len(newest) - len(bad)} of {len(newest)} passed"
    return Page(
        title=f"History of {told.path}",
        verdict=words[:1].upper() + words[1:],
        mood="good" if not bad else "bad" if "fail" in bad else "doubt",
        lead=f"{many(len(told.runs), 'run')} by unit, firmware and plan: of the newest run of each, {words}",
        parts=(
            *(_part(number, one, told.checks) for number, one in enumerate(told.groups, 1)),
            Part("reading", "How to read this", (Words(HOW), *_left_out(told))),
        ),
    )


def _part(number: int, told: Told, checks: Mapping[int, Sequence[CheckEntry]]) -> Part:
    group = told.group
    trends = tuple(_trend(course) for course in told.courses if course.trend)
    drawn = tuple(Drawn(plot(f"group-{number}", course, checks)) for course in told.courses if course.changes)
    verdicts = ", ".join(f"{count} {verdict}" for verdict, count in sorted(told.verdicts.items()))
    blocks: list[Block] = [
        Words(f"{many(len(group.runs), 'run')}: {verdicts}. Firmware: {group.firmware}."),
    ]
    if trends:
        blocks.append(Points(trends))
    blocks += [_figures(told), *drawn, Folded("Every run", (_runs(told),))]
    return Part(f"group-{number}", f"{group.unit}: {group.plan}", tuple(blocks))


def _trend(course: Course) -> str:
    direction = f", for the {course.direction}" if course.direction else ""
    return (
        f"{course.name} is {course.trend}{direction}: Kendall's tau {course.tau:+.2f} over "
        f"{many(len(course.known), 'run')}, p {course.p_value:.1g}."
    )


def _figures(told: Told) -> Table:
    rows = []
    moods: list[Mood | None] = []
    for course in told.courses:
        if course.known:
            rows.append((course.name, *shown_ends(course), shown_limit(course)))
            moods.append(_MOODS.get(course.last.verdict))
    return Table("Figures", ("check", "first", "last", "change", "limit"), tuple(rows), moods=tuple(moods))


def _runs(told: Told) -> Table:
    rows = tuple(
        (f"{run.date}{'' if run.dated else ' (written)'}", run.verdict, run.folder, str(run.seed))
        for run in reversed(told.group.runs)
    )
    moods = tuple(_MOODS.get(run.verdict) for run in reversed(told.group.runs))
    return Table("Runs, the newest first", ("time (UTC)", "verdict", "folder", "seed"), rows, moods=moods)


def _left_out(told: History) -> tuple[Block, ...]:
    lines = [f"not read: {one.folder}: {one.problem}" for one in told.unread]
    lines += [f"broke off: {folder}" for folder in told.broken]
    lines += [f"without verdict.json: {folder}" for folder in told.unjudged]
    return (Points(tuple(lines)),) if lines else ()


def plot(key: str, course: Course, checks: Mapping[int, Sequence[CheckEntry]]) -> Plot:
    """Return a figure's course: the runs by number, their values, intervals, limit and verdicts."""
    line, unit = course.line, course.last.unit
    x = np.arange(1, len(line.runs) + 1, dtype=np.float64)
    y = np.asarray([np.nan if value is None else value for value in line.values])
    series = [*_intervals(course, checks, x), Series("value", x, y, "line", "one")]
    for verdict, word, tone, symbol in _MARKED:
        here = np.asarray([one == verdict for one in line.verdicts]) & ~np.isnan(y)
        if here.any():
            keep = np.full(int(here.sum()), verdict != "pass")
            series.append(Series(word, x[here], y[here], "dots", tone, symbol, keep=keep))
    limit = course.last.limit
    rules = () if limit is None else (Rule(limit, "y", f"{course.last.side} {limit:.10g} {unit}".strip()),)
    beside = max(0.5, 0.06 * len(line.runs))  # whole marks and dates at both ends
    low, high = _reach(series, limit)
    places = sorted({0, len(line.runs) // 2, len(line.runs) - 1})
    return Plot(
        key=f"{key}-{course.name}",
        title=course.name,
        about=_about(course),
        x=Axis(
            "run",
            low=1 - beside,
            high=len(line.runs) + beside,
            ticks=tuple((place + 1.0, line.runs[place].date[:10]) for place in places),
        ),
        y=Axis(course.name, unit, low=low, high=high),
        series=tuple(series),
        rules=rules,
    )


def _intervals(course: Course, checks: Mapping[int, Sequence[CheckEntry]], x: Floats) -> list[Series]:
    """Return the intervals as a band, where there are any; open ends leave gaps."""
    found = [next(check for check in checks[run.id] if check.name == course.name) for run in course.line.runs]
    like = [check if check.unit == course.last.unit else None for check in found]
    low = [np.nan if check is None or check.low is None else check.low for check in like]
    high = [np.nan if check is None or check.high is None else check.high for check in like]
    ends = np.asarray(low, np.float64), np.asarray(high, np.float64)
    if np.isnan(ends[0] + ends[1]).all():
        return []
    return [Series("interval", x, ends[0], "band", "muted", high=ends[1])]


def _reach(series: Sequence[Series], limit: float | None) -> tuple[float, float]:
    """Return an axis's ends that hold every value, interval and limit with room beside them."""
    given = [np.asarray([limit], np.float64)] if limit is not None else []
    given += [ends for one in series for ends in (one.y, one.high) if ends is not None]
    low, high = float(np.nanmin(np.concatenate(given))), float(np.nanmax(np.concatenate(given)))
    room = 0.06 * (high - low)
    return low - room, high + room


def _about(course: Course) -> str:
    known = course.known
    failed = course.line.verdicts.count("fail")
    return (
        f"{course.name} over {many(len(known), 'run')}: first {known[0]:.6g}, last {known[-1]:.6g}, lowest "
        f"{min(known):.6g}, highest {max(known):.6g} {course.last.unit}; {failed} failed."
        + (f" {_trend(course)}" if course.trend else "")
    )

"""What a plan will do, in words: its steps with their times, its cuts, and how busy each serial line gets."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields
from itertools import groupby
from typing import Any, Final

from harness.bench.protocol import Role
from harness.clock import S
from harness.load import line_loads
from harness.plan.kinds import Duration, Frequency, Items, Pulse, Share
from harness.plan.model import Check, Plan
from harness.plan.units import format_duration, format_frequency, format_pulse, format_share
from harness.timeline import Segment, Timeline


def outline(timeline: Timeline, baud: Mapping[Role, int]) -> str:
    """Return the plan as plain lines, ready to print; `baud` is that of the rig it is meant for."""
    plan = timeline.plan
    lines = [plan.title, "", "Steps"]
    lines += [f"  {line}" for line in _steps(timeline)]
    waits = sum(segment.length_ns for segment in timeline.segments if segment.wait)
    total = f"{_seconds(timeline.length_ns)} of link time"
    if waits:
        total = f"at most {total} (waits at their deadline)"
    if timeline.throttle_share < 1:
        cap = format_share(timeline.throttle_share)
        lines += ["", f"Throttle sticks go no higher than {cap} of their travel."]
    lines += [
        "",
        f"{total}, about {timeline.packets} packets, {_count(timeline.cuts, 'link cut')}.",
        "",
        "Serial lines, each at its busiest",
    ]
    lines += [f"  {line}" for line in _loads(timeline, baud)]
    lines += ["", "Checks", *(f"  {line}" for line in _checks(plan))]
    return "\n".join(lines) + "\n"


def _steps(timeline: Timeline) -> Iterator[str]:
    rows = []
    for (path, title), group in groupby(timeline.segments, key=lambda s: (s.step.path, s.title)):
        rows.append((path, title, list(group)))
    shown = _shorten(rows)
    widths = [max(len(row[column]) for row in shown) for column in range(2)]
    for path, time, title in shown:
        yield f"{path:<{widths[0]}}  {time:>{widths[1]}}  {title}"


MOST_ROWS = 60
"""Rows of steps printed before the middle is left out."""


def _shorten(rows: list[tuple[str, str, list[Segment]]]) -> list[tuple[str, str, str]]:
    shown = []
    for path, title, group in rows:
        times = f", {len(group)} times" if len(group) > 1 else ""
        shown.append((path, _seconds(sum(segment.length_ns for segment in group)), title + times))
    if len(shown) > MOST_ROWS:
        left = len(shown) - MOST_ROWS
        shown[MOST_ROWS - 5 : -5] = [("...", "", f"{left} more")]
    return shown


def _loads(timeline: Timeline, baud: Mapping[Role, int]) -> Iterator[str]:
    for load in line_loads(timeline, baud):
        yield f"{load.name:<18} {float(load.share):>4.0%}  {load.arithmetic()}"


def _checks(plan: Plan) -> Iterator[str]:
    rows = [(check.name, check.rule.WORD, ", ".join(_settings(check.rule))) for check in plan.checks]
    width = max(len(name) for name, _, _ in rows)
    for name, word, settings in rows:
        kind = "" if name == word else f"{word}: " if settings else word
        yield f"{name:<{width}}  {kind}{settings}".rstrip()


def _settings(rule: Check) -> Iterator[str]:
    """A check's settings as a plan would write them; None means the link's own value."""
    for field in fields(rule):
        value, spec = getattr(rule, field.name), field.metadata["key"]
        word = (spec.yaml or field.name).replace("_", " ")
        if isinstance(spec.kind, Items):
            value = ", ".join(value)
        if value not in (None, ""):
            yield f"{word} {_FORMAT.get(type(spec.kind), str)(value)}"


_FORMAT: Final[Mapping[type, Callable[[Any], str]]] = {
    Duration: format_duration,
    Frequency: format_frequency,
    Pulse: format_pulse,
    Share: format_share,
}


def _seconds(ns: int) -> str:
    if ns >= 100 * S:
        return f"{ns // (60 * S)} min {ns % (60 * S) / S:.0f} s"
    return f"{ns / S:.2f}".rstrip("0").rstrip(".") + " s"


def _count(number: int, what: str) -> str:
    return f"{number} {what}" + ("" if number == 1 else "s")

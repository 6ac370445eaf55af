"""What a plan will do, in words: its steps with their times, its cuts, and how busy each serial line gets."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields
from itertools import groupby
from typing import Any, Final

from harness.bench.protocol import Role
from harness.clock import S
from harness.load import highest_rate_mhz, line_loads, longest_burst
from harness.looks import looks_of
from harness.plan.kinds import Decibel, Distance, Duration, Frequency, Items, Pulse, Share
from harness.plan.model import (
    LOSING_STEPS,
    Check,
    FindBackToBack,
    FindThroughput,
    Plan,
    Restart,
    StepAction,
    is_optional,
    is_outside,
)
from harness.plan.soak import half_pause_ns, usual_rounds
from harness.plan.units import (
    format_decibel,
    format_distance,
    format_duration,
    format_frequency,
    format_pulse,
    format_share,
)
from harness.timeline import Segment, Timeline


def outline(timeline: Timeline, baud: Mapping[Role, int]) -> str:
    """Return the plan as plain lines, ready to print; `baud` is that of the rig it is meant for."""
    plan = timeline.plan
    lines = [plan.title, "", "Steps"]
    lines += [f"  {line}" for line in _steps(timeline)]
    open_ended = [s for s in timeline.segments if s.wait or isinstance(s.step.action, LOSING_STEPS)]
    words = ["waits at their deadline"] * any(segment.wait for segment in open_ended)
    words += ["searches at their longest"] * any(not segment.wait for segment in open_ended)
    total = f"{_seconds(timeline.length_ns)} of link time"
    if words:
        total = f"at most {total} ({', '.join(words)})"
    if timeline.throttle_share < 1:
        cap = format_share(timeline.throttle_share)
        lines += ["", f"Throttle sticks go no higher than {cap} of their travel."]
    if any(segment.own_sticks for segment in timeline.segments):
        lines += ["", *OWN_STICKS]
    if any(_restarts_transmitter(segment.step.action) for segment in timeline.segments):
        lines += ["", *AFTER_RESTART]
    lines += [
        "",
        f"{total}, about {timeline.packets} packets, {_count(timeline.cuts, 'link cut')}.",
        *_extension(timeline),
        *_soak(timeline),
        *_replug(timeline),
        "",
        "Serial lines, each at its busiest",
    ]
    lines += [f"  {line}" for line in _loads(timeline, baud)]
    lines += [f"  {line}" for line in _limits(timeline, baud)]
    lines += ["", "Checks", *(f"  {line}" for line in _checks(plan))]
    return "\n".join(lines) + "\n"


OWN_STICKS: Final = (
    "own_sticks lets the transmitter use its own inputs, and no cap holds its throttle then: put the",
    "throttle's own stick at its low end and leave every stick alone. The run ends at once when a throttle",
    "output opens further than safety.throttle_up_to; until that is seen, a motor may turn.",
)


AFTER_RESTART: Final = (
    "A transmitter that restarts uses its own sticks until it is told others, with no cap on its throttle:",
    "put the throttle's own stick at its low end.",
)


def _restarts_transmitter(action: StepAction) -> bool:
    return isinstance(action, Restart) and action.device is Role.TRANSMITTER


def _extension(timeline: Timeline) -> list[str]:
    """Say what a plan with `extend` does if its checks are not settled at the end of its steps."""
    looks = looks_of(timeline.plan)
    if not looks:
        return []
    after = " and ".join(", ".join(str(look.rounds) for look in looks).rsplit(", ", 1))
    most = looks[-1].rounds
    return [
        "",
        f"While a check lacks samples all steps are played again: looks at the data after {after} rounds,",
        f"{_seconds(most * timeline.length_ns)} and about {most * timeline.packets} packets at most.",
        f"The first look may use {looks[0].share} of each check's risk, each later one {looks[-1].share}: "
        "all looks together keep its confidence.",
    ]


def _replug(timeline: Timeline) -> list[str]:
    """Say what becomes of the run if a port goes away, where the plan says so."""
    within_ns = timeline.plan.safety.replug_within_ns
    if within_ns is None:
        return []
    return [
        "",
        f"A port that goes away may come back within {_seconds(within_ns)}, with the same device on it:",
        "the sticks are at rest meanwhile, the step under way is played again, and nothing between counts.",
    ]


def _soak(timeline: Timeline) -> list[str]:
    """Say how long a plan with `soak` goes on."""
    plan = timeline.plan
    if plan.soak is None:
        return []
    rounds, pause = usual_rounds(plan), 2 * half_pause_ns(plan.link)
    return [
        "",
        f"All steps are played again and again for {_seconds(plan.soak.for_ns)}, the last round to its end:",
        f"about {_count(rounds, 'round')} with {_seconds(pause)} of rest between them, "
        f"about {rounds * timeline.packets} packets.",
    ]


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
        action = group[0].step.action
        optional = (
            f", if the {'rig' if is_outside(action) else 'firmware'} can" if is_optional(action) else ""
        )
        length = _seconds(sum(segment.length_ns for segment in group))
        shown.append((path, length, title + times + optional))
    if len(shown) > MOST_ROWS:
        left = len(shown) - MOST_ROWS
        shown[MOST_ROWS - 5 : -5] = [("...", "", f"{left} more")]
    return shown


def _loads(timeline: Timeline, baud: Mapping[Role, int]) -> Iterator[str]:
    for load in line_loads(timeline, baud):
        yield f"{load.name:<18} {float(load.share):>4.0%}  {load.arithmetic()}"


def _limits(timeline: Timeline, baud: Mapping[Role, int]) -> Iterator[str]:
    """Say where the lines end a search: what the devices cannot report, nobody can judge."""
    link = timeline.plan.link
    actions = {type(s.step.action): s.step.action for s in timeline.segments}
    rates, burst = actions.get(FindThroughput), actions.get(FindBackToBack)
    if isinstance(rates, FindThroughput):
        most = highest_rate_mhz(link, baud)
        ends = f"at {most // 1000} Hz, for the lines carry no more" if most < rates.to_mhz else "at its `to`"
        yield f"throughput: the search ends {ends}"
    if isinstance(burst, FindBackToBack):
        most = longest_burst(link, baud)
        ends = "for the lines carry no more" if most < burst.up_to else "its `up_to`"
        yield f"back_to_back: the search ends at {min(most, burst.up_to)} packets, {ends}"


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
    Decibel: format_decibel,
    Distance: format_distance,
}


def _seconds(ns: int) -> str:
    if ns >= 7200 * S:
        return f"{ns // (3600 * S)} h {ns % (3600 * S) // (60 * S)} min"
    if ns >= 100 * S:
        return f"{ns // (60 * S)} min {ns % (60 * S) / S:.0f} s"
    return f"{ns / S:.2f}".rstrip("0").rstrip(".") + " s"


def _count(number: int, what: str) -> str:
    return f"{number} {what}" + ("" if number == 1 else "s")

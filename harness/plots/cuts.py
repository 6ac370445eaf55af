"""What did the outputs do when the link was cut? All cuts laid over each other, into failsafe and back out.

The way in counts from the last packet that was applied before the cut, as the declared time does, the way out
from the first packet sent after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from harness.clock import MS
from harness.escape import clean
from harness.measure.arrays import Floats
from harness.measure.evidence import Evidence
from harness.measure.failsafe import NONE, CutEntry, Entry, failsafe_entries
from harness.measure.recovery import CutExit, failsafe_exits
from harness.plan.wording import many
from harness.plots.model import SYMBOLS, TONES, Axis, Picture, Plot, Rule, Series, Symbol, Tone
from harness.plots.occasions import cut_word
from harness.plots.sticks import MOST, NAME_MAX, Outputs, read_outputs
from harness.plots.view import View
from harness.plots.words import short_ms, to

MOST_CUTS: Final = 60
"""Cuts drawn over each other, at most: the latest, the earliest and those without failsafe among them."""
BEFORE_NS: Final = 60 * MS
NO_END_NS: Final = 1 << 61
EXPECTED: Final = (Entry.ENGAGED, Entry.NEVER, Entry.UNKNOWN)


class _Way(NamedTuple):
    """One cut's way into failsafe or out of it, from `zero_ns` to `until_ns`; None if it never came about."""

    number: int
    zero_ns: int
    until_ns: int
    took_ns: int | None


class _Frame(NamedTuple):
    """What all plots of one direction share."""

    key: str
    title: str
    since: str
    high_ns: int
    early_ns: int
    late_ns: int
    rules: tuple[Rule, ...]


def draw(view: View) -> tuple[Picture, ...]:
    """Return when failsafe came at each cut, and every channel's ways in and out; none without a cut."""
    evidence = view.evidence
    within_ns = evidence.plan.link.failsafe.within_ns
    entries = [one for one in failsafe_entries(evidence, within_ns) if _seen(view, one.cut.command_ns)]
    if not entries:
        return ()
    exits = [one for one in failsafe_exits(evidence, within_ns) if _seen(view, one.cut.command_ns)]
    outputs = read_outputs(evidence)
    ways = {"in": _ways_in(evidence, entries), "out": _ways_out(evidence, exits)}
    frames = {"in": _frame_in(evidence, ways["in"]), "out": _frame_out(evidence, ways["out"])}
    overlaid = [
        _overlay(evidence, frames[way], ways[way], outputs, number)
        for way in ("in", "out")
        for number in range(min(MOST, len(evidence.plan.link.channels)))
        if ways[way]
    ]
    times = (_entry_times(view, entries), _exit_times(view, exits))
    return (*(plot for plot in times if plot is not None), *overlaid)


def _seen(view: View, at_ns: int) -> bool:
    return view.meets(at_ns, at_ns)


def _ways_in(evidence: Evidence, entries: Sequence[CutEntry]) -> list[_Way]:
    """Return the ways into failsafe of the cuts that were long enough to need it."""
    found = []
    for entry in entries:
        if entry.entry in EXPECTED and entry.last_applied != NONE:
            zero = int(evidence.applied.at_ns[entry.last_applied])
            took = entry.entry_ns if entry.entry is Entry.ENGAGED else None
            found.append(_Way(entry.cut.number, zero, entry.cut.until_ns, took))
    return found


def _ways_out(evidence: Evidence, exits: Sequence[CutExit]) -> list[_Way]:
    """Return the ways back of the cuts after which the transmitter sent again."""
    found = []
    for one in exits:
        if one.cut.first_sent != NONE:
            zero = int(evidence.sent.at_ns[one.cut.first_sent])
            found.append(_Way(one.cut.number, zero, zero + NO_END_NS, one.exit_ns))
    return found


def _frame_in(evidence: Evidence, ways: Sequence[_Way]) -> _Frame:
    declared = evidence.plan.link.failsafe
    latest = max((way.took_ns for way in ways if way.took_ns is not None), default=0)
    rules = (
        Rule(0.0, "x", "last packet"),
        Rule(declared.earliest_ns / MS, "x", f"not before {short_ms(declared.earliest_ns)}", "doubt"),
        Rule(declared.within_ns / MS, "x", f"within {short_ms(declared.within_ns)}", "bad"),
    )
    ends = declared.earliest_ns, declared.within_ns
    high = int(1.2 * max(declared.within_ns, latest))
    return _Frame("cuts-in", "into failsafe", "time since the last packet before the cut", high, *ends, rules)


def _frame_out(evidence: Evidence, ways: Sequence[_Way]) -> _Frame:
    limit = evidence.plan.link.failsafe.recover_within_ns
    latest = max((way.took_ns for way in ways if way.took_ns is not None), default=0)
    rules = (
        Rule(0.0, "x", "first packet"),
        Rule(limit / MS, "x", f"within {short_ms(limit)}", "bad"),
    )
    high = int(1.3 * max(limit, latest))
    return _Frame(
        "cuts-out", "back from failsafe", "time since the first packet after the cut", high, 0, limit, rules
    )


def _overlay(evidence: Evidence, frame: _Frame, ways: Sequence[_Way], outputs: Outputs, number: int) -> Plot:
    """Return one channel's output in all cuts, from shortly before to the end of what is looked at."""
    name = clean(evidence.plan.link.channels[number].name, NAME_MAX)
    worst = _worst(ways)
    chosen = _chosen(ways)
    series = []
    for way in sorted(chosen, key=lambda one: (one is worst, _is_bad(frame, one))):
        x, y = _outputs_of(way, frame, outputs, number)
        if len(x):
            label, tone = _look(frame, way, worst)
            series.append(Series(label, x, y, "steps", tone))
    left_out = len(ways) - len(chosen)
    safe_us = evidence.plan.link.channels[number].failsafe_us
    rules = () if safe_us is None else (Rule(safe_us, "y", f"failsafe {safe_us} us", "good"),)
    return Plot(
        f"{frame.key}-{number + 1}", f"{name}: {frame.title}", _told(frame, ways, worst),
        Axis(frame.since, "ms", low=-BEFORE_NS / MS, high=frame.high_ns / MS), Axis("output", "us"),
        tuple(series), (), (*frame.rules, *rules),
        f"{left_out} cuts in the middle are left out." if left_out else "",
    )  # fmt: skip


def _outputs_of(way: _Way, frame: _Frame, outputs: Outputs, number: int) -> tuple[Floats, Floats]:
    """Return one output as steps in ms, from before the zero to the end of the plot."""
    low, high = way.zero_ns - BEFORE_NS, min(way.zero_ns + frame.high_ns, way.until_ns)
    first, end = np.searchsorted(outputs.at_ns, (low, high)).tolist()
    first = max(0, first - 1)
    if first >= end:
        return np.zeros(0), np.zeros(0)
    at_ns = np.append(np.maximum(outputs.at_ns[first:end], low), high)
    us = np.append(outputs.us[first:end, number], outputs.us[end - 1, number])
    return (at_ns - way.zero_ns) / MS, us


def _worst(ways: Sequence[_Way]) -> _Way | None:
    """Return the cut that took longest, the last of several."""
    ended = [way for way in ways if way.took_ns is not None]
    return max(ended, key=lambda way: (way.took_ns or 0, way.number), default=None)


def _chosen(ways: Sequence[_Way]) -> list[_Way]:
    """Return the cuts to be drawn: those without an end, the latest and the earliest, some of the others."""
    if len(ways) <= MOST_CUTS:
        return list(ways)
    missing = [way for way in ways if way.took_ns is None][: MOST_CUTS - 2]
    rest = [way for way in ways if way.took_ns is not None]
    rest.sort(key=lambda way: (way.took_ns or 0, way.number))
    places = np.unique(np.linspace(0, len(rest) - 1, MOST_CUTS - len(missing)).astype(int))
    return missing + [rest[place] for place in places.tolist() if place < len(rest)]


def _is_bad(frame: _Frame, way: _Way) -> bool:
    return way.took_ns is None or not frame.early_ns <= way.took_ns <= frame.late_ns


def _look(frame: _Frame, way: _Way, worst: _Way | None) -> tuple[str, Tone]:
    """Return what a cut is called in the legend, and its tone."""
    if way.took_ns is None:
        return f"cut {way.number}: never", "bad"
    if way is worst:
        return f"latest, cut {way.number}: {short_ms(way.took_ns)}", "one"
    if way.took_ns > frame.late_ns:
        return "too late", "bad"
    return ("too early", "doubt") if way.took_ns < frame.early_ns else ("other cuts", "muted")


def _told(frame: _Frame, ways: Sequence[_Way], worst: _Way | None) -> str:
    never = sum(way.took_ns is None for way in ways)
    words = f"{many(len(ways), 'cut')} laid over each other, {frame.title}"
    if worst is not None:
        earliest = min(way.took_ns for way in ways if way.took_ns is not None)
        words += f": {to(short_ms(earliest), short_ms(worst.took_ns or 0))}, latest at cut {worst.number}"
    return f"{words}; {never} never." if never else f"{words}."


def _entry_times(view: View, entries: Sequence[CutEntry]) -> Plot | None:
    """Return each cut's time to failsafe, at the time of the cut, told apart by the way of cutting."""
    declared = view.evidence.plan.link.failsafe
    usual = [entry for entry in entries if entry.entry in EXPECTED]
    ways = _ways_in(view.evidence, usual)
    rules = (
        Rule(declared.earliest_ns / MS, "y", f"not before {short_ms(declared.earliest_ns)}", "doubt"),
        Rule(declared.within_ns / MS, "y", f"within {short_ms(declared.within_ns)}", "bad"),
    )
    left_out = len(entries) - len(usual)
    note = f"{many(left_out, 'cut')} too short for failsafe, or not made, are left out." if left_out else ""
    frame = _frame_in(view.evidence, ways)
    kinds = [_kind_of(entry) for entry in usual]
    took = [entry.entry_ns if entry.entry is Entry.ENGAGED else None for entry in usual]
    at_ns = [entry.cut.command_ns for entry in usual]
    series = _by_kind(view, kinds, at_ns, took, frame.high_ns)
    return _times(
        frame, "time from last packet to failsafe", series, rules, (_told(frame, ways, _worst(ways)), note)
    )


def _exit_times(view: View, exits: Sequence[CutExit]) -> Plot | None:
    limit = view.evidence.plan.link.failsafe.recover_within_ns
    ways = _ways_out(view.evidence, exits)
    frame = _frame_out(view.evidence, ways)
    series = _by_kind(
        view, [cut_word(one.cut) for one in exits], [one.cut.command_ns for one in exits],
        [one.exit_ns for one in exits], frame.high_ns,
    )  # fmt: skip
    rules = (Rule(limit / MS, "y", f"within {short_ms(limit)}", "bad"),)
    return _times(
        frame, "time from first packet to its effect", series, rules, (_told(frame, ways, _worst(ways)), "")
    )


def _times(
    frame: _Frame, what: str, series: tuple[Series, ...], rules: tuple[Rule, ...], words: tuple[str, str]
) -> Plot | None:
    if not series:
        return None
    return Plot(
        frame.key, f"every cut: {frame.title}", words[0], Axis("time", "s"),
        Axis(what, "ms", low=-0.03 * frame.high_ns / MS),
        series, (), rules, words[1],
    )  # fmt: skip


def _kind_of(entry: CutEntry) -> str:
    return f"{cut_word(entry.cut)}, other packet rate" if entry.other_rate else cut_word(entry.cut)


def _by_kind(
    view: View, kinds: Sequence[str], at_ns: Sequence[int], took_ns: Sequence[int | None], top_ns: int
) -> tuple[Series, ...]:
    """Return one series of dots for each kind of cut, and one of those that never ended, at the top."""
    series = []
    for place, kind in enumerate(dict.fromkeys(kinds)):
        shown = [
            (at, took) for at, took, its in zip(at_ns, took_ns, kinds, strict=True)
            if its == kind and took is not None
        ]  # fmt: skip
        if shown:
            series.append(_dots(view, kind, shown, TONES[place % len(TONES)], SYMBOLS[place % len(SYMBOLS)]))
    never = [(at, top_ns) for at, took in zip(at_ns, took_ns, strict=True) if took is None]
    if never:
        series.append(_dots(view, "never seen", never, "bad", "cross"))
    return tuple(series)


def _dots(view: View, name: str, points: Sequence[tuple[int, int]], tone: Tone, symbol: Symbol) -> Series:
    at_ns, took_ns = np.array(sorted(points), dtype=np.int64).reshape(-1, 2).T
    keep = np.ones(len(at_ns), dtype=np.bool_)
    return Series(name, view.seconds(at_ns), took_ns / MS, "dots", tone, symbol, keep=keep)


__all__ = ["draw"]

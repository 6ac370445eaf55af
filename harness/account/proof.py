"""What was shown of failsafe, and what was not? Over how many cuts, with which confidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.account.beginnings import beginnings
from harness.account.unshown import (
    BETWEEN,
    failsafe_came,
    flicker_doubt,
    flicker_words,
    not_shown,
    order_doubt,
)
from harness.clock import MS
from harness.findings import Cell, Figure, Grid, Section, percent
from harness.measure.arrays import inside, ints
from harness.measure.circumstances import circumstances
from harness.measure.cuts import WAY_WORDS, WAYS
from harness.measure.evidence import Evidence
from harness.measure.extremes import throttle_margins
from harness.measure.failsafe import NONE, CutEntry, Entry, failsafe_entries, failsafe_outputs
from harness.measure.recovery import CutExit, failsafe_exits
from harness.measure.starts import read_starts
from harness.plan.model import FailsafeEntry, FailsafeExit, FailsafeOutputs, StartUp
from harness.stats.binomial import clopper_pearson_lower

CONFIDENCE: Final = 0.95
_JUDGED: Final = (Entry.ENGAGED, Entry.NEVER, Entry.UNKNOWN)


@dataclass(frozen=True, slots=True)
class _Case:
    """One cut: its entry, whether its outputs in failsafe were right, and how control came back."""

    entry: CutEntry
    about: str
    outputs_right: bool | None
    back: CutExit | None


def account(evidence: Evidence) -> Section | None:
    """Return the section, or None if no cut was made and none was left out."""
    skipped = any(mark.kind == "skipped" for mark in evidence.recording.marks)
    if not evidence.cuts and not skipped:
        return None
    limit = _asked(evidence, FailsafeEntry, "within_ns", evidence.plan.link.failsafe.within_ns)
    cases = _cases(evidence, limit)
    judged = [case for case in cases if case.entry.entry in _JUDGED]
    grids = [_shown(evidence, judged, limit), beginnings([case.entry for case in judged])]
    grids.append(_unmoved(evidence, cases))
    if any(isinstance(check.rule, FailsafeEntry) for check in evidence.plan.checks):
        grids.append(not_shown(evidence, [case.entry for case in cases], {case.about for case in judged}))
    return Section(
        "proof",
        "Failsafe: what was shown, and what was not",
        tuple(_figures(evidence, cases, judged, limit)),
        tuple(grid for grid in grids if grid.rows),
        _notes(cases),
    )


def _cases(evidence: Evidence, limit_ns: int) -> list[_Case]:
    wrong, shown = set(), set()
    tolerance_us = _asked(evidence, FailsafeOutputs, "tolerance_us", 0)
    for one in failsafe_outputs(evidence):
        shown.add(one.cut.number)
        if one.shown_us is None or abs(one.shown_us - one.wanted_us) > tolerance_us:
            wrong.add(one.cut.number)
    exits = {one.cut.number: one for one in failsafe_exits(evidence, _recover_ns(evidence))}
    return [
        _Case(
            entry,
            circumstances(evidence, entry.cut),
            entry.cut.number not in wrong if entry.cut.number in shown else None,
            exits.get(entry.cut.number),
        )
        for entry in failsafe_entries(evidence, limit_ns)
    ]


def _recover_ns(evidence: Evidence) -> int:
    return _asked(evidence, FailsafeExit, "within_ns", evidence.plan.link.failsafe.recover_within_ns)


def _asked(evidence: Evidence, kind: type, key: str, otherwise: int) -> int:
    """Return the limit that the plan's first check of a kind asks for."""
    given = (getattr(check.rule, key) for check in evidence.plan.checks if isinstance(check.rule, kind))
    return next((int(value) for value in given if value is not None), otherwise)


def _in_time(entry: CutEntry, limit_ns: int) -> bool:
    return entry.entry is Entry.ENGAGED and entry.entry_ns + entry.bound_ns <= limit_ns


def _figures(
    evidence: Evidence, cases: Sequence[_Case], judged: Sequence[_Case], limit_ns: int
) -> list[Figure]:
    figures = [Figure("cuts made", len(cases)), Figure("long enough for failsafe", len(judged))]
    usual = [case for case in judged if not case.entry.other_rate]
    if usual:
        good = sum(_in_time(case.entry, limit_ns) for case in usual)
        lower = 100 * clopper_pearson_lower(good, len(usual), CONFIDENCE)
        note = f"{good} of {len(usual)} at the link's packet rate, all ways together; each alone shows less"
        share = 100 * good / len(usual)
        figures.append(Figure("in failsafe in time", share, "%", (lower, None), CONFIDENCE, note))
    starts = [start for start in read_starts(evidence) if start.reports and not start.hidden]
    if starts:  # told by the receiver, at the instants of its reports
        most_us = _asked(evidence, StartUp, "tolerance_us", 0)
        right = sum(all(one.off_us <= most_us for one in start.outputs) for start in starts)
        note = "every output reported at its failsafe value up to the first packet"
        figures.append(Figure("starts of the receiver seen", len(starts), note=f"{right} with {note}"))
    for one in throttle_margins(evidence).found:
        name = evidence.plan.link.channels[one.channel].name
        note = f"{one.lowest_us} us at its lowest, {one.failsafe_us} us in failsafe"
        figures.append(Figure(f"{name} clear of failsafe by", one.margin_us, "us", note=note))
    return figures


def _shown(evidence: Evidence, judged: Sequence[_Case], limit_ns: int) -> Grid:
    """Return a row for each way and circumstance, in the order in which they were first made."""
    groups: dict[tuple[int, str, int], list[_Case]] = {}
    for case in judged:
        cut = case.entry.cut
        lasting = 0 if cut.way == "fade" or cut.is_outside else round(cut.duration_ns / MS)
        groups.setdefault((WAYS.index(cut.way), case.about, lasting), []).append(case)
    rows = tuple(
        _row(group, about, limit_ns, _recover_ns(evidence)) for (_, about, _), group in _in_order(groups)
    )
    heads = (
        "cut", "circumstances", "lasting, ms", "cuts", "in time", "latest, ms", "so at least, %",
        "outputs right", "back in time",
    )  # fmt: skip
    note = (
        f"so at least: the share of all such cuts that is in time, at {percent(CONFIDENCE)} confidence "
        "(Clopper and Pearson, one-sided; with none late 0.05^(1/n), the success-run theorem)"
    )
    return Grid("What was shown", heads, rows, note)


def _in_order(
    groups: dict[tuple[int, str, int], list[_Case]],
) -> list[tuple[tuple[int, str, int], list[_Case]]]:
    return sorted(groups.items(), key=lambda item: (item[0][0], item[1][0].entry.cut.number))


def _row(group: Sequence[_Case], about: str, limit_ns: int, recover_ns: int) -> tuple[Cell, ...]:
    entries = [case.entry for case in group]
    good = sum(_in_time(entry, limit_ns) for entry in entries)
    times = [entry.entry_ns for entry in entries if entry.entry is Entry.ENGAGED]
    never = any(entry.entry is Entry.NEVER for entry in entries)
    lasts = sorted({round(entry.cut.duration_ns / MS) for entry in entries})
    outputs = [case.outputs_right for case in group if case.outputs_right is not None]
    back = [case.back for case in group if case.back is not None]
    return (
        WAY_WORDS[entries[0].cut.way],
        about,
        f"{lasts[0]}" if len(lasts) == 1 else f"{lasts[0]} to {lasts[-1]}",
        len(group),
        _of(good, len(group)),
        "never" if never else round(max(times) / MS, 3) if times else None,
        round(100 * clopper_pearson_lower(good, len(group), CONFIDENCE), 1),
        _of(sum(outputs), len(outputs)),
        _of(sum(_back(one, recover_ns) for one in back), len(back)),
    )


def _back(one: CutExit, recover_ns: int) -> bool:
    return one.exit_ns is not None and one.exit_ns - one.bound_ns <= recover_ns and not one.stale


def _of(good: int, total: int) -> str:
    return f"{good} of {total}" if total else "not seen"


def _unmoved(evidence: Evidence, cases: Sequence[_Case]) -> Grid:
    """Return what must not, or need not, lead to failsafe: flickers, mute times, strangers in between."""
    rows = [*_flickers(evidence, cases), *_besides(evidence)]
    heads = ("what", "times", "in all, s", "failsafes", "strange packets applied", "none in at least, %")
    note = f"none in at least: the share of such times without failsafe, at {percent(CONFIDENCE)} confidence"
    return Grid("What must not lead to failsafe", heads, tuple(rows), note)


def _flickers(evidence: Evidence, cases: Sequence[_Case]) -> list[tuple[Cell, ...]]:
    link = evidence.plan.link
    surely_ns = link.failsafe.earliest_ns - link.packet_period_ns
    groups: dict[tuple[int, int, bool], list[CutEntry]] = {}
    for case in cases:
        entry, cut = case.entry, case.entry.cut
        if entry.entry is Entry.NOT_NEEDED and not flicker_doubt(evidence, entry):
            lasting = 0 if cut.way == "fade" or cut.is_outside else round(cut.duration_ns / MS)
            fine = cut.duration_ns <= surely_ns
            groups.setdefault((WAYS.index(cut.way), lasting, fine), []).append(entry)
    rows = []
    for (_, _, fine), entries in sorted(groups.items()):
        seconds = sum(entry.cut.duration_ns for entry in entries) / 1e9
        came = sum(entry.change != NONE for entry in entries)
        what = flicker_words(entries[0].cut) + ("" if fine else " (failsafe may come)")
        rows.append(_unmoved_row(what, len(entries), seconds, came, None, judged=fine))
    return rows


def _besides(evidence: Evidence) -> list[tuple[Cell, ...]]:
    rows = []
    for what, _, words_of in BETWEEN:
        orders = [order for order in evidence.orders if order.what == what]
        spans = ints([order.span for order in orders if not order_doubt(evidence, order)]).reshape(-1, 2)
        if len(spans):
            came = sum(failsafe_came(evidence, (start, end)) for start, end in spans.tolist())
            strange = int((evidence.applied.strange & inside(evidence.applied.at_ns, spans)).sum())
            seconds = float(np.diff(spans, axis=1).sum()) / 1e9
            taken = strange if what == "beside" else None
            rows.append(_unmoved_row(words_of, len(spans), seconds, came, taken, judged=True))
    return rows


def _unmoved_row(
    what: str, times: int, seconds: float, came: int, strange: int | None, *, judged: bool
) -> tuple[Cell, ...]:
    lower = round(100 * clopper_pearson_lower(times - came, times, CONFIDENCE), 1) if judged else None
    return (what, times, round(seconds, 1), came, strange, lower)


def _notes(cases: Sequence[_Case]) -> tuple[str, ...]:
    notes = []
    silent = [
        case for case in cases
        if case.entry.cut.packets and not case.entry.cut.acknowledged and case.entry.cut.held
    ]  # fmt: skip
    if silent:
        notes.append(
            f"in {len(silent)} of the cuts by packets that nobody may obey none of those was acknowledged: "
            "whether they reached the receiver is not known, and these may show no more than silence"
        )
    if any(case.entry.other_rate for case in cases):
        notes.append(
            "the declared failsafe time is for the link's own packet rate: cuts at another are told only"
        )
    notes.append(
        "this holds for cuts like these, on this bench, with propellers off; it is not permission to fly"
    )
    return tuple(notes)


__all__ = ["account"]

"""Is failsafe right? Entry time, outputs, false entries."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from harness.clock import MS, US
from harness.judge.advice import BENCH, advise
from harness.judge.guard import Count, decide_trials, judge_count, no_advice, no_data, result
from harness.judge.ways import cuts_in, cuts_of, way_counts
from harness.judge.words import EXAMPLES, moment, ms, share, times_ms
from harness.measure.arrays import inside
from harness.measure.cuts import WAY_WORDS
from harness.measure.evidence import Evidence
from harness.measure.failsafe import (
    CutEntry,
    Entry,
    FailsafeOutput,
    FalseFailsafe,
    failsafe_entries,
    failsafe_outputs,
    false_failsafes,
)
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict

NOT_COUNTED: Final = (
    Entry.NOT_NEEDED, Entry.NOT_HELD, Entry.NOT_SENT, Entry.NOT_DEAF, Entry.NOT_SWITCHED,
    Entry.NOT_LINKED,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Cuts:
    """Cuts sorted by what they say: in time, beyond the limit, never engaged, and neither for certain."""

    in_time: list[CutEntry]
    late: list[CutEntry]
    never: list[CutEntry]
    unsure: list[CutEntry]

    @property
    def every(self) -> list[CutEntry]:
        return self.in_time + self.late + self.never + self.unsure

    @property
    def total(self) -> int:
        return len(self.every)

    def some(self, entries: Sequence[CutEntry]) -> str:
        """Say how many of the cuts of each way these are."""
        return cuts_of((entry.cut for entry in entries), (entry.cut for entry in self.every))


def judge_failsafe_entry(rule: p.FailsafeEntry, evidence: Evidence) -> CheckResult:
    """Judge the entry time over all cuts, since the last applied packet or since the cut, as the rule says.

    Fails if any cut is later than the limit by more than the uncertainty, or never engaged. Passes if none
    is and the share of cuts in time is shown to reach the wanted one (exact one-sided lower limit; cuts
    that lost serial messages hide count as late). Since the cut it is shorter by up to one packet period, for
    the cut comes that much after the last packet. Cuts at another packet rate are not judged: the declared
    time is for the declared rate.
    """
    limit = evidence.plan.link.failsafe.within_ns if rule.within_ns is None else rule.within_ns
    entries = failsafe_entries(evidence, limit)
    cuts = _sorted_cuts([entry for entry in entries if not entry.other_rate], limit, rule.since)
    if not cuts.total:
        return no_data(evidence, _no_cut(entries), "cuts")
    confidence = float(rule.confidence)
    wrong = len(cuts.late) + len(cuts.never)
    shown = decide_trials(len(cuts.in_time), wrong, len(cuts.unsure), float(rule.share), confidence)
    verdict = shown.verdict
    measured = [entry for entry in cuts.in_time + cuts.late + cuts.unsure if entry.entry is Entry.ENGAGED]
    worst = max((_since(entry, rule.since) for entry in measured), default=None)
    return result(
        verdict,
        _entry_reason(rule, cuts, measured, limit, shown.share),
        value=math.inf if cuts.never else _to_us(worst[0]) if worst else None,
        unit="ms",
        confidence=confidence,
        uncertainty=worst[1] / MS if worst else None,
        limit=limit / MS,
        side="at most",
        samples=cuts.total,
        sample_unit="cuts",
        needed=shown.needed,
        counts=_entry_counts(entries, cuts),
        examples=_entry_examples(evidence, cuts, rule.since),
        advice=_entry_advice(verdict, cuts),
    )


def _to_us(time_ns: int) -> float:
    """Return a time in ms, to the us of the stamps: further digits of the clock's rate say nothing."""
    return round(time_ns / US) * US / MS


def _since(entry: CutEntry, since: str) -> tuple[int, int]:
    """Return the entry time in ns and how far it may be out, as a check counts it."""
    if since == "cut":
        return entry.after_cut_ns, entry.cut_bound_ns
    return entry.entry_ns, entry.bound_ns


def _sorted_cuts(entries: Sequence[CutEntry], limit_ns: int, since: str) -> _Cuts:
    cuts = _Cuts([], [], [], [])
    for entry in entries:
        if entry.entry in NOT_COUNTED:
            continue
        time, bound = _since(entry, since)
        engaged = entry.entry is Entry.ENGAGED
        if entry.entry is Entry.NEVER:
            cuts.never.append(entry)
        elif engaged and time + bound <= limit_ns:
            cuts.in_time.append(entry)
        elif engaged and time - bound > limit_ns and not (since == "packet" and entry.may_be_shorter):
            cuts.late.append(entry)
        else:
            cuts.unsure.append(entry)
    return cuts


def _no_cut(entries: Sequence[CutEntry]) -> str:
    if not entries:
        return "no link cut was made"
    why = " and ".join(sorted({str(entry.entry) for entry in entries}))
    return f"none of {many(len(entries), 'cut')} can be judged ({why})"


def _entry_reason(
    rule: p.FailsafeEntry, cuts: _Cuts, measured: Sequence[CutEntry], limit_ns: int, shown: float
) -> str:
    parts = []
    if cuts.never:
        parts.append(f"failsafe never engaged in {cuts.some(cuts.never)}")
    if cuts.late:
        parts.append(f"failsafe came too late in {cuts.some(cuts.late)}")
    if not parts:
        parts.append(f"failsafe came in time in {len(cuts.in_time)} of {many(cuts.total, 'cut')}")
    if measured:
        parts.append(f"{_entry_times(measured, rule.since)}; {ms(limit_ns)} allowed")
    if not cuts.never and not cuts.late:
        parts.append(
            f"this shows {share(shown)} of cuts with {share(rule.confidence)} confidence, "
            f"wanted {share(rule.share)}"
        )
    if cuts.unsure:
        parts.append(f"{many(len(cuts.unsure), 'cut')} left open by lost serial messages or the clock")
    return "; ".join(parts)


def _entry_times(measured: Sequence[CutEntry], since: str) -> str:
    packet = [entry.entry_ns for entry in measured]
    cut = [entry.after_cut_ns for entry in measured]
    if since == "cut":
        return (
            f"{times_ms(cut)} after the cut, which comes up to a packet period after the "
            f"last packet; at most {ms(max(packet))} after that packet"
        )
    return f"{times_ms(packet)} after the last applied packet, at most {ms(max(cut))} after the cut"


def _entry_counts(entries: Sequence[CutEntry], cuts: _Cuts) -> dict[str, int]:
    counts = {"cuts": len(entries), "in time": len(cuts.in_time), "late": len(cuts.late)}
    counts |= {"never engaged": len(cuts.never), "left open": len(cuts.unsure)}
    for why in NOT_COUNTED:
        number = sum(entry.entry is why for entry in entries)
        if number:
            counts[str(why)] = number
    other = sum(entry.other_rate for entry in entries)
    counts |= way_counts(entry.cut for entry in cuts.every)
    return counts | ({"at another packet rate": other} if other else {})


def _entry_examples(evidence: Evidence, cuts: _Cuts, since: str) -> tuple[str, ...]:
    lines = []
    for entry in (cuts.never + cuts.late + cuts.unsure)[:EXAMPLES]:
        when = moment(evidence, entry.cut.start_ns)
        after = "cut" if since == "cut" else "last applied packet"
        what = f"{ms(_since(entry, since)[0])} after the {after}"
        if entry.entry is Entry.NEVER:
            what = f"no failsafe in a cut of {ms(entry.cut.duration_ns)}{_way(entry)}"
        elif entry.entry is Entry.UNKNOWN:
            what = "hidden by lost serial messages"
        lines.append(f"cut {entry.cut.number} at {when}: {what}")
    return tuple(lines)


def _way(entry: CutEntry) -> str:
    return "" if entry.cut.way == "silence" else f" {WAY_WORDS[entry.cut.way]}"


def _entry_advice(verdict: Verdict, cuts: _Cuts) -> tuple[str, ...]:
    if verdict is Verdict.PASS:
        return ()
    if verdict is Verdict.FAIL:
        strange = any(
            entry.cut.way not in ("silence", "fade") and not entry.cut.is_outside
            for entry in cuts.never + cuts.late
        )
        situations = (("never", cuts.never), ("stranger", strange), ("late", cuts.late))
        return advise("failsafe_entry", *(word for word, applies in situations if applies))
    return BENCH if cuts.unsure else advise("failsafe_entry", "more")


def judge_failsafe_outputs(rule: p.FailsafeOutputs, evidence: Evidence) -> CheckResult:
    """Judge every channel's output in failsafe, over all cuts, against its declared value."""
    found = failsafe_outputs(evidence)
    if not found:
        return no_data(evidence, "failsafe engaged in no cut, so no outputs can be judged", "values")
    off = [one for one in found if _off_us(one) > rule.tolerance_us]
    cuts = len({one.cut.number for one in found})
    hidden = _hidden_outputs(evidence)
    verdict, advice = Verdict.PASS, no_advice()
    reason = f"every output was right in {many(cuts, 'cut')}"
    if off:
        verdict, advice = Verdict.FAIL, advise("failsafe_outputs", "fail")
        reason = _wrong_outputs(rule, evidence, off)
    elif hidden:
        verdict, advice = Verdict.INCONCLUSIVE, BENCH
        reason += f", but lost serial messages hide outputs of {many(hidden, 'cut')}"
    return result(
        verdict,
        reason,
        value=float(max(map(_off_us, found))),
        unit="us",
        limit=float(rule.tolerance_us),
        side="at most",
        samples=len(found),
        sample_unit="values",
        counts={"cuts": cuts, "values": len(found), "wrong": len(off)},
        examples=tuple(_wrong_example(evidence, one) for one in off[:EXAMPLES]),
        advice=advice,
    )


def _hidden_outputs(evidence: Evidence) -> int:
    """Return in how many cuts missing messages hide the change, or the last value of a held channel."""
    link = evidence.plan.link
    holds = any(channel.failsafe_us is None for channel in link.channels)
    entries = failsafe_entries(evidence, link.failsafe.within_ns)
    return sum(one.entry is Entry.UNKNOWN or (holds and one.may_be_shorter) for one in entries)


def _wrong_outputs(rule: p.FailsafeOutputs, evidence: Evidence, off: Sequence[FailsafeOutput]) -> str:
    names = [channel.name for channel in evidence.plan.link.channels]
    wrong = sorted({one.channel for one in off})
    told = "; ".join(_wrong_channel(names, off, channel) for channel in wrong)
    return f"{told} (tolerance {rule.tolerance_us} us)"


def _wrong_example(evidence: Evidence, one: FailsafeOutput) -> str:
    name = evidence.plan.link.channels[one.channel].name
    when = moment(evidence, one.cut.start_ns)
    return f"cut {one.cut.number} at {when}: {name} {_shown(one)} instead of {one.wanted_us} us"


def _off_us(one: FailsafeOutput) -> int:
    return abs(one.shown_us - one.wanted_us) if one.shown_us is not None else 1 << 16


def _shown(one: FailsafeOutput) -> str:
    return "not reported" if one.shown_us is None else f"{one.shown_us} us"


def _wrong_channel(names: Sequence[str], off: Sequence[FailsafeOutput], channel: int) -> str:
    mine = [one for one in off if one.channel == channel]
    worst = max(mine, key=_off_us)
    cuts = cuts_in(one.cut for one in mine)
    wanted = f"hold {worst.wanted_us} us" if worst.held else f"{worst.wanted_us} us"
    return f"{names[channel]} was {_shown(worst)} instead of {wanted} in {cuts}"


def judge_no_false_failsafe(rule: p.NoFalseFailsafe, evidence: Evidence) -> CheckResult:  # noqa: ARG001
    """Judge that failsafe never came too soon after a packet, and the receiver never restarted by itself."""
    found = false_failsafes(evidence)
    total = int(inside(evidence.applied.at_ns, evidence.spans()).sum())
    restarted = any(one.restarted for one in found)
    count = Count(
        number=len(found),
        allowed=0,
        total=total,
        unit="false failsafes",
        what="a failsafe",
        if_fine=f"no failsafe too soon after any of {many(total, 'packet')}",
        if_not=_false_reason(evidence, found),
        advice=advise("no_false_failsafe", "restart" if restarted else "fail"),
    )
    return judge_count(
        evidence,
        count,
        counts={
            "false failsafes": len(found),
            "too soon in a cut": sum(one.in_cut for one in found),
            "restarts by itself": sum(one.restarted for one in found),
        },
        examples=tuple(f"{moment(evidence, one.at_ns)}: {_false_words(one)}" for one in found[:EXAMPLES]),
    )


def _false_words(one: FalseFailsafe) -> str:
    since = f"{ms(one.since_ns)} after the last applied packet" if one.since_ns >= 0 else "before any packet"
    if one.restarted:
        return f"the receiver restarted by itself, {since}"
    return f"failsafe {since}" + (", in a link cut" if one.in_cut else "")


def _false_reason(evidence: Evidence, found: Sequence[FalseFailsafe]) -> str:
    parts = []
    restarts = sum(one.restarted for one in found)
    soon = [one.since_ns for one in found if not one.restarted]
    if soon:
        earliest = ms(evidence.plan.link.failsafe.earliest_ns)
        parts.append(
            f"failsafe came {_times(len(soon))} too soon, {ms(min(soon))} or more after the last applied "
            f"packet; not before {earliest} declared"
        )
    if restarts:
        parts.append(f"the receiver restarted by itself {_times(restarts)}")
    return "; ".join(parts)


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"

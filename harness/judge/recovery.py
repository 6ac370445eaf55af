"""Does control come back as it must? In time after every cut, and with no value from before it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.clock import MS
from harness.judge.advice import BENCH, advise
from harness.judge.guard import no_data, result
from harness.judge.ways import cuts_in, cuts_of
from harness.judge.words import EXAMPLES, moment, ms, times_ms
from harness.measure.evidence import Evidence
from harness.measure.recovery import CutExit, failsafe_exits
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict


@dataclass(frozen=True, slots=True)
class _Exits:
    """Cuts by how control came back: in time, late or never, neither for certain, with stale outputs."""

    in_time: list[CutExit]
    late: list[CutExit]
    unsure: list[CutExit]
    stale: list[CutExit]

    def some(self, exits: Sequence[CutExit]) -> str:
        """Say how many of the cuts of each way these are."""
        every = (one.cut for one in self.in_time + self.late + self.unsure)
        return cuts_of((one.cut for one in exits), every)


def judge_failsafe_exit(rule: p.FailsafeExit, evidence: Evidence) -> CheckResult:
    """Judge the return of control after every cut: in time, and without a stale output."""
    limit = evidence.plan.link.failsafe.recover_within_ns if rule.within_ns is None else rule.within_ns
    found = failsafe_exits(evidence, limit)
    exits = _sorted_exits(found, limit)
    judged = len(exits.in_time) + len(exits.late) + len(exits.unsure)
    if not judged and not exits.stale:
        return no_data(evidence, "no packet was sent after a link cut", "cuts")
    verdict = Verdict.INCONCLUSIVE if exits.unsure else Verdict.PASS
    if exits.late or exits.stale:
        verdict = Verdict.FAIL
    waits = [(one.exit_ns if one.exit_ns is not None else math.inf) for one in exits.in_time + exits.late]
    return result(
        verdict,
        _exit_reason(evidence, exits, judged, limit),
        value=max(waits) / MS if waits else None,
        unit="ms",
        uncertainty=evidence.slack_ns / MS,
        limit=limit / MS,
        side="at most",
        samples=judged,
        sample_unit="cuts",
        counts={
            "cuts": judged,
            "in time": len(exits.in_time),
            "late": len(exits.late),
            "left open": len(exits.unsure),
            "stale": len(exits.stale),
        },
        examples=_exit_examples(evidence, exits),
        advice=_exit_advice(verdict, exits),
    )


def _sorted_exits(found: Sequence[CutExit], limit_ns: int) -> _Exits:
    exits = _Exits([], [], [], [one for one in found if one.stale])
    for one in found:
        if one.exit_ns is None and one.waited_ns <= limit_ns + one.bound_ns:
            continue
        waited = one.waited_ns if one.exit_ns is None else one.exit_ns
        if waited - one.bound_ns > limit_ns and not one.may_be_shorter:
            exits.late.append(one)
        elif waited + one.bound_ns <= limit_ns and not one.may_be_longer and not one.blind:
            exits.in_time.append(one)
        else:
            exits.unsure.append(one)
    return exits


def _exit_reason(evidence: Evidence, exits: _Exits, judged: int, limit_ns: int) -> str:
    parts = []
    never = [one for one in exits.late if one.exit_ns is None]
    if never:
        parts.append(f"control did not come back in {exits.some(never)}")
    if len(exits.late) > len(never):
        late = [one for one in exits.late if one.exit_ns is not None]
        parts.append(f"control came back late in {exits.some(late)}")
    if exits.stale:
        names = [channel.name for channel in evidence.plan.link.channels]
        wrong = {names[bad.channel]: bad.old for one in exits.stale for bad in one.stale}
        what = "a value from before the cut" if any(wrong.values()) else "a value nobody sent since the cut"
        parts.append(f"{', '.join(sorted(wrong))} showed {what} in {cuts_in(one.cut for one in exits.stale)}")
    if not parts:
        parts.append(f"control came back in time in {len(exits.in_time)} of {many(judged, 'cut')}")
    times = [one.exit_ns for one in exits.in_time + exits.late if one.exit_ns is not None]
    if times:
        parts.append(f"{times_ms(times)} after the first packet; {ms(limit_ns)} allowed")
    if exits.unsure:
        parts.append(f"{many(len(exits.unsure), 'cut')} left open by lost serial messages or the clock")
    return "; ".join(parts)


def _exit_examples(evidence: Evidence, exits: _Exits) -> tuple[str, ...]:
    names = [channel.name for channel in evidence.plan.link.channels]
    lines = []
    for one in exits.stale:
        bad = one.stale[0]
        packet = f"packet {bad.packet}" if bad.packet >= 0 else "an output change"
        lines.append(
            f"cut {one.cut.number} at {moment(evidence, one.cut.start_ns)}: {packet}, "
            f"{ms(bad.after_ns)} after the first one, put {names[bad.channel]} at {bad.shown_us} us"
        )
    for one in exits.late:
        took = f"nothing applied in {ms(one.waited_ns)}" if one.exit_ns is None else f"took {ms(one.exit_ns)}"
        lines.append(f"cut {one.cut.number} at {moment(evidence, one.cut.start_ns)}: {took}")
    return tuple(lines[:EXAMPLES])


def _exit_advice(verdict: Verdict, exits: _Exits) -> tuple[str, ...]:
    if verdict is Verdict.PASS:
        return ()
    if verdict is Verdict.INCONCLUSIVE:
        return BENCH
    situations = (["stale"] if exits.stale else []) + (["late"] if exits.late else [])
    return advise("failsafe_exit", *situations)

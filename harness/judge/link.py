"""Is the link good enough? Packet rate, control gap, duplicates."""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.clock import MS
from harness.judge.advice import BENCH, MORE, advise
from harness.judge.guard import (
    ENOUGH,
    Count,
    at_least,
    judge_count,
    no_data,
    result,
)
from harness.judge.words import EXAMPLES, in_steps, moment, ms, plain
from harness.measure.arrays import Flags, Ints, inside
from harness.measure.evidence import Evidence
from harness.measure.pacing import control_gaps, packet_rate
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict

FEWEST: Final = 10
"""Fewest packets whose rate is worth a verdict: start and end then matter less than a tenth."""


def judge_packet_rate(rule: p.PacketRate, evidence: Evidence) -> CheckResult:
    """Judge packets a second; the uncertainty is that of the time in which they were counted."""
    rate = packet_rate(evidence)
    if rate.hz is None or rate.packets < FEWEST:
        return no_data(evidence, f"only {many(rate.packets, 'packet')} to count", "packets")
    limit = rule.at_least_mhz / 1000
    uncertainty = rate.hz * rate.bound_ns / rate.time_ns
    verdict = at_least(rate.hz, rate.hz, limit, uncertainty)
    return result(
        verdict,
        f"{many(rate.packets, 'packet')} in {plain(rate.time_ns / 1e9)} s are {plain(rate.hz)} Hz; "
        f"wanted {plain(limit)} Hz",
        value=rate.hz,
        unit="Hz",
        uncertainty=uncertainty,
        limit=limit,
        side="at least",
        samples=rate.packets,
        sample_unit="packets",
        counts={"packets": rate.packets},
        advice=advise("packet_rate", "fail") if verdict is Verdict.FAIL else (),
    )


def judge_control_gap(rule: p.ControlGap, evidence: Evidence) -> CheckResult:
    """Judge the longest time without an applied packet; a worst case, so it needs enough packets."""
    gaps = control_gaps(evidence, rule.during)
    if not len(gaps.gap_ns):
        return no_data(evidence, f"no packet was applied{in_steps(rule.during)}", "packets")
    too_long = gaps.gap_ns - gaps.bound_ns > rule.at_most_ns
    certain = too_long & ~gaps.doubtful
    fine = bool((gaps.gap_ns + gaps.bound_ns <= rule.at_most_ns).all())
    verdict = Verdict.FAIL if certain.any() else Verdict.INCONCLUSIVE
    if fine and len(gaps.gap_ns) >= ENOUGH:
        verdict = Verdict.PASS
    pool = np.flatnonzero(certain) if certain.any() else np.arange(len(gaps.gap_ns))
    worst = int(pool[np.argmax(gaps.gap_ns[pool])])
    return result(
        verdict,
        f"the longest time without a new packet{in_steps(rule.during)} was {ms(gaps.gap_ns[worst])} "
        f"at {moment(evidence, int(gaps.start_ns[worst]))}; at most {ms(rule.at_most_ns)} allowed"
        + _gap_doubt(gaps.doubtful[worst], fine, len(gaps.gap_ns)),
        value=float(gaps.gap_ns[worst]) / MS,
        unit="ms",
        uncertainty=float(gaps.bound_ns[worst]) / MS,
        limit=rule.at_most_ns / MS,
        side="at most",
        samples=len(gaps.gap_ns),
        sample_unit="packets",
        needed=max(1, ENOUGH - len(gaps.gap_ns)) if fine and verdict is Verdict.INCONCLUSIVE else None,
        counts={"gaps": len(gaps.gap_ns), "too long": int(certain.sum())},
        examples=_gap_examples(evidence, gaps.gap_ns, gaps.start_ns, certain),
        advice=_gap_advice(verdict, fine),
    )


def _gap_doubt(doubtful: bool, fine: bool, count: int) -> str:
    if fine and count < ENOUGH:
        return f"; {many(count, 'packet')} are too few to tell, {ENOUGH} would do"
    return "; messages of the receiver are missing in it, so it may have been shorter" if doubtful else ""


def _gap_advice(verdict: Verdict, fine: bool) -> tuple[str, ...]:
    if verdict is Verdict.FAIL:
        return advise("control_gap", "fail")
    if verdict is Verdict.PASS:
        return ()
    return (MORE,) if fine else BENCH


def _gap_examples(evidence: Evidence, gap_ns: Ints, start_ns: Ints, certain: Flags) -> tuple[str, ...]:
    worst = np.flatnonzero(certain)
    worst = worst[np.argsort(-gap_ns[worst], kind="stable")][:EXAMPLES]
    return tuple(
        f"{ms(gap_ns[place])} from {moment(evidence, int(start_ns[place]))}"
        for place in np.sort(worst).tolist()
    )


def judge_duplicates(rule: p.Duplicates, evidence: Evidence) -> CheckResult:
    """Judge how many packets were applied more than once in the run."""
    applied = evidence.applied
    in_run = inside(applied.at_ns, evidence.spans())
    again = np.flatnonzero(applied.repeat & in_run & ~applied.doubtful)
    total = int(in_run.sum())
    words = f"{many(len(again), 'packet')} of {total} applied more than once; at most {rule.at_most} allowed"
    count = Count(
        number=len(again),
        allowed=rule.at_most,
        total=total,
        unit="duplicates",
        what="a packet applied again",
        if_fine=words,
        if_not=words,
        advice=advise("duplicates", "fail"),
    )
    return judge_count(
        evidence,
        count,
        counts={"applied": total, "applied again": len(again)},
        examples=tuple(
            f"packet {applied.number[row]} again at {moment(evidence, int(applied.at_ns[row]))}"
            for row in again[:EXAMPLES].tolist()
        ),
    )

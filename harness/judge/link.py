"""Is the link good enough? Delivery, packet rate, latency, control gap, duplicates."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from harness.clock import MS
from harness.judge.advice import BENCH, MORE, advise
from harness.judge.guard import (
    ENOUGH,
    Count,
    at_least,
    at_most,
    finite_or_infinite,
    judge_count,
    no_data,
    result,
)
from harness.judge.words import EXAMPLES, in_steps, many, moment, ms, plain, share
from harness.measure.arrays import Flags, Ints, inside
from harness.measure.delivery import (
    LOST_NS,
    DeliveryCounts,
    Fates,
    burst_factor,
    count_delivery,
    loss_runs,
    packet_fates,
)
from harness.measure.evidence import Evidence
from harness.measure.latency import LatencyPercentile, measure_latency
from harness.measure.pacing import control_gaps, packet_rate
from harness.plan import model as p
from harness.stats.binomial import (
    clopper_pearson_lower,
    clopper_pearson_upper,
    trials_to_settle,
)
from harness.verdict import CheckResult, Verdict

BURSTY: Final = 1.5
"""Losses that inflate the variance this much are said to come in bursts."""
FEWEST: Final = 10
"""Fewest packets whose rate is worth a verdict: start and end then matter less than a tenth."""


def judge_delivery(rule: p.Delivery, evidence: Evidence) -> CheckResult:
    """Judge applied / sent by exact (Clopper-Pearson) limits, each one-sided at the wanted confidence.

    Packets of unknown fate count as lost for the lower limit and as delivered for the upper. Losses in
    bursts tell less than single ones: the lower limit counts them as packets / `burst_factor`, so that it
    holds its confidence; the upper limit does without, so that one more lost packet never mends a failed
    delivery.
    """
    fates = packet_fates(evidence, rule.during)
    counts = count_delivery(evidence, fates, rule.during)
    if not counts.sent:
        return no_data(evidence, f"no packet was sent{in_steps(rule.during)}", "packets")
    confidence, limit = float(rule.confidence), float(rule.at_least)
    factor = burst_factor(fates.lost)
    lower = clopper_pearson_lower(counts.applied / factor, counts.sent / factor, confidence)
    upper = clopper_pearson_upper(counts.applied + counts.unknown, counts.sent, confidence)
    verdict = at_least(lower, upper, limit)
    known = counts.applied + counts.lost
    return result(
        verdict,
        _delivery_reason(rule, counts, factor, lower, upper),
        value=100 * counts.applied / known if known else None,
        unit="%",
        interval=(100 * lower, 100 * upper),
        confidence=confidence,
        limit=100 * limit,
        side="at least",
        samples=counts.sent,
        sample_unit="packets",
        needed=_delivery_needed(counts, limit, confidence, factor)
        if verdict is Verdict.INCONCLUSIVE
        else None,
        counts=_whole_numbers(counts),
        examples=_lost_examples(evidence, fates),
        advice=_delivery_advice(verdict, rule, counts),
    )


def _delivery_reason(
    rule: p.Delivery, counts: DeliveryCounts, factor: float, lower: float, upper: float
) -> str:
    reason = (
        f"{counts.applied} of {many(counts.sent, 'packet')} were applied within the time allowed"
        f"{in_steps(rule.during)}: between {share(lower)} and {share(upper)}, "
        f"each with {share(rule.confidence)} confidence; wanted {share(rule.at_least)}"
    )
    if counts.unknown:
        unknown = many(counts.unknown, "packet")
        reason += f"; {unknown} of unknown fate: reports are missing (serial line, or a restart)"
    if factor > BURSTY:
        longest = counts.longest_burst
        reason += f"; losses came in {many(counts.bursts, 'burst')} of up to {many(longest, 'packet')}"
    return reason


def _delivery_needed(counts: DeliveryCounts, limit: float, confidence: float, factor: float) -> int | None:
    """Return how many more packets would settle it, None if none would or serial losses stand in the way."""
    known = counts.applied + counts.lost
    if not known:
        return None
    total = trials_to_settle(counts.applied, known, limit, confidence)
    if total is None or total * factor <= counts.sent:
        return None
    return math.ceil(total * factor) - counts.sent


def _whole_numbers(counts: DeliveryCounts) -> dict[str, int]:
    return {
        "sent": counts.sent,
        "applied in time": counts.applied,
        "lost": counts.lost,
        "late": counts.late,
        "unknown": counts.unknown,
        "not judged": counts.not_judged,
        "applied again": counts.repeated,
        "out of order": counts.reordered,
        "acknowledged but not applied": counts.acked_not_applied,
        "applied but not acknowledged": counts.applied_not_acked,
        "loss bursts": counts.bursts,
        "longest burst": counts.longest_burst,
    }


def _lost_examples(evidence: Evidence, fates: Fates) -> tuple[str, ...]:
    runs = loss_runs(fates.lost)
    order = np.argsort(-runs[:, 1], kind="stable")[:EXAMPLES]
    lines = []
    for first, length in runs[np.sort(order)].tolist():
        row = int(fates.row[first])
        number = int(evidence.sent.number[row])
        when = moment(evidence, int(evidence.sent.at_ns[row]))
        what = f"packet {number}" if length == 1 else f"{length} packets from {number} on"
        late = fates.latency_ns[first]
        how = "lost" if late == LOST_NS else f"late by {ms(late - evidence.plan.link.lost_after_ns)}"
        lines.append(f"{what} {how} at {when}")
    return tuple(lines)


def _delivery_advice(verdict: Verdict, rule: p.Delivery, counts: DeliveryCounts) -> tuple[str, ...]:
    if verdict is Verdict.PASS:
        return ()
    if verdict is Verdict.FAIL:
        starved = 2 * (counts.late + counts.acked_not_applied) > counts.lost
        return advise("delivery", "starved" if starved else "fail")
    if counts.unknown:
        return BENCH
    return advise("delivery", "hundred") if rule.at_least >= 1 else (MORE,)


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


def judge_latency(rule: p.Latency, evidence: Evidence) -> CheckResult:
    """Judge a latency percentile by its distribution-free interval, widened by both clock maps' bounds."""
    confidence, percentile = float(rule.confidence), float(rule.percentile)
    found = measure_latency(evidence, percentile, confidence, rule.at_most_ns, rule.during)
    if found.value_ns is None:
        return no_data(evidence, f"no packet was sent{in_steps(rule.during)}", "packets")
    lower, upper = (finite_or_infinite(end, LOST_NS) for end in (found.lower_ns, found.upper_ns))
    verdict = at_most(lower, upper, rule.at_most_ns, evidence.slack_ns)
    return result(
        verdict,
        _latency_reason(rule, found, lower, upper, evidence.slack_ns),
        value=finite_or_infinite(found.value_ns, LOST_NS) / MS,
        unit="ms",
        interval=(lower / MS, upper / MS),
        confidence=confidence,
        uncertainty=evidence.slack_ns / MS,
        limit=rule.at_most_ns / MS,
        side="at most",
        samples=found.samples + found.unknown,
        sample_unit="packets",
        needed=_latency_needed(rule, found) if verdict is Verdict.INCONCLUSIVE else None,
        counts={
            "packets": found.samples,
            "in time": found.within,
            "lost": found.lost,
            "unknown": found.unknown,
        },
        examples=_slow_examples(evidence, rule) if verdict is not Verdict.PASS else (),
        advice=_latency_advice(verdict, found),
    )


def _latency_reason(
    rule: p.Latency, found: LatencyPercentile, lower: float, upper: float, slack_ns: int
) -> str:
    value = finite_or_infinite(found.value_ns or 0, LOST_NS)
    said = "a lost packet, so without end" if math.isinf(value) else ms(value)
    ends = [("without end" if math.isinf(end) else ms(end)) for end in (lower, upper)]
    reason = (
        f"{share(rule.percentile)} of packets{in_steps(rule.during)} have a latency up to {said}, "
        f"between {ends[0]} and {ends[1]} (clocks to {ms(slack_ns)}); at most {ms(rule.at_most_ns)} allowed; "
        f"{share(found.within / max(1, found.samples))} of {many(found.samples, 'packet')} were that fast"
    )
    return reason + (f", {found.lost} lost" if found.lost else "")


def _latency_needed(rule: p.Latency, found: LatencyPercentile) -> int | None:
    """Return how many more packets would show that the share in time reaches the percentile, or not."""
    total = trials_to_settle(found.within, found.samples, float(rule.percentile), float(rule.confidence))
    if total is None or total <= found.samples:
        return None
    return total - found.samples


def _latency_advice(verdict: Verdict, found: LatencyPercentile) -> tuple[str, ...]:
    if verdict is Verdict.PASS:
        return ()
    if verdict is Verdict.FAIL:
        return advise("latency", "fail")
    return BENCH if found.unknown else (MORE, *advise("latency", "clock"))


def _slow_examples(evidence: Evidence, rule: p.Latency) -> tuple[str, ...]:
    fates = packet_fates(evidence, rule.during)
    slow = np.flatnonzero(fates.delivered & (fates.latency_ns > rule.at_most_ns))
    worst = slow[np.argsort(-fates.latency_ns[slow], kind="stable")][:EXAMPLES]
    return tuple(
        f"packet {evidence.sent.number[fates.row[place]]} took {ms(fates.latency_ns[place])} "
        f"at {moment(evidence, int(evidence.sent.at_ns[fates.row[place]]))}"
        for place in np.sort(worst).tolist()
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

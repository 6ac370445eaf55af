"""Did enough packets arrive in time? Delivery, with limits that hold when losses come in bursts."""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.judge.advice import BENCH, MORE, advise
from harness.judge.guard import no_data, result
from harness.judge.words import EXAMPLES, in_steps, moment, ms, plain, share
from harness.measure.delivery import (
    LOST_NS,
    DeliveryCounts,
    Fates,
    breaks_before,
    count_delivery,
    packet_fates,
)
from harness.measure.evidence import Evidence
from harness.plan import model as p
from harness.plan.wording import many
from harness.stats.bursts import (
    ASSUMED_BURST,
    FEWEST_BURSTS,
    ShareLimits,
    bursts_expected,
    reached,
    share_limits,
    tallies,
    trials_to_settle,
)
from harness.stats.runs import loss_periods
from harness.verdict import CheckResult, Verdict

BURSTY: Final = 1.5
"""Losses are said to come in bursts from this mean length on."""
_VERDICTS: Final = {True: Verdict.PASS, False: Verdict.FAIL, None: Verdict.INCONCLUSIVE}


def judge_delivery(rule: p.Delivery, evidence: Evidence) -> CheckResult:
    """Judge applied / sent by limits that allow for bursts, each one-sided at the wanted confidence.

    Packets of unknown fate count as lost for the lower limit and as delivered for the upper. What makes a
    pass or a fail is told at `harness.stats.bursts.reached`: a pass also needs `FEWEST_BURSTS` bursts to be
    expected at the limit. Assumes that the link stays the same while it is looked at.
    """
    fates = packet_fates(evidence, rule.during)
    counts = count_delivery(evidence, fates, rule.during)
    if not counts.sent:
        return no_data(evidence, f"no packet was sent{in_steps(rule.during)}", "packets")
    confidence, limit = float(rule.confidence), float(rule.at_least)
    found = share_limits(fates.lost, confidence, unknown=fates.unknown, unplaced=fates.unreported)
    verdict = _VERDICTS[reached(found, counts.sent, limit)]
    needed = _needed(rule, counts, fates) if verdict is Verdict.INCONCLUSIVE else None
    known = counts.applied + counts.lost
    few = _few(rule, counts, found, needed) if verdict is Verdict.INCONCLUSIVE else ""
    return result(
        verdict,
        _reason(rule, counts, found) + few,
        value=100 * counts.applied / known if known else None,
        unit="%",
        interval=(100 * found.lower, 100 * found.upper),
        confidence=confidence,
        limit=100 * limit,
        side="at least",
        samples=counts.sent,
        sample_unit="packets",
        needed=needed,
        counts=_whole_numbers(counts),
        examples=_lost_examples(evidence, fates, rule.during),
        advice=_advice(verdict, rule, counts),
    )


def _reason(rule: p.Delivery, counts: DeliveryCounts, found: ShareLimits) -> str:
    reason = (
        f"{counts.applied} of {many(counts.sent, 'packet')} were applied within the time allowed"
        f"{in_steps(rule.during)}: between {share(found.lower)} and {share(found.upper)}, "
        f"each with {share(rule.confidence)} confidence; wanted {share(rule.at_least)}"
    )
    if counts.unknown:
        unknown = many(counts.unknown, "packet")
        reason += f"; {unknown} of unknown fate: reports are missing (serial line, or a restart)"
    if counts.bursts and counts.lost >= BURSTY * counts.bursts:
        longest = many(counts.longest_burst, "packet")
        reason += f"; losses came in {many(counts.bursts, 'burst')} of up to {longest}"
    return reason


def _few(rule: p.Delivery, counts: DeliveryCounts, found: ShareLimits, needed: int | None) -> str:
    """Say that too few bursts can be expected at the limit for these packets to tell; "" if enough can."""
    length = max(ASSUMED_BURST, found.burst_length, found.clump_length)
    expected = bursts_expected(counts.sent, float(1 - rule.at_least), length)
    if expected >= FEWEST_BURSTS or rule.at_least >= 1:
        return ""
    bursts = f"{plain(expected, 1)} bursts of about {plain(length, 1)} packets"
    more = f"; {needed} more would do" if needed else ""
    return (
        f"; at the limit only {bursts} would be expected in {many(counts.sent, 'packet')}: "
        f"too few to tell, {FEWEST_BURSTS} are wanted{more}"
    )


def _needed(rule: p.Delivery, counts: DeliveryCounts, fates: Fates) -> int | None:
    """Return how many more packets would settle it, None if none would or serial losses stand in the way."""
    seen, worst = tallies(fates.lost, unknown=fates.unknown, unplaced=fates.unreported)
    total = trials_to_settle(seen, float(rule.at_least), float(rule.confidence), worst=worst)
    return None if total is None or total <= counts.sent else total - counts.sent


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


def _lost_examples(evidence: Evidence, fates: Fates, during: tuple[str, ...]) -> tuple[str, ...]:
    runs = loss_periods(fates.lost, breaks_before(evidence, fates.row, during))
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


def _advice(verdict: Verdict, rule: p.Delivery, counts: DeliveryCounts) -> tuple[str, ...]:
    if verdict is Verdict.PASS:
        return ()
    if verdict is Verdict.FAIL:
        starved = 2 * (counts.late + counts.acked_not_applied) > counts.lost
        return advise("delivery", "starved" if starved else "fail")
    if counts.unknown:
        return BENCH
    return advise("delivery", "hundred") if rule.at_least >= 1 else (MORE,)

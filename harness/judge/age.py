"""Is what the outputs obey young enough? A percentile of control age over time."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from harness.clock import MS, S
from harness.judge.advice import BENCH, MORE, advise
from harness.judge.guard import finite_or_infinite, no_data, result
from harness.judge.latency import VERDICTS, too_few
from harness.judge.words import EXAMPLES, in_steps, moment, ms, plain, share
from harness.measure.age import AgePieces, AgeTimes, age_pieces, age_samples, age_times
from harness.measure.delivery import LOST_NS
from harness.measure.evidence import Evidence
from harness.measure.percentiles import judge_percentile
from harness.plan import model as p
from harness.verdict import CheckResult, Verdict

DOUBT: Final = 0.1
"""Doubtful time that is more than this share of the time that may be too old is worth a word on the line."""


def judge_control_age(rule: p.ControlAge, evidence: Evidence) -> CheckResult:
    """Judge the share of time in which the newest applied sticks were at most so old.

    The value is exact over time. Its limits come from the age at one instant in each packet period, taken as
    time-ordered samples whose bad ones come in bursts (see `harness.measure.percentiles`), and are widened by
    what both clock maps leave open.
    """
    confidence, percentile = float(rule.confidence), float(rule.percentile)
    pieces = age_pieces(evidence, rule.during)
    samples = age_samples(pieces, evidence.plan.link.packet_period_ns)
    times = age_times(pieces)
    value = times.percentile_ns(percentile)
    if value is None or not len(samples):
        return no_data(evidence, f"no packet was applied{in_steps(rule.during)}", "packet periods")
    found = judge_percentile(samples, percentile, confidence, rule.at_most_ns, pieces.bound_ns)
    lower, upper = (finite_or_infinite(end, LOST_NS) for end in (found.lower_ns, found.upper_ns))
    verdict = VERDICTS[found.kept]
    still_open = verdict is Verdict.INCONCLUSIVE
    return result(
        verdict,
        _reason(rule, pieces, times, value, (lower, upper))
        + (too_few(found.share, len(samples), rule.percentile, "ages") if still_open else ""),
        value=value / MS,
        unit="ms",
        interval=(lower / MS, upper / MS),
        confidence=confidence,
        uncertainty=pieces.bound_ns / MS,
        limit=rule.at_most_ns / MS,
        side="at most",
        samples=len(samples),
        sample_unit="packet periods",
        needed=samples.needed(rule.at_most_ns, percentile, confidence, pieces.bound_ns)
        if still_open
        else None,
        counts={
            "us looked at": pieces.total_ns // 1000,
            "us above": times.above_ns(rule.at_most_ns) // 1000,
            "us in doubt": pieces.doubtful_ns // 1000,
        },
        examples=_old_examples(evidence, pieces, rule) if verdict is not Verdict.PASS else (),
        advice=_advice(verdict, pieces, percentile),
    )


def _reason(
    rule: p.ControlAge, pieces: AgePieces, times: AgeTimes, value: int, ends: tuple[float, float]
) -> str:
    said = [("without end" if math.isinf(end) else ms(end)) for end in ends]
    above = times.above_ns(rule.at_most_ns)
    reason = (
        f"for {share(rule.percentile)} of the time{in_steps(rule.during)} the newest applied sticks were "
        f"up to {ms(value)} old, between {said[0]} and {said[1]} (clocks to {ms(pieces.bound_ns)}); at most "
        f"{ms(rule.at_most_ns)} allowed; they were older for {plain(above / S)} s of "
        f"{plain(times.total_ns / S)} s, at most {ms(int(pieces.high_ns.max()))}"
    )
    if pieces.doubtful_ns:
        reason += f"; for {plain(pieces.doubtful_ns / S)} s reports are missing: they may have been younger"
    return reason


def _advice(verdict: Verdict, pieces: AgePieces, percentile: float) -> tuple[str, ...]:
    if verdict is Verdict.PASS:
        return ()
    if verdict is Verdict.FAIL:
        return advise("control_age", "fail")
    much = pieces.doubtful_ns > DOUBT * (1 - percentile) * pieces.total_ns
    return BENCH if much else (MORE, *advise("latency", "clock"))


def _old_examples(evidence: Evidence, pieces: AgePieces, rule: p.ControlAge) -> tuple[str, ...]:
    old = np.flatnonzero((pieces.high_ns > rule.at_most_ns) & ~pieces.doubtful)
    worst = old[np.argsort(-pieces.high_ns[old], kind="stable")][:EXAMPLES]
    return tuple(
        f"{ms(int(pieces.high_ns[place]))} old at {moment(evidence, int(pieces.end_ns[place]))}"
        for place in np.sort(worst).tolist()
    )

"""Is what the outputs obey young enough? A percentile of control age over time."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from harness.clock import MS, S
from harness.judge.advice import BENCH, advise
from harness.judge.guard import finite_or_infinite, no_data, result
from harness.judge.latency import VERDICTS, clocks_decide, near, open_advice, too_few
from harness.judge.words import EXAMPLES, between, in_steps, moment, ms, plain, share
from harness.measure.age import AgePieces, AgeTimes, age_pieces, sampled_ages, times_of_ages
from harness.measure.delivery import LOST_NS
from harness.measure.evidence import Evidence
from harness.measure.percentiles import Samples, judge_percentile
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
    samples, times = sampled_ages(evidence, rule.during), times_of_ages(evidence, rule.during)
    value, never = times.percentile_ns(percentile), not (evidence.applied.sent_row >= 0).any()
    if value is None or not len(samples) or (never and pieces.doubtful_ns == pieces.total_ns):
        what = "packet was applied" if len(evidence.sent) else "packet was sent"
        return no_data(evidence, f"no {what}{in_steps(rule.during)}", "packet periods")
    found = judge_percentile(samples, percentile, confidence, rule.at_most_ns, pieces.bound_ns)
    lower, upper = (finite_or_infinite(end, LOST_NS) for end in (found.lower_ns, found.upper_ns))
    left_out = found.kept is True and _too_much(pieces.untold_ns, pieces, percentile)
    verdict = Verdict.INCONCLUSIVE if left_out else VERDICTS[found.kept]
    unclear = _unclear(rule, samples, pieces) if found.kept is None else ""
    few = found.kept is None and not unclear
    needed = samples.needed(rule.at_most_ns, percentile, confidence, pieces.bound_ns) if few else None
    doubt = _too_much(pieces.doubtful_ns / DOUBT, pieces, percentile)
    advice = _advice(verdict, unclear, left_out) or open_advice(evidence, doubt, needed)
    return result(
        verdict,
        unclear
        + ("no packet was ever applied: the age counts from the first one sent; " if never else "")
        + _reason(rule, pieces, times, value, (lower, upper))
        + _left_out(pieces, left_out)
        + (too_few(found.share, len(samples), rule.percentile, "ages") if few else ""),
        value=value / MS,
        unit="ms",
        interval=(lower / MS, upper / MS),
        confidence=confidence,
        uncertainty=pieces.bound_ns / MS,
        limit=rule.at_most_ns / MS,
        side="at most",
        samples=len(samples),
        sample_unit="packet periods",
        needed=needed,
        counts={
            "us looked at": pieces.total_ns // 1000,
            "us above": times.above_ns(rule.at_most_ns) // 1000,
            "us in doubt": pieces.doubtful_ns // 1000,
            "us left out": pieces.unaccounted_ns // 1000,
        },
        examples=_old_examples(evidence, pieces, rule) if verdict is not Verdict.PASS else (),
        advice=advice if verdict is not Verdict.PASS else (),
    )


def _unclear(rule: p.ControlAge, samples: Samples, pieces: AgePieces) -> str:
    return clocks_decide(samples, float(rule.percentile), rule.at_most_ns, pieces.bound_ns)


def _too_much(time_ns: float, pieces: AgePieces, percentile: float) -> bool:
    """Return whether a time is more than what may be too old at the percentile."""
    return time_ns > (1 - percentile) * (pieces.total_ns + pieces.untold_ns)


def _left_out(pieces: AgePieces, too_much: bool) -> str:
    """Say what was left out beside what was done on purpose."""
    parts = []
    if pieces.unlinked_ns:
        parts.append(f"{plain(pieces.unlinked_ns / S)} s before the link came up, in steps that wait for it")
    if pieces.untold_ns:
        told = f"{plain(pieces.untold_ns / S)} s of which the receiver's port tells nothing"
        parts.append(f"{told}, too long for a pass" if too_much else told)
    return f"; left out: {' and '.join(parts)}" if parts else ""


def _reason(
    rule: p.ControlAge, pieces: AgePieces, times: AgeTimes, value: int, ends: tuple[float, float]
) -> str:
    said = [("without end" if math.isinf(end) else ms(end)) for end in ends]
    above = times.above_ns(rule.at_most_ns)
    reason = (
        f"for {share(rule.percentile)} of the time{in_steps(rule.during)} the newest applied sticks were "
        f"up to {ms(value)} old, {between(*said)} (clocks to {ms(pieces.bound_ns)}); at most "
        f"{ms(rule.at_most_ns)} allowed; they were older for {plain(above / S)} s of "
        f"{plain(times.total_ns / S)} s, at most {ms(int(pieces.high_ns.max()))}"
    )
    if pieces.doubtful_ns:
        reason += f"; for {plain(pieces.doubtful_ns / S)} s reports are missing: they may have been younger"
    return reason


def _advice(verdict: Verdict, unclear: str, left_out: bool) -> tuple[str, ...]:
    """Return what to try next; nothing where it depends on how much longer it would take."""
    if verdict is Verdict.FAIL:
        return advise("control_age", "fail")
    if left_out:
        return BENCH
    return advise("latency", "clock", *near(unclear)) if unclear else ()


def _old_examples(evidence: Evidence, pieces: AgePieces, rule: p.ControlAge) -> tuple[str, ...]:
    old = np.flatnonzero((pieces.high_ns > rule.at_most_ns) & ~pieces.doubtful)
    worst = old[np.argsort(-pieces.high_ns[old], kind="stable")][:EXAMPLES]
    return tuple(
        f"{ms(int(pieces.high_ns[place]))} old at {moment(evidence, int(pieces.end_ns[place]))}"
        for place in np.sort(worst).tolist()
    )

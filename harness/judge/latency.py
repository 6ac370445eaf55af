"""Is control quick enough? A percentile of packet latency, stick-to-output time or round trip."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Final

import numpy as np

from harness.bench.protocol import DEVICES
from harness.clock import MS
from harness.judge.advice import BENCH, MORE, advise
from harness.judge.guard import finite_or_infinite, lost_messages, no_data, result
from harness.judge.words import EXAMPLES, between, in_steps, moment, ms, plain, share
from harness.measure.delivery import LOST_NS
from harness.measure.evidence import Evidence
from harness.measure.latency import DELAYS, Delays, LatencyPercentile, measure_latency
from harness.measure.percentiles import Samples
from harness.plan import model as p
from harness.plan.wording import many
from harness.stats.bursts import ASSUMED_BURST, FEWEST_BURSTS, ShareLimits, bursts_expected
from harness.verdict import CheckResult, Verdict

VERDICTS: Final = {True: Verdict.PASS, False: Verdict.FAIL, None: Verdict.INCONCLUSIVE}
POOR: Final = 0.1
"""Clocks are too poor for a limit if they are known to no better than this share of it, and nothing seen was
quick enough to pass. The rule of thumb of one to ten in calibration; common practice, no source."""
TOO_POOR: Final = "which is too poor for this limit"
OF: Final = {
    "packet": "have a latency up to",
    "stick": "show at the outputs after up to",
    "acknowledgement": "are acknowledged after up to",
}


def judge_latency(rule: p.Latency, evidence: Evidence) -> CheckResult:
    """Judge a latency percentile by limits that hold under bursts, widened by what the clocks leave open.

    The verdict is that of the share of samples within the limit, less the uncertainty for a pass and plus
    the uncertainty for a fail; the interval says the same in ms (see `harness.measure.percentiles`).
    """
    confidence, percentile = float(rule.confidence), float(rule.percentile)
    delays = DELAYS[rule.of](evidence, rule.during)
    found = measure_latency(delays, percentile, confidence, rule.at_most_ns)
    if found.value_ns is None:
        what = "stick was moved" if rule.of == "stick" else "packet was sent"
        return no_data(evidence, f"no {what}{in_steps(rule.during)}", delays.unit)
    sure = found.found
    lower, upper = (finite_or_infinite(end, LOST_NS) for end in (sure.lower_ns, sure.upper_ns))
    verdict = VERDICTS[sure.kept]
    known, unknown = found.known, found.unknown
    still_open = verdict is Verdict.INCONCLUSIVE
    unclear = (
        clocks_decide(delays.samples, percentile, rule.at_most_ns, delays.bound_ns) if still_open else ""
    )
    few = still_open and not unclear
    needed = delays.samples.needed(rule.at_most_ns, percentile, confidence, delays.bound_ns) if few else None
    return result(
        verdict,
        unclear
        + _reason(rule, found, lower, upper)
        + (too_few(sure.share, len(delays.samples), rule.percentile, delays.unit) if few else ""),
        value=finite_or_infinite(found.value_ns, LOST_NS) / MS,
        unit="ms",
        interval=(lower / MS, upper / MS),
        confidence=confidence,
        uncertainty=delays.bound_ns / MS,
        limit=rule.at_most_ns / MS,
        side="at most",
        samples=len(delays.samples),
        sample_unit=delays.unit,
        needed=needed,
        counts={
            delays.unit: known,
            "in time": found.within,
            "lost": found.lost,
            "unknown": unknown,
            "not judged": delays.not_judged,
        },
        examples=_slow_examples(evidence, delays, rule) if verdict is not Verdict.PASS else (),
        advice=_advice(verdict, rule, evidence, found, unclear, needed),
    )


def clocks_decide(samples: Samples, percentile: float, limit_ns: int, bound_ns: int) -> str:
    """Say that the uncertainty leaves it open: the percentile lies within it of the limit; "" if not."""
    ordered = samples.ordered_ns
    slow, slower = (
        len(ordered) - np.searchsorted(ordered, limit_ns + off, side="right") for off in (-bound_ns, bound_ns)
    )
    if not slower <= (1 - percentile) * len(ordered) <= slow or slow == slower:
        return ""
    poor = limit_ns - bound_ns <= ordered[0] and bound_ns > POOR * limit_ns
    return (
        f"the clocks are known only to +- {ms(bound_ns)}, "
        + (TOO_POOR if poor else "and the value lies within that of the limit")
        + ": running longer will not help; "
    )


def near(unclear: str) -> list[str]:
    """Return the situation to advise on where better clocks may not be enough."""
    return [] if TOO_POOR in unclear else ["near"]


def open_advice(evidence: Evidence, in_doubt: bool, needed: int | None) -> tuple[str, ...]:
    """Return what to try by the cause: the serial line lost reports, time is short, or restarts ate them."""
    if in_doubt and any(lost_messages(evidence, role) for role in DEVICES):
        return BENCH
    return advise("latency", "restart") if in_doubt and needed is None else (MORE,)


def too_few(found: ShareLimits, samples: int, percentile: Fraction, unit: str) -> str:
    """Say that samples are too few to tell because a slow spell may not have come yet; "" if they are not.

    See `harness.stats.bursts.reached`: just at the percentile `FEWEST_BURSTS` spells must be expected.
    """
    length = max(ASSUMED_BURST, found.burst_length, found.clump_length)
    expected = bursts_expected(samples, float(1 - percentile), length)
    if expected >= FEWEST_BURSTS:
        return ""
    return (
        f"; {unit} that just reach {share(percentile)} would show {plain(expected, 1)} spells of about "
        f"{plain(length, 1)} slow ones in this time: too few to tell, {FEWEST_BURSTS} are wanted"
    )


def _reason(rule: p.Latency, found: LatencyPercentile, lower: float, upper: float) -> str:
    value = finite_or_infinite(found.value_ns or 0, LOST_NS)
    delays = found.delays
    said = "a lost one, so without end" if math.isinf(value) else ms(value)
    ends = [("without end" if math.isinf(end) else ms(end)) for end in (lower, upper)]
    reason = (
        f"{share(rule.percentile)} of {delays.unit}{in_steps(rule.during)} {OF[rule.of]} {said}, "
        f"{between(*ends)} (clocks to {ms(delays.bound_ns)}); at most {ms(rule.at_most_ns)} "
        f"allowed; {share(found.within / max(1, found.known))} of {many(found.known, delays.what)} "
        "were that fast"
    )
    if found.lost:
        reason += f", {found.lost} " + ("never acknowledged" if rule.of == "acknowledgement" else "lost")
    return reason


def _advice(
    verdict: Verdict,
    rule: p.Latency,
    evidence: Evidence,
    found: LatencyPercentile,
    unclear: str,
    needed: int | None,
) -> tuple[str, ...]:
    if verdict is Verdict.PASS:
        return ()
    if verdict is Verdict.FAIL:
        return advise("latency", "fail" if rule.of == "packet" else rule.of)
    if unclear:
        return advise("latency", *(["clock"] if rule.of != "acknowledgement" else []), *near(unclear))
    return open_advice(evidence, found.unknown > 0, needed)


def _slow_examples(evidence: Evidence, delays: Delays, rule: p.Latency) -> tuple[str, ...]:
    low, high = delays.samples.low_ns, delays.samples.high_ns
    slow = np.flatnonzero((low == high) & (low > rule.at_most_ns) & (low < LOST_NS))
    worst = slow[np.argsort(-low[slow], kind="stable")][:EXAMPLES]
    return tuple(
        f"{delays.what} {delays.number[place]} took {ms(low[place])} "
        f"at {moment(evidence, int(delays.at_ns[place]))}"
        for place in np.sort(worst).tolist()
    )

"""When is a measured value good enough? Guarded acceptance, and what to say without data.

A check passes only if the whole interval, widened by the uncertainty, lies on the right side of the limit,
and fails only if all of it lies on the wrong side (guarded acceptance and rejection, JCGM 106:2012 section
8.3, cited from memory). Everything between is inconclusive.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.bench.protocol import DEVICES, Role
from harness.judge.advice import BENCH, MORE
from harness.measure.evidence import Evidence
from harness.measure.outages import lost_in_outages, outages
from harness.plan.wording import many
from harness.stats.binomial import clopper_pearson_lower, success_run, trials_to_settle
from harness.verdict import CheckResult, Verdict

ENOUGH: Final = 59
"""Fewest packets behind a "none" or a "worst": 59 without one show 95 % with 95 % confidence."""
assert success_run(0.95, 0.95) == ENOUGH


def at_least(lower: float, upper: float, limit: float, uncertainty: float = 0.0) -> Verdict:
    """Return the guarded verdict for a value that must reach `limit`."""
    if lower - uncertainty >= limit:
        return Verdict.PASS
    return Verdict.FAIL if upper + uncertainty < limit else Verdict.INCONCLUSIVE


def at_most(lower: float, upper: float, limit: float, uncertainty: float = 0.0) -> Verdict:
    """Return the guarded verdict for a value that must not exceed `limit`."""
    if upper + uncertainty <= limit:
        return Verdict.PASS
    return Verdict.FAIL if lower - uncertainty > limit else Verdict.INCONCLUSIVE


@dataclass(frozen=True, slots=True)
class Shown:
    """What trials say of which none may go wrong: the share shown to go well, and how many more it takes."""

    verdict: Verdict
    share: float
    needed: int | None


def decide_trials(good: int, bad: int, unsure: int, wanted: float, confidence: float) -> Shown:
    """Judge trials by whether the share `wanted` of all future ones is shown to go well.

    One trial that certainly went wrong fails. Else it passes once the exact one-sided lower limit of the
    share reaches `wanted`; `unsure` trials count as wrong there. A source of trials of which just `wanted`
    go well passes with probability 1 - `confidence` at most, one that never goes wrong never fails. The
    number needed assumes that further trials go well.
    """
    shown = clopper_pearson_lower(good, good + bad + unsure, confidence)
    if bad:
        return Shown(Verdict.FAIL, shown, None)
    if shown >= wanted:
        return Shown(Verdict.PASS, shown, None)
    total = trials_to_settle(good + unsure, good + unsure, wanted, confidence)
    return Shown(Verdict.INCONCLUSIVE, shown, None if total is None else max(1, total - good))


def no_data(evidence: Evidence, what: str, sample_unit: str) -> CheckResult:
    """Return the result of a check without data: inconclusive, and why."""
    return result(Verdict.INCONCLUSIVE, f"{what}{why_missing(evidence)}", sample_unit=sample_unit)


def why_missing(evidence: Evidence) -> str:
    """Return what about the bench can explain missing data, for the end of a reason."""
    silent = [role.value for role in DEVICES if not evidence.heard[role].messages]
    if silent:
        return f": the port of the {' and the '.join(silent)} said nothing"
    quiet = [role.value for role in DEVICES if role in evidence.quiet]
    if quiet:
        return f": the port of the {' and the '.join(quiet)} fell silent"
    if not evidence.steps:
        return ": the recording ends before the first step"
    if evidence.end.why != "complete":
        return f": the run ended early ({evidence.end.why})"
    return ""


def result(verdict: Verdict, reason: str, **numbers: object) -> CheckResult:
    """Return a result that still lacks the check's name and kind."""
    return CheckResult(name="", kind="", verdict=verdict, reason=reason, **numbers)  # type: ignore[arg-type]


def lost_messages(evidence: Evidence, role: Role) -> int:
    """Return how many messages of a port are missing during the run, one more if it went quiet.

    What got lost while the port was gone does not count: nothing was judged there.
    """
    heard = evidence.heard[role]
    if not heard.messages:
        return 1
    first, after = np.searchsorted(heard.at_ns, (evidence.run.start_ns, evidence.run.end_ns + 1)).tolist()
    lost = heard.lost[min(after, heard.messages - 1)] - heard.lost[max(0, min(first, heard.messages) - 1)]
    return int(lost) - lost_in_outages(heard, role, outages(evidence.restarts)) + (role in evidence.quiet)


def hidden(evidence: Evidence, what: str) -> str:
    """Return in words how missing receiver messages could have hidden `what`; "" if none are missing."""
    missing = lost_messages(evidence, Role.RECEIVER)
    if not missing:
        return ""
    if Role.RECEIVER in evidence.quiet:
        return (
            f"the receiver's port fell silent before the end: what it did then, {what} included, is unknown"
        )
    return (
        f"{many(missing, 'message')} of the receiver got lost on the serial line and could have shown {what}"
    )


@dataclass(frozen=True, slots=True)
class Count:
    """A number of bad events among `total` applied packets; `what` names one, the rest is for the result."""

    number: int
    allowed: int
    total: int
    unit: str
    what: str
    if_fine: str
    if_not: str
    advice: tuple[str, ...]


def judge_count(evidence: Evidence, count: Count, **numbers: object) -> CheckResult:
    """Judge that bad events are few enough: one seen is certain, none seen needs packets and all messages."""
    verdict, reason, advice = Verdict.PASS, count.if_fine, no_advice()
    doubt = hidden(evidence, count.what)
    few = count.total < ENOUGH
    if count.number > count.allowed:
        verdict, reason, advice = Verdict.FAIL, count.if_not, count.advice
    elif not count.total:
        return no_data(evidence, "no packet was applied", "packets")
    elif doubt:
        verdict, reason, advice = Verdict.INCONCLUSIVE, f"{reason}, but {doubt}", BENCH
    elif few:
        verdict, advice = Verdict.INCONCLUSIVE, (MORE,)
        reason = f"{reason}; that is too few to tell, {ENOUGH} would do"
    return result(
        verdict,
        reason,
        value=float(count.number),
        unit=count.unit,
        limit=float(count.allowed),
        side="at most",
        samples=count.total,
        sample_unit="packets",
        needed=ENOUGH - count.total if few and verdict is Verdict.INCONCLUSIVE else None,
        advice=advice,
        **numbers,
    )


def no_advice() -> tuple[str, ...]:
    """Return no lines."""
    return ()


def finite_or_infinite(time_ns: int, lost_ns: int) -> float:
    """Return a time as a float; infinite for one that stands for lost."""
    return math.inf if time_ns >= lost_ns else float(time_ns)

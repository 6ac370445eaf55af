"""What do all suspects need? Which checks failed, how strong is strong, and how a share is said."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.clock import MS
from harness.judge.words import plain
from harness.measure.arrays import Flags, Ints
from harness.measure.evidence import Evidence
from harness.plan import model as p
from harness.verdict import CheckResult, Verdict

CERTAIN: Final = 0.95
"""The trace leaves no other reading, and explains every failed check that it should."""
STRONG: Final = 0.8
"""A strong statistical signature (p below `SURE` after correction), and nothing that contradicts it."""
CLEAR: Final = 0.6
"""Clear, but another cause could do it."""
POSSIBLE: Final = 0.4
TOLD: Final = 0.3
"""What is weaker is not told."""
SURE: Final = 1e-4
MOST: Final = 0.8
"""A cause that is behind this share of what was lost or late is behind the check's failure."""
LOSSES: Final = ("delivery", "loss_pattern", "control_gap", "control_age", "latency")
"""Kinds of checks that packets fail which never came, or came too late to count."""


def failed(results: Sequence[CheckResult], *kinds: str) -> tuple[str, ...]:
    """Return the names of the checks of these kinds, all without any, that failed or ended in an error."""
    bad = (Verdict.FAIL, Verdict.ERROR)
    return tuple(one.name for one in results if one.verdict in bad and (not kinds or one.kind in kinds))


def failed_latency(evidence: Evidence, results: Sequence[CheckResult], of: str) -> tuple[str, ...]:
    """Return the names of the failed latency checks `of` this delay: packet, stick or acknowledgement."""
    rules = {check.name: check.rule for check in evidence.plan.checks}
    names = failed(results, "latency")
    return tuple(name for name in names if isinstance(rule := rules.get(name), p.Latency) and rule.of == of)


def in_order(results: Sequence[CheckResult], names: Sequence[str]) -> tuple[str, ...]:
    """Return names once each, in the order in which the checks stand in the plan."""
    return tuple(dict.fromkeys(one.name for one in results if one.name in names))


def about(time_ns: float) -> str:
    """Return a time in ms to three digits, and to the microsecond at most."""
    value = time_ns / MS
    places = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    return f"{plain(value, places)} ms"


def percent(part: float, whole: float) -> str:
    """Return `part` of `whole` in per cent, to three digits; nothing of nothing is 0 %."""
    value = 100 * part / whole if whole else 0.0
    return f"{plain(value, 0 if value >= 99.95 else 1 if value >= 1 else 2)} %"


def chance(p_value: float) -> str:
    """Return a p-value as `p = 0.002`, or `p < 1e-12` where digits mean nothing."""
    return "p < 1e-12" if p_value < 1e-12 else f"p = {p_value:.2g}"


def covers(at_ns: Ints, starts: Ints, ends: Ints) -> Flags:
    """Return which times lie in one of the spans, whose starts rise and which do not overlap."""
    if not len(starts):
        return np.zeros(len(at_ns), dtype=np.bool_)
    place = np.searchsorted(starts, at_ns, side="right") - 1
    held: Flags = (place >= 0) & (at_ns <= ends[np.maximum(place, 0)])
    return held

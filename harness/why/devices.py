"""What do all suspects about the devices need? Failed checks by kind, the failsafe's instants, sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb
from typing import Final

import numpy as np

from harness.codec.messages import OutputReason
from harness.measure.arrays import Flags, Ints
from harness.measure.evidence import Evidence
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict

SURE: Final = 0.95
"""The trace leaves no other reading."""
STRONG: Final = 0.8
CLEAR: Final = 0.6
CHANCE: Final = 1e-4
"""A trace that chance leaves more often than this, all that was looked for counted, is none."""
CAUTION: Final = (
    "Propellers off, model tied down, supply with a current limit: outputs may move while this is tried."
)


@dataclass(frozen=True, slots=True)
class Told:
    """How a kind of cause is told: what it comes of, and the experiment that would settle it."""

    because: str
    next_step: str


def failed(results: Sequence[CheckResult], *kinds: str) -> tuple[str, ...]:
    """Return the names of the checks of these kinds that failed."""
    return tuple(one.name for one in results if one.kind in kinds and one.verdict is Verdict.FAIL)


def within_ns(evidence: Evidence) -> int:
    """Return the time within which failsafe must engage: the check's own, or what the link declares."""
    rules = (check.rule for check in evidence.plan.checks)
    given = [rule.within_ns for rule in rules if isinstance(rule, p.FailsafeEntry) and rule.within_ns]
    return min(given, default=evidence.plan.link.failsafe.within_ns)


def fisher(met: Flags, bad: Flags) -> float:
    """Return the chance that so many of the bad ones meet a condition that has nothing to do with it.

    One-sided exact test of Fisher (The Design of Experiments, 1935): the upper tail of the hypergeometric
    distribution.
    """
    count, marked, wrong = len(bad), int(met.sum()), int(bad.sum())
    both = int((met & bad).sum())
    ways = sum(
        comb(marked, hits) * comb(count - marked, wrong - hits)
        for hits in range(both, min(marked, wrong) + 1)
        if wrong - hits <= count - marked
    )
    return ways / comb(count, wrong) if count else 1.0


def engaged_rows(evidence: Evidence) -> Ints:
    """Return the rows of the changes into failsafe that came after a packet, in order."""
    changes = evidence.changes
    found = (changes.reason == OutputReason.FAILSAFE) & ~changes.idle & (changes.applied_row >= 0)
    rows = np.flatnonzero(found)
    return rows[np.argsort(changes.at_ns[rows], kind="stable")]


def since_packet_us(evidence: Evidence, rows: Ints) -> Ints:
    """Return the time from the last packet to each of these changes, by the receiver's own clock."""
    since: Ints = evidence.changes.dev_us[rows] - evidence.applied.dev_us[evidence.changes.applied_row[rows]]
    return since


def spread(values: Ints) -> int:
    """Return the largest less the smallest, 0 of none."""
    return int(np.ptp(values)) if len(values) else 0


def names_of(evidence: Evidence, channels: Sequence[int]) -> str:
    """Return the names of channels, joined."""
    return ", ".join(evidence.plan.link.channels[one].name for one in channels)


def of(part: int, whole: int, what: str) -> str:
    """Return `3 of 7 cuts`, or `all 7 cuts`; `what` is one of them."""
    if part == whole:
        return f"the only {what}" if whole == 1 else f"all {whole} {what}s"
    return f"{part} of {many(whole, what)}"

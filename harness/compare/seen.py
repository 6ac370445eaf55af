"""What do pictures of a comparison need of one run? Taken once, so that no recording is held in memory."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.clock import MS, S
from harness.measure.age import times_of_ages
from harness.measure.arrays import Floats
from harness.measure.delivery import LOST_NS, packet_fates
from harness.measure.evidence import Evidence
from harness.measure.failsafe import Entry, failsafe_entries
from harness.measure.latency import packet_delays

POINTS: Final = 400
"""A distribution is drawn through so many points of equal share, and its ends."""
BLOCK_S: Final = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What pictures need of one run.

    `latency_ms` ascends, of all packets that came; `age_ms` with `within` says for which share of the time
    the age was no more; `entries_ms` are failsafe entry times, in ascending order; `sent` and `lost` count
    packets in blocks of `BLOCK_S` from the run's start.
    """

    latency_ms: Floats
    age_ms: Floats
    within: Floats
    entries_ms: Floats
    sent: Floats
    lost: Floats


def seen_of(evidence: Evidence) -> Seen:
    """Return what pictures need of a run."""
    low = packet_delays(evidence).samples.ordered_ns
    ages = times_of_ages(evidence)
    engaged = [
        one.entry_ns
        for one in failsafe_entries(evidence, evidence.plan.link.failsafe.within_ns)
        if one.entry is Entry.ENGAGED and not one.other_rate
    ]
    fates = packet_fates(evidence)
    block = ((evidence.sent.at_ns[fates.row] - evidence.run.start_ns) / (BLOCK_S * S)).astype(np.int64)
    block = np.maximum(block, 0)
    count = int(block.max(initial=-1)) + 1
    total = max(1, ages.total_ns)
    return Seen(
        latency_ms=_thin(low[low != LOST_NS] / MS),
        age_ms=_thin(ages.age_ns / MS),
        within=_thin(ages.within_ns / total),
        entries_ms=np.sort(np.array(engaged, dtype=np.float64)) / MS,
        sent=np.bincount(block, minlength=count).astype(np.float64),
        lost=np.bincount(block[fates.lost], minlength=count).astype(np.float64),
    )


def _thin(ordered: Floats) -> Floats:
    """Return at most `POINTS` of ascending values, both ends among them, evenly spread over ranks."""
    if len(ordered) <= POINTS:
        return ordered
    return ordered[np.linspace(0, len(ordered) - 1, POINTS).astype(np.int64)]

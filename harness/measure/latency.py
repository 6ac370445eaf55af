"""How long from stick to output? Percentiles that count a lost packet as infinitely late."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.measure.arrays import Ints
from harness.measure.delivery import LOST_NS, packet_fates
from harness.measure.evidence import Evidence
from harness.stats.binomial import quantile_rank_lower, quantile_rank_upper


@dataclass(frozen=True, slots=True)
class LatencyPercentile:
    """A percentile of latency in ns with its distribution-free interval; `LOST_NS` stands for infinite.

    `samples` counts delivered and lost packets, `unknown` those that serial losses hide; each end of the
    interval holds one-sided. `within` counts packets that took at most the limit. `value_ns` is None
    without samples.
    """

    value_ns: int | None
    lower_ns: int
    upper_ns: int
    samples: int
    lost: int
    unknown: int
    within: int
    slowest_ns: int | None
    p50_ns: int | None


def measure_latency(
    evidence: Evidence, percentile: float, confidence: float, limit_ns: int, during: tuple[str, ...] = ()
) -> LatencyPercentile:
    """Return the percentile of apply time - sampling time, both in host time through the clock maps.

    Lost packets, and those later than `link.lost_after`, count as infinite (RFC 7679 sections 4 and 5.1),
    so losses can make a percentile infinite. The interval is made of order statistics and assumes nothing
    about the distribution, only that packets are independent. Packets of unknown fate count as the best
    possible for the lower end, as lost for the upper.
    """
    fates = packet_fates(evidence, during)
    known = np.sort(np.where(fates.lost, LOST_NS, fates.latency_ns)[~fates.unknown])
    unknown = int(fates.unknown.sum()) + fates.unreported
    arrived = known[known != LOST_NS]
    lower, upper = _interval(known, unknown, percentile, confidence)
    return LatencyPercentile(
        value_ns=delay_percentile(known, percentile),
        lower_ns=lower,
        upper_ns=upper,
        samples=len(known),
        lost=len(known) - len(arrived),
        unknown=unknown,
        within=int(np.searchsorted(known, limit_ns, side="right")),
        slowest_ns=int(arrived[-1]) if len(arrived) else None,
        p50_ns=delay_percentile(known, 0.5),
    )


def delay_percentile(ordered: Ints, share: float) -> int | None:
    """Return the smallest of the ordered delays with at least `share` of them at or below it; None if empty.

    Source: RFC 2330 section 11.3, used by RFC 7679 section 5.1. Infinite delays are `LOST_NS`.
    """
    if not len(ordered):
        return None
    rank = max(1, math.ceil(round(share * len(ordered), 9)))
    return int(ordered[rank - 1])


def _interval(known: Ints, unknown: int, percentile: float, confidence: float) -> tuple[int, int]:
    """Return the one-sided order-statistic limits: 0 and `LOST_NS` where the sample has none."""
    total = len(known) + unknown
    low = quantile_rank_lower(total, percentile, confidence) - unknown
    high = quantile_rank_upper(total, percentile, confidence)
    lower = int(known[low - 1]) if low >= 1 else 0
    upper = int(known[high - 1]) if high <= len(known) else LOST_NS
    return lower, upper

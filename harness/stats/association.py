"""Do bad events go with something? Exact and rank tests of one thing against another, no bench in them."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Flags = NDArray[np.bool_]
Reals = NDArray[np.float64]

FEWEST: Final = 5
"""Events, and trials without one, that a rank test needs for its normal approximation."""


def more_than_chance(hits: int, events: int, marked: int, trials: int) -> float:
    """Return the chance of `hits` or more marked trials among `events` drawn from `trials` without return.

    The upper tail of the hypergeometric distribution: Fisher's exact test, one-sided (Fisher 1922; the tests
    hold it to `scipy.stats.hypergeom`). 1 for no hits, or where the counts contradict each other.
    """
    if hits <= 0 or not 0 <= events <= trials or not 0 <= marked <= trials:
        return 1.0
    most = min(events, marked)
    if hits > most:
        return 0.0
    counts = np.arange(max(hits, events + marked - trials), most + 1)
    terms = [_log_choose(marked, int(k)) + _log_choose(trials - marked, events - int(k)) for k in counts]
    top = max(terms)
    total = top + math.log(sum(math.exp(term - top) for term in terms))
    return min(1.0, math.exp(total - _log_choose(trials, events)))


def _log_choose(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def rank_test(values: Reals, event: Flags) -> tuple[float, float]:
    """Return the share of pairs in which an event's value is the larger, and the chance of one so large.

    Wilcoxon's rank sum by Mann and Whitney (1947), one-sided, with the normal approximation corrected for
    ties and continuity; ties count half. (0.5, 1) with fewer than `FEWEST` of either kind, or equal values.
    """
    events, trials = int(event.sum()), len(event)
    others = trials - events
    if min(events, others) < FEWEST:
        return 0.5, 1.0
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    ranks = (np.cumsum(counts) - (counts - 1) / 2)[inverse]
    wins = float(ranks[event].sum()) - events * (events + 1) / 2
    ties = float(((counts.astype(np.float64) ** 3) - counts).sum())
    variance = events * others / 12 * (trials + 1 - ties / (trials * (trials - 1)))
    if variance <= 0:
        return 0.5, 1.0
    z = (wins - events * others / 2 - 0.5) / math.sqrt(variance)
    return wins / (events * others), 0.5 * math.erfc(z / math.sqrt(2))


__all__ = ["more_than_chance", "rank_test"]

"""Does a figure change with time? Mann-Kendall's test for a trend, and the Theil-Sen slope with its interval.

Both assume no distribution and are not led astray by single wild values. With S the number of pairs of values
that rise less that of those that fall, a trend is what chance alone gives an |S| so large for seldom enough
(Mann 1945; Kendall 1975), and the slope is the median of the slopes of all pairs (Theil 1950; Sen 1968). The
interval holds every slope that, taken out of the values, leaves no significant S. All cited from memory; the
tests hold the numbers against scipy.stats. Values are taken as independent of each other but for the trend.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOST: Final = 500
"""Most values compared in pairs; longer series are thinned to medians of neighbours first."""
EXACT: Final = 40
"""Up to so many values the distribution of S is counted out, beyond it is as good as Gaussian."""


@dataclass(frozen=True, slots=True)
class Trend:
    """What a series tells of its change with time.

    `tau` is Kendall's tau-b, `p_value` two-sided; `slope` is in units of the values by that of the times,
    None with fewer than two of them. `interval` holds the slope with the confidence asked for, both ends
    together; None where so few values can tell none.
    """

    count: int
    tau: float
    p_value: float
    slope: float | None
    interval: tuple[float, float] | None


def trend(times: Floats, values: Floats, confidence: float) -> Trend:
    """Return the trend of `values` at ascending `times`, both of one length."""
    times, values = thinned(times, values)
    count = len(values)
    if count < 2:
        return Trend(count, 0.0, 1.0, None, None)
    first, second = np.triu_indices(count, 1)
    rises = values[second] - values[first]
    score = int(np.sign(rises).sum())
    slopes = np.sort(rises / (times[second] - times[first]))
    ties = np.unique(values, return_counts=True)[1]
    return Trend(
        count=count,
        tau=_tau(score, len(slopes), ties),
        p_value=_p_value(score, count, ties),
        slope=float(np.median(slopes)),
        interval=_interval(slopes, count, 1 - confidence),
    )


def kendall(values: Floats) -> tuple[float, float]:
    """Return tau-b of values with their order, and its two-sided p-value; no slope, hence quick.

    No more than `MOST` values: each is compared with each.
    """
    count = len(values)
    assert count <= MOST, count
    if count < 2:
        return 0.0, 1.0
    score = int(np.triu(np.sign(values[None, :] - values[:, None])).sum())
    ties = np.unique(values, return_counts=True)[1]
    return _tau(score, count * (count - 1) // 2, ties), _p_value(score, count, ties)


def thinned(times: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return at most `MOST` values: medians of as many neighbours each as that takes, at their mean times."""
    each = -(-len(values) // MOST)
    if each <= 1:
        return times, values
    starts = range(0, len(values), each)
    middles = [float(times[start : start + each].mean()) for start in starts]
    return np.asarray(middles), np.asarray([float(np.median(values[at : at + each])) for at in starts])


def fewest_values(risk: float) -> int:
    """Return how many values it takes for an interval that misses the slope with probability `risk`."""
    count = 2
    while _least_score(count, risk / 2) is None:
        count += 1
    return count


def _tau(score: int, pairs: int, ties: NDArray[np.int64]) -> float:
    untied = pairs - int((ties * (ties - 1) // 2).sum())
    return score / math.sqrt(pairs * untied) if untied else 0.0


def _p_value(score: int, count: int, ties: NDArray[np.int64]) -> float:
    if count <= EXACT and len(ties) == count:
        return min(1.0, 2 * _at_least(count, abs(score)))
    spread = _variance(count) - int((ties * (ties - 1) * (2 * ties + 5)).sum()) / 18
    return math.erfc(abs(score) / math.sqrt(2 * spread)) if spread > 0 else 1.0


def _variance(count: int) -> float:
    """Return the variance of S without ties, n (n - 1) (2 n + 5) / 18."""
    return count * (count - 1) * (2 * count + 5) / 18


@lru_cache(maxsize=64)
def _chances(count: int) -> Floats:
    """Return the chance of each number of falling pairs among `count` values in random order."""
    chances = np.ones(1)
    for size in range(2, count + 1):
        chances = np.convolve(chances, np.full(size, 1 / size))
    return chances


def _at_least(count: int, score: int) -> float:
    """Return the chance of an S of at least `score`."""
    falling = (count * (count - 1) // 2 - score) // 2
    return float(_chances(count)[: falling + 1].sum()) if falling >= 0 else 0.0


def _least_score(count: int, risk: float) -> int | None:
    """Return the least S that chance reaches with at most this probability; None if there is none.

    Ties make S vary less: leaving them out of account errs on the safe side.
    """
    pairs = count * (count - 1) // 2
    if count > EXACT:
        from scipy.special import ndtri

        least = math.ceil(-float(ndtri(risk)) * math.sqrt(_variance(count))) + 1
        return least + (pairs - least) % 2
    falling = int(np.searchsorted(np.cumsum(_chances(count)), risk, side="right")) - 1
    return pairs - 2 * falling if falling >= 0 else None


def _interval(slopes: Floats, count: int, risk: float) -> tuple[float, float] | None:
    """Return the slopes b for which values less b times the time have an S that chance may have."""
    least = _least_score(count, risk / 2)
    if least is None:
        return None
    below = (len(slopes) - least + 2) // 2
    if below < 1:
        return None
    return float(slopes[below - 1]), float(slopes[-below])


__all__ = ["Trend", "fewest_values", "kendall", "thinned", "trend"]

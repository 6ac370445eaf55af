"""By how much do two samples differ, surely? Limits for differences of shares, percentiles and worst cases.

Every limit is one-sided at the confidence asked for. Differences are candidate less base.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from harness.stats.binomial import wilson_lower, wilson_upper

Values = npt.NDArray[np.float64]
EXACT_MOST: Final = 10_000
"""Products of two sample sizes up to this get the exact rank-sum distribution, beyond it the normal one."""
PAIRS_MOST: Final = 4_000_000
"""Pairs of two samples looked at for a shift; larger samples are thinned evenly."""


class Limited(NamedTuple):
    """An estimate and its one-sided limits; a limit is infinite where the data tell none."""

    value: float
    low: float
    high: float


def difference_limits(base: Limited, candidate: Limited) -> tuple[float, float]:
    """Return limits of candidate less base from the limits of each, by square-and-add.

    low = d - sqrt((c - c_low)**2 + (b_high - b)**2), high likewise with the other ends. With score limits of
    two shares it is Newcombe's method 10. For any two estimates with limits of their own, normal or not:
    method of variance estimates recovery.
    Source: Newcombe 1998, Statistics in Medicine 17:873-890; Zou and Donner 2008, Statistics in Medicine
    27:1693-1702 (the second cited from memory).
    """
    value = candidate.value - base.value
    down = math.hypot(candidate.value - candidate.low, base.high - base.value)
    up = math.hypot(candidate.high - candidate.value, base.value - base.low)
    return value - down, value + up


def newcombe(base: tuple[int, int], candidate: tuple[int, int], confidence: float) -> tuple[float, float]:
    """Return limits of the difference of two shares, each given as (good, trials), for independent trials."""
    limited = [
        Limited(good / trials, wilson_lower(good, trials, confidence), wilson_upper(good, trials, confidence))
        for good, trials in (base, candidate)
    ]
    return difference_limits(limited[0], limited[1])


def exceedance_chance(count: int, base: int, candidate: int) -> float:
    """Return the chance that the `count` largest values of both samples are all the candidate's.

    If all values come from one distribution, every order of them is equally likely, so it is that of drawing
    `count` of the candidate's from an urn with all: C(candidate, count) / C(base + candidate, count).
    Distribution-free. Source: elementary; in use as the exceedance or precedence test (Nelson 1963,
    Technometrics 5, cited from memory).
    """
    if count > candidate:
        return 0.0
    log = [
        math.lgamma(n + 1) for n in (candidate, candidate - count, base + candidate, base + candidate - count)
    ]
    return math.exp(log[0] - log[1] - log[2] + log[3])


def exceedance_rank(base: int, candidate: int, risk: float) -> int | None:
    """Return the smallest count whose `exceedance_chance` is at most `risk`; None if there is none."""
    for count in range(1, candidate + 1):
        if exceedance_chance(count, base, candidate) <= risk * (1 + 1e-12):
            return count
    return None


def worst_case_limits(base: Values, candidate: Values, confidence: float) -> tuple[float, float]:
    """Return limits of how much later the candidate's worst cases are than the base's, distribution-free.

    low: the k-th largest of the candidate less the largest of the base, with k the smallest count of
    exceedances that chance explains in at most 1 - confidence. high: the largest of the candidate less the
    k'-th largest of the base. They invert the exceedance test for a shift, so a shift outside is refuted; one
    late value alone makes `high` large and leaves `low` as it is.
    """
    low, high = -math.inf, math.inf
    one, other = np.sort(base), np.sort(candidate)
    if not len(one) or not len(other):
        return low, high
    rank = exceedance_rank(len(one), len(other), 1 - confidence)
    if rank is not None:
        low = float(other[-rank] - one[-1])
    rank = exceedance_rank(len(other), len(one), 1 - confidence)
    if rank is not None:
        high = float(other[-1] - one[-rank])
    return low, high


def tolerance_share(count: int, confidence: float) -> float:
    """Return which share of all values is surely no more than the largest of `count`; 0 for none.

    (1 - confidence)**(1 / count), the first-order one-sided tolerance limit, distribution-free.
    Source: Wilks 1941, Annals of Mathematical Statistics 12:91-96 (cited from memory).
    """
    return float((1 - confidence) ** (1 / count)) if count > 0 else 0.0


def shift_limits(base: Values, candidate: Values, confidence: float) -> Limited:
    """Return the median of all differences candidate less base, and its rank-sum limits.

    For two distributions of one shape, however it is, these are limits of the shift between them. Exact for
    samples without ties, wider with them; large samples use the normal distribution, and very large ones are
    thinned.
    Source: Hodges and Lehmann 1963; limits as in Hollander and Wolfe, Nonparametric Statistical Methods,
    section 4.3 (both cited from memory).
    """
    one, other = _thinned(base), _thinned(candidate)
    if not len(one) or not len(other):
        return Limited(math.nan, -math.inf, math.inf)
    differences = np.sort(np.subtract.outer(other, one).ravel())
    rank = rank_sum_rank(len(one), len(other), confidence)
    low, high = (-math.inf, math.inf) if rank is None else (differences[rank - 1], differences[-rank])
    return Limited(float(np.median(differences)), float(low), float(high))


def rank_sum_rank(base: int, candidate: int, confidence: float) -> int | None:
    """Return the rank r for which the r-th smallest pairwise difference is a lower limit of the shift.

    The largest r with P(U <= r - 1) <= 1 - confidence for Mann and Whitney's U; None if the samples are too
    small for any.
    """
    from scipy.special import ndtri

    if base * candidate <= EXACT_MOST:
        below = np.cumsum(_rank_sums(*sorted((base, candidate))))
        rank = int(np.searchsorted(below, (1 - confidence) * (1 + 1e-12), side="right"))
    else:
        spread = math.sqrt(base * candidate * (base + candidate + 1) / 12)
        rank = math.floor(base * candidate / 2 - float(ndtri(confidence)) * spread)
    return rank if rank > 0 else None


@lru_cache(maxsize=256)
def _rank_sums(small: int, large: int) -> Values:
    """Return the probability of each value of U, 0 to small x large, by the product of Gaussian binomials."""
    total = small * large
    chance = np.zeros(total + 1)
    chance[0] = 1.0
    for step in range(1, small + 1):  # times (1 - q**(large + step)) / (1 - q**step), kept as probabilities
        grown = chance.copy()
        if large + step <= total:
            grown[large + step :] -= chance[: total + 1 - large - step]
        for start in range(step):
            grown[start::step] = np.cumsum(grown[start::step])
        chance = np.maximum(grown, 0.0) * step / (large + step)
    return chance


def _thinned(values: Values) -> Values:
    most = math.isqrt(PAIRS_MOST)
    if len(values) <= most:
        return values
    return np.sort(values)[np.linspace(0, len(values) - 1, most).astype(np.int64)]


def more_events_chance(base: int, candidate: int, share: float) -> float:
    """Return the chance of so many of all events in the candidate, or more, if both are equally prone.

    `share` is the candidate's part of all chances for an event. Given the sum of two Poisson counts each one
    is binomial. Source: Przyborowski and Wilenski 1940, Biometrika 31 (cited from memory).
    """
    from scipy.special import bdtrc

    if candidate <= 0:
        return 1.0
    return float(bdtrc(candidate - 1, base + candidate, share))


def noninferior_trials(share: float, margin: float, risk: float, power: float) -> int:
    """Return how many trials a side show that two equal shares differ by less than a margin.

    (z(1 - risk) + z(power))**2 2 p (1 - p) / margin**2 for independent trials.
    Source: Blackwelder 1982, Controlled Clinical Trials 3:345-353 (cited from memory).
    """
    from scipy.special import ndtri

    both = float(ndtri(1 - risk)) + float(ndtri(power))
    return math.ceil(both**2 * 2 * share * (1 - share) / margin**2)

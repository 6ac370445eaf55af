"""Which values stand apart from the rest? Tests that say beforehand how often they cry wolf.

All are two-sided: a value may stand out at either end. `risk` is the chance that a sample without any odd
value is said to have one, for values from one normal distribution; who looks at several figures shares it
among them. Dixon's and Grubbs's tests find one value; a second one at the same end can mask the first, for it
widens the spread against which the first is held. Rosner's looks for up to a given number at once, which
neither masks nor swamps (calls too many) as testing one after the other does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

DIXON_LEAST: Final = 3
DIXON_MOST: Final = 7
"""Dixon's simple ratio, gap to range, is the one for 3 to 7 values."""
GRUBBS_LEAST: Final = 3
MODIFIED_Z_LIMIT: Final = 3.5
"""Recommended by Iglewicz and Hoaglin 1993, as in NIST/SEMATECH e-Handbook section 1.3.5.17 (from memory)."""
_NODES: Final = 64
_A_MOST, _WIDTH_MOST = 8.0, 14.0
"""Where the integral over the least value and the range is cut off; what lies beyond is under 1e-14."""


@dataclass(frozen=True, slots=True)
class Found:
    """What a test found: places of odd values, the oddest first; its statistics and their critical values.

    `statistics` and `critical` have one entry for each number of odd values that was tried.
    """

    places: tuple[int, ...]
    statistics: tuple[float, ...]
    critical: tuple[float, ...]


def grubbs_critical(count: int, risk: float) -> float:
    """Return what the largest deviation in standard deviations of `count` values may be, two-sided.

    (n - 1) / sqrt(n) * sqrt(t2 / (n - 2 + t2)), t the 1 - risk / 2n quantile of Student's t with n - 2
    degrees. Source: Grubbs 1969, as in NIST/SEMATECH e-Handbook section 1.3.5.17.1; it is
    Rosner's first lambda.
    """
    return rosner_critical(count, 1, risk)


@cache
def rosner_critical(count: int, step: int, risk: float) -> float:
    """Return lambda for the `step`-th value (from 1) taken out of `count` values, two-sided.

    (n - i) t / sqrt((n - i - 1 + t2) (n - i + 1)), t the 1 - risk / 2(n - i + 1) quantile with n - i - 1
    degrees. Source: Rosner 1983, as in NIST/SEMATECH e-Handbook section 1.3.5.17.3.
    """
    from scipy.special import stdtrit

    left = count - step
    assert left >= GRUBBS_LEAST - 1, (count, step)
    t = float(stdtrit(left - 1, 1 - risk / (2 * (left + 1))))
    return left * t / math.sqrt((left - 1 + t * t) * (left + 1))


def rosner(values: Sequence[float], most: int, risk: float) -> Found:
    """Return the odd ones of `values`, at most `most`, by the generalized extreme Studentized deviate test.

    The farthest from the mean is taken out `most` times; the largest number of them whose deviation exceeds
    lambda are odd, even if a smaller number did not. Meant for 15 values or more; with `most` 1 it is
    Grubbs's. Source: see `rosner_critical`.
    """
    left = list(range(len(values)))
    statistics, critical, taken = [], [], []
    for step in range(1, most + 1):
        sample = np.array([values[place] for place in left])
        deviation = np.abs(sample - sample.mean())
        spread = float(sample.std(ddof=1))
        farthest = int(deviation.argmax())
        statistics.append(float(deviation[farthest]) / spread if spread > 0 else 0.0)
        critical.append(rosner_critical(len(values), step, risk))
        taken.append(left.pop(farthest))
    odd = max((n for n in range(1, most + 1) if statistics[n - 1] > critical[n - 1]), default=0)
    return Found(tuple(taken[:odd]), tuple(statistics), tuple(critical))


def grubbs(values: Sequence[float], risk: float) -> Found:
    """Return the one value that is odd, if any, by Grubbs's test for 3 values or more."""
    return rosner(values, 1, risk)


def dixon_ratio(values: Sequence[float]) -> tuple[float, int]:
    """Return the larger of both end gaps as a share of the range, and the place of the value behind it."""
    order = sorted(range(len(values)), key=lambda place: values[place])
    low, second, before, high = (values[order[n]] for n in (0, 1, -2, -1))
    if high == low:
        return 0.0, order[-1]
    upper, lower = (high - before) / (high - low), (second - low) / (high - low)
    return (upper, order[-1]) if upper >= lower else (lower, order[0])


@cache
def dixon_critical(count: int, risk: float) -> float:
    """Return what that share may be for `count` values, two-sided; at least 0.5.

    With the least value a and the range w, the chance that the upper gap exceeds the share q is the integral
    of n (n - 1) phi(a) phi(a + w) (Phi(a + (1 - q) w) - Phi(a))^(n - 2) over both. From q = 0.5 on both ends
    cannot exceed it at once, so that the chance is twice that. Worked out by Gauss and Legendre's rule.
    Source of the ratio: Dixon 1950, r10 (from memory).
    """
    assert DIXON_LEAST <= count <= DIXON_MOST, count
    low, high = 0.5, 1.0
    if 2 * _upper_gap_beyond(count, low) <= risk:
        return low
    for _ in range(35):
        middle = (low + high) / 2
        if 2 * _upper_gap_beyond(count, middle) > risk:
            low = middle
        else:
            high = middle
    return high


def _upper_gap_beyond(count: int, share: float) -> float:
    from scipy.special import ndtr

    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    least, width = (_A_MOST * nodes)[:, None], (_WIDTH_MOST * (nodes + 1) / 2)[None, :]
    weight = (_A_MOST * weights)[:, None] * (_WIDTH_MOST * weights / 2)[None, :]
    density = np.exp(-(least**2 + (least + width) ** 2) / 2) / (2 * math.pi)
    inside = ndtr(least + (1 - share) * width) - ndtr(least)
    return float((weight * count * (count - 1) * density * inside ** (count - 2)).sum())


def dixon(values: Sequence[float], risk: float) -> Found:
    """Return the one value that is odd, if any, by Dixon's test for 3 to 7 values."""
    ratio, place = dixon_ratio(values)
    critical = dixon_critical(len(values), risk)
    return Found((place,) if ratio > critical else (), (ratio,), (critical,))


def modified_z(values: Sequence[float]) -> tuple[float, ...]:
    """Return how far each value is from the median, in spreads that odd values hardly widen.

    0.6745 (x - median) / MAD, the median of the absolute deviations; where more than half of the values are
    equal, (x - median) / (1.253314 * mean absolute deviation), 0 if all are.
    Source: Iglewicz and Hoaglin 1993, How to Detect and Handle Outliers (from memory).
    """
    sample = np.array(values, dtype=float)
    deviation = sample - np.median(sample)
    middle, mean = float(np.median(np.abs(deviation))), float(np.abs(deviation).mean())
    if middle > 0:
        return tuple(float(one) for one in 0.6745 * deviation / middle)
    return tuple(float(one) / (1.253314 * mean) if mean > 0 else 0.0 for one in deviation)

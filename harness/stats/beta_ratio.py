"""What is the quantile of a ratio of two uncertain rates, each Beta distributed? Without any chance."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]
_ROUNDS: Final = 60
_CLOSE: Final = 3e-5
"""Rounds of the search at most; how close in standard scores it must come before its last step, which leaves
about the square of that."""
_CERTAIN: Final = 1e9
"""Stands for the count behind a rate that is 1 for certain: its terms cancel whatever it is."""
_NEAR: Final = 1e-3
"""Below this the two terms of the score that cancel are replaced by their limit."""
_LARGE: Final = 1e3
"""From here on Stirling's series with two terms is exact to the last digit."""
_FARTHEST: Final = 3.0
"""Longest step in ln (a + t) / (c - t): further out the slope of the score says little."""
_WITHIN: Final = 0.8
"""The search starts in this part of the range: the first guess is poor near its ends."""
_INSIDE: Final = 1 - 1e-15
"""The search stays in this part of the range: the cumulants have no value at its ends."""
_TINY: Final = 1e-200
"""Stands for 0 below a line or under a logarithm."""
_SIDES: Final = np.array([[1.0], [1.0], [-1.0], [-1.0]])


def log_ratio_quantile(a: Reals, b: Reals, c: Reals, d: Reals, confidence: float) -> Reals:
    """Return the quantile of ln g - ln r for independent g ~ Beta(a, b) and r ~ Beta(c, d).

    Element by element; b or d = 0 stands for a rate of 1. The saddlepoint approximation of the tail is
    solved for its quantile: P(X <= K'(t)) = Phi(w + ln(u / w) / w) with w = sign(t) sqrt(2 (t K' - K)),
    u = t sqrt(K''), and K the cumulant generating function, here a sum of log gamma functions. Tail areas
    agree with simulation to a hundredth of themselves. Source: Lugannani and Rice 1980, in
    Barndorff-Nielsen's form (cited from memory). Solved by Newton's method in ln (a + t) / (c - t), kept
    between ends that are known to be on either side.
    """
    from scipy.special import ndtri

    z = float(ndtri(confidence))
    a, c = np.where(b > 0, a, _CERTAIN), np.where(d > 0, c, _CERTAIN)
    shapes = np.reshape((a, a + b, c, c + d), (4, -1))
    t, low, high = _first_guess(shapes, z), -_INSIDE * shapes[0], _INSIDE * shapes[2]
    for _ in range(_ROUNDS):
        value, slope, bend, twist = _cumulants(t, shapes)
        score, rise = _score(t, value, slope, bend, twist)
        off = score - z
        done = (np.abs(off) < _CLOSE) | (bend <= 0)  # a rate of 1, to the last digit
        if done.all():
            break
        low, high = np.where(off < 0, t, low), np.where(off > 0, t, high)
        step = t + _moved(shapes[0] + t, shapes[2] - t, -off / rise)
        good = (step > low) & (step < high)
        t = np.where(done, t, np.where(good, step, (low + high) / 2))
    last = np.where(bend > 0, slope - off / rise * bend, slope)
    return last.reshape(np.shape(a))


def _first_guess(shapes: Reals, z: float) -> Reals:
    """Return t near the quantile as if both rates were gamma distributed, with the variances they have.

    The logarithm of their ratio is then about normal, up to its skewness. Source: Fisher's z distribution
    with the first Cornish-Fisher term (cited from memory).
    """
    a, a_all, c, c_all = shapes
    p, q = 1 / a - 1 / a_all, 1 / c - 1 / c_all
    ratio = np.exp(np.clip(z * np.sqrt(p + q) + (z * z - 1) / 6 * (q - p), -_FARTHEST, _FARTHEST))
    t: Reals = np.clip((ratio - 1) / np.maximum(p + q * ratio, _TINY), -_WITHIN * a, _WITHIN * c)
    return t


def _moved(above: Reals, below: Reals, step: Reals) -> Reals:
    """Return the change in t that goes with a first-order `step` in t, taken in ln (above / below).

    t lies `above` its least and `below` its greatest value.
    """
    whole = np.clip(step * (1 / above + 1 / below), -_FARTHEST, _FARTHEST)
    more = np.expm1(whole)
    moved: Reals = above * below * more / (below + above * (1 + more))
    return moved


def _score(t: Reals, value: Reals, slope: Reals, bend: Reals, twist: Reals) -> tuple[Reals, Reals]:
    """Return the standard normal score of the tail at K'(t), and what it grows by for each unit of t."""
    bend = np.maximum(bend, _TINY)
    root = np.sqrt(bend)
    w = np.sign(t) * np.sqrt(np.maximum(0.0, 2 * (t * slope - value)))
    near = np.abs(w) < _NEAR
    w, u = np.where(near, 1.0, w), t * root
    lean = np.log(np.maximum(u / w, _TINY)) / w
    growth = u * root / w
    rise = growth + (1 / np.where(near, 1.0, t) + twist / (2 * bend) - growth * (1 / w + lean)) / w
    middle = u + twist / (6 * bend * root)
    return np.where(near, middle, w + lean), np.where(near | (rise <= 0), root, rise)


def _cumulants(t: Reals, shapes: Reals) -> tuple[Reals, Reals, Reals, Reals]:
    """Return K and its first three derivatives at `t`, for ln Beta(a, b) - ln Beta(c, d).

    The rows of `shapes` are a, a + b, c and c + d.
    """
    from scipy.special import psi, zeta

    at = shapes + _SIDES * t
    value, slope, bend, twist = (
        each[::2] - each[1::2] for each in (_growth(t, shapes, at), psi(at), zeta(2, at), zeta(3, at))
    )
    return value[0] + value[1], slope[0] - slope[1], bend[0] + bend[1], 2 * (twist[1] - twist[0])


def _growth(t: Reals, shapes: Reals, at: Reals) -> Reals:
    """Return ln gamma(at) - ln gamma(shapes), of large ones without the difference of large numbers."""
    from scipy.special import gammaln

    step = _SIDES * t
    more = (shapes - 0.5) * np.log1p(step / shapes) + step * (np.log(at) - 1) + _rest(at) - _rest(shapes)
    large = np.minimum(shapes, at) > _LARGE
    grown: Reals = np.where(large, more, gammaln(at) - gammaln(shapes))
    return grown


def _rest(x: Reals) -> Reals:
    """Return the terms of Stirling's series for ln gamma(x) that vanish for large x."""
    return (1 - 1 / (30 * x * x)) / (12 * x)

"""At which level does a link begin to fail? A curve of loss over level, fitted by maximum likelihood.

The share of attempts lost at level x, in dB, higher being stronger:

    q(x) = f + (1 - f) (1 - exp(-exp(h(x)))),    h(x) = h0 - k (exp(b (x - x0)) - 1) / b

a complementary log-log curve over a floor f of losses that no level mends; k is its slope per dB at x0, b
how it bends (h is straight for b = 0). Why this form: a packet of n bits that fail singly at a rate p is lost
with 1 - exp(-n p). Without fading p falls exponentially with the signal itself, so b = ln(10)/10
(non-coherent detection, exp(-S/2)/2, Proakis, Digital Communications, cited from memory); under Rayleigh
fading the share lost is 1 - exp(-10**(-M/10)), so b = 0 and k = ln(10)/10 (Rappaport, Wireless
Communications, cited from memory). Real links lie between. The floor is that of Abbott 1925 (natural
response of a dosage curve, cited from memory).

Nothing here iterates until it is content: every maximum is found on a grid that is refined a fixed number of
times, so equal data give equal results and no data fail to converge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SLOPES: Final = (0.05, 10.0)
"""Flattest and steepest curve allowed, per dB: from 90 % to 10 % lost in 62 dB or 0.3 dB. Rayleigh fading
lies at 0.23, a radio without fading at about 1 to 2 (common practice, no source)."""
REACH_DB: Final = 40.0
"""How far outside the measured levels an answer is looked for; beyond it the data say nothing."""
BENDS: Final = (0.0, 0.15, 0.3)
"""Rayleigh fading, half-way, and a little more than ln(10)/10: spreading bends the curve more."""
ZOOMS: Final = 3
FIRST_ZOOMS: Final = 1
"""Closer looks at the floor; one is enough where it only has to be seen where to look closer."""
CLIMBS: Final = 6
LEVEL_ZOOMS: Final = 5
SLOPE_GRID: Final = 14
FLOOR_GRID: Final = 8
FLOOR_LEAST: Final = 1e-4
FLOOR_MOST: Final = 0.95
"""Smallest floor other than none, and largest, as shares of the loss that is asked about."""
LEVEL_GRID: Final = 65
CHUNK: Final = 8
"""Levels tried at a time, to bound the memory."""
PLATEAU: Final = 1e-6
"""Log-likelihoods this near to the best are as good: what lies between is a plateau, told by its middle."""
HALVINGS: Final = 15
FEWEST_TOLD: Final = 1.0
"""A level tells about scatter only where at least so many attempts are lost and so many are not."""


@dataclass(frozen=True, slots=True)
class Counts:
    """Attempts made and lost, in blocks of neighbouring attempts; one row per block, in any order.

    `level` is in dB, higher is stronger; `group` tells which blocks belong to one setting of the level.
    """

    level: Floats
    group: npt.NDArray[np.int64]
    made: Floats
    lost: Floats

    def pooled(self) -> Counts:
        """Return one row per group."""
        names, place = np.unique(self.group, return_inverse=True)
        first = np.unique(self.group, return_index=True)[1]
        made, lost = (np.bincount(place, column, len(names)) for column in (self.made, self.lost))
        return Counts(self.level[first], names, made.astype(np.float64), lost.astype(np.float64))


@dataclass(frozen=True, slots=True)
class Curve:
    """Loss over level: it loses `share` at `level_db`, with `slope` per dB there, `bend` and `floor`."""

    level_db: float
    share: float
    slope: float
    bend: float
    floor: float

    def loss(self, level_db: Floats | float) -> Floats:
        """Return the share of attempts lost at each level."""
        away = np.asarray(level_db, dtype=np.float64) - self.level_db
        start = _cloglog((self.share - self.floor) / (1 - self.floor))
        return _loss(start - self.slope * _bent(away, self.bend), self.floor)


@dataclass(frozen=True, slots=True)
class Crossing:
    """The level in dB at which a given share of attempts is lost, and how sure that is.

    `estimate` is None where the data do not hold it; `low` and `high` are one-sided limits, infinite where
    the data set none. `dispersion` is the variance of the counts over the binomial one, at least 1, with
    `freedom` degrees of freedom behind it. `rise` is by how much, per dispersion, the deviance of the curve
    is below that of a loss that does not depend on the level: about chi-squared if it does not.
    """

    loss: float
    estimate: float | None
    low: float
    high: float
    curve: Curve | None
    dispersion: float
    freedom: int
    rise: float


def find_crossing(counts: Counts, loss: float, confidence: float) -> Crossing:
    """Return the level at which `loss` of all attempts are lost (0 < loss < 1), by maximum likelihood.

    Limits by profile likelihood: all levels whose deviance exceeds the best one's by no more than
    dispersion * t**2, with t the one-sided quantile of Student's t (of the normal without over-dispersion).
    Source: McCullagh and Nelder, Generalized Linear Models, 2nd ed. 1989, sections 4.5 (over-dispersion) and
    7.4 (likelihood ratio limits), cited from memory. Where the data push the level out of reach, the limit on
    that side is infinite.
    """
    data = counts.pooled()
    if not data.made.sum() or not 0 < loss < 1:
        return Crossing(loss, None, -math.inf, math.inf, None, 1.0, 0, 0.0)
    ends = float(data.level.min()) - REACH_DB, float(data.level.max()) + REACH_DB
    levels = np.linspace(*ends, LEVEL_GRID)
    heights = profile(data, levels, loss, FIRST_ZOOMS)
    levels, heights = _refined(data, levels, heights, loss)
    best = float(heights.max())
    top = levels[heights >= best - PLATEAU]
    middle = float(top[0] + top[-1]) / 2
    curve = best_curve(data, middle, loss)
    spread, freedom = dispersion(counts, curve)
    height = best - _allowed(confidence, spread, freedom) / 2
    inside = np.flatnonzero(heights >= height)
    low = _edge(data, loss, levels, int(inside[0]), -1, height)
    high = _edge(data, loss, levels, int(inside[-1]), 1, height)
    rise = max(0.0, 2 * (best - _constant(data)) / spread)
    if not ends[0] < top[0] <= top[-1] < ends[1]:
        return Crossing(loss, None, low, high, None, spread, freedom, rise)
    return Crossing(loss, middle, low, high, curve, spread, freedom, rise)


def profile(data: Counts, levels: Floats, loss: float, zooms: int = ZOOMS) -> Floats:
    """Return the largest log-likelihood of any curve that loses `loss` at each of `levels`."""
    heights = np.zeros(len(levels))
    for at in range(0, len(levels), CHUNK):
        some = slice(at, at + CHUNK)
        heights[some] = np.max(
            [_profiled(data, levels[some], loss, bend, zooms)[0] for bend in BENDS], axis=0
        )
    return heights


def best_curve(data: Counts, level_db: float, loss: float) -> Curve:
    """Return the likeliest curve that loses `loss` at `level_db`."""
    tried = [(*_profiled(data, np.array([level_db]), loss, bend), bend) for bend in BENDS]
    _, slope, floor, bend = max(tried, key=lambda found: float(found[0][0]))
    return Curve(level_db, loss, float(slope[0]), bend, float(floor[0]))


def dispersion(counts: Counts, curve: Curve) -> tuple[float, int]:
    """Return by how much the counts scatter more than binomial ones, at least 1, and its degrees of freedom.

    The larger of two: Pearson's chi-squared over its degrees of freedom between the blocks of a level (losses
    that come in bursts), and between the levels and the curve (levels that are off, a link that drifts). The
    degrees of freedom are those of both. Levels where nearly nothing or nearly all is lost are left out.
    """
    within, blocks = _within(counts, counts.pooled())
    across, levels = _across(counts.pooled(), curve)
    return max(1.0, within, across), blocks + levels


def _across(pooled: Counts, curve: Curve) -> tuple[float, int]:
    """Return the scatter of levels around the curve, which has three parameters, and its freedom."""
    share = curve.loss(pooled.level)
    variance = pooled.made * share * (1 - share)
    told = (pooled.made * np.minimum(share, 1 - share) >= FEWEST_TOLD) & (variance > 0)
    freedom = int(told.sum()) - 3
    if freedom < 1:
        return 1.0, 0
    return float((((pooled.lost - pooled.made * share) ** 2)[told] / variance[told]).sum()) / freedom, freedom


def _within(counts: Counts, pooled: Counts) -> tuple[float, int]:
    """Return the scatter of blocks around their level's own mean, and its degrees of freedom."""
    told = np.minimum(pooled.lost, pooled.made - pooled.lost) >= FEWEST_TOLD
    place = np.searchsorted(pooled.group, counts.group)
    share = (pooled.lost / np.maximum(pooled.made, 1))[place]
    variance = counts.made * share * (1 - share)
    used = told[place] & (variance > 0)
    freedom = int(used.sum()) - len(np.unique(place[used]))
    if freedom < 1:
        return 1.0, 0
    return float((((counts.lost - counts.made * share) ** 2)[used] / variance[used]).sum()) / freedom, freedom


def _constant(data: Counts) -> float:
    """Return the log-likelihood of one loss at every level."""
    share = float(data.lost.sum()) / float(data.made.sum())
    return float(_likelihood(data, np.full(len(data.level), share)))


def _allowed(confidence: float, spread: float, freedom: int) -> float:
    """Return by how much the deviance may exceed the best one's."""
    from scipy.special import ndtri, stdtrit

    quantile = float(stdtrit(freedom, confidence) if spread > 1 and freedom else ndtri(confidence))
    return spread * quantile * quantile


def _refined(data: Counts, levels: Floats, heights: Floats, loss: float) -> tuple[Floats, Floats]:
    """Return the grid with finer steps around its best level."""
    for _ in range(LEVEL_ZOOMS):
        top = np.flatnonzero(heights >= heights.max() - PLATEAU)
        around = np.unique(np.concatenate([_between(levels, int(place)) for place in (top[0], top[-1])]))
        levels, order = np.unique(np.concatenate((levels, around)), return_index=True)
        heights = np.concatenate((heights, profile(data, around, loss)))[order]
    return levels, heights


def _between(levels: Floats, place: int) -> Floats:
    """Return three levels on either side of one, towards its neighbours."""
    before, after = levels[max(place - 1, 0)], levels[min(place + 1, len(levels) - 1)]
    return np.concatenate(
        (np.linspace(before, levels[place], 5)[1:-1], np.linspace(levels[place], after, 5)[1:-1])
    )


def _edge(data: Counts, loss: float, levels: Floats, place: int, side: int, height: float) -> float:
    """Return where the profile falls through `height` beyond the outermost level above it."""
    if not 0 <= place + side < len(levels):
        return side * math.inf
    inner, outer = float(levels[place]), float(levels[place + side])
    for _ in range(HALVINGS):
        middle = (inner + outer) / 2
        if profile(data, np.array([middle]), loss)[0] >= height:
            inner = middle
        else:
            outer = middle
    return outer


def _profiled(
    data: Counts, levels: Floats, loss: float, bend: float, zooms: int = ZOOMS
) -> tuple[Floats, Floats, Floats]:
    """Return for each level the best log-likelihood, slope and floor of the curves through it.

    For every floor the best slope is found first: both hang together, and a grid of both would miss the top.
    """
    away = _bent(data.level - levels[:, None], bend)
    grid = np.geomspace(*SLOPES, SLOPE_GRID)
    floors = np.concatenate(([0.0], np.geomspace(FLOOR_LEAST, FLOOR_MOST, FLOOR_GRID))) * loss
    floors, rows = np.tile(floors, (len(levels), 1)), np.arange(len(levels))
    tried = [_heights(data, away, np.full_like(floors, slope), floors, loss) for slope in grid]
    slopes = grid[np.argmax(tried, axis=0)]
    for zoom in range(zooms + 1):
        heights, slopes = _climbed(data, away, slopes, floors, loss)
        place = heights.argmax(axis=1)
        best = heights[rows, place], slopes[rows, place], floors[rows, place]
        if zoom < zooms:
            floors = _closer(floors, place)
            slopes = np.tile(best[1][:, None], (1, floors.shape[1]))
    return best


def _climbed(
    data: Counts, away: Floats, slopes: Floats, floors: Floats, loss: float
) -> tuple[Floats, Floats]:
    """Return the best log-likelihood near each slope, and the slope where it is.

    Each turn goes to the top of the parabola through three points, and then looks closer.
    """
    at, step = np.log(slopes), math.log(SLOPES[1] / SLOPES[0]) / (SLOPE_GRID - 1)
    ends = math.log(SLOPES[0]), math.log(SLOPES[1])
    for _ in range(CLIMBS):
        low, middle, high = (
            _heights(data, away, np.exp(np.clip(at + side, *ends)), floors, loss) for side in (-step, 0, step)
        )
        curved = low - 2 * middle + high
        top = np.divide(low - high, 2 * curved, out=np.sign(high - low), where=curved < 0)
        at = np.clip(at + step * np.clip(top, -1, 1), *ends)
        step /= 3
    return _heights(data, away, np.exp(at), floors, loss), np.exp(at)


def _closer(grid: Floats, place: npt.NDArray[np.int64]) -> Floats:
    """Return seven values between the neighbours of the best one, for each row of a grid."""
    rows = np.arange(len(grid))
    low, high = grid[rows, np.maximum(place - 1, 0)], grid[rows, np.minimum(place + 1, grid.shape[1] - 1)]
    middle, part = grid[rows, place], np.linspace(0, 1, 4)
    below = low[:, None] + (middle - low)[:, None] * part
    return np.concatenate((below, middle[:, None] + (high - middle)[:, None] * part[1:]), axis=1)


def _heights(data: Counts, away: Floats, slopes: Floats, floors: Floats, loss: float) -> Floats:
    """Return log-likelihoods of curves; `slopes` and `floors` have one shape, one row for each of `away`."""
    exponent = _cloglog((loss - floors) / (1 - floors))[:, :, None] - slopes[:, :, None] * away[:, None, :]
    return _likelihood(data, _loss(exponent, floors[:, :, None]))


def _bent(away_db: Floats, bend: float) -> Floats:
    """Return how far along the curve a distance in dB lies: the distance itself without a bend."""
    return np.asarray(np.expm1(np.clip(bend * away_db, -50, 50)) / bend) if bend else away_db


def _loss(exponent: Floats, floor: Floats | float) -> Floats:
    """Return the share lost; the ends of the exponent keep it between 0 and 1."""
    return np.asarray(floor - (1 - floor) * np.expm1(-np.exp(np.clip(exponent, -700, 7))))


def _likelihood(data: Counts, share: Floats) -> Floats:
    """Return the binomial log-likelihood, but for its constant, over the last axis."""
    kept = np.clip(share, 1e-300, 1 - 1e-16)
    return np.asarray((data.lost * np.log(kept) + (data.made - data.lost) * np.log1p(-kept)).sum(axis=-1))


def _cloglog(share: Floats | float) -> Floats:
    """Return log(-log(1 - share))."""
    return np.asarray(np.log(-np.log1p(-np.asarray(share, dtype=np.float64))))


__all__ = ["Counts", "Crossing", "Curve", "best_curve", "dispersion", "find_crossing", "profile"]

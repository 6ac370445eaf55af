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

The slope and the floor of the best curve through a level are found by Fisher scoring (McCullagh and Nelder,
section 2.5, cited from memory), damped as by Levenberg and Marquardt, from the best point of a grid. Nothing
here iterates until it is content: the number of turns is fixed, so equal data give equal results and no data
fail to converge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
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
SLOPE_GRID: Final = 14
FLOOR_GRID: Final = 8
FLOOR_LEAST: Final = 1e-4
FLOOR_MOST: Final = 0.95
"""Smallest floor other than none, and largest, as shares of the loss that is asked about."""
LEVEL_GRID: Final = 65
CELLS: Final = 200_000
"""Cells of the grid looked at in one go, to bound the memory."""
FIRST_TURNS: Final = 24
TURNS: Final = 8
"""Turns of Fisher scoring from the grid, and from the curve of a level next to it."""
ZOOMS: Final = 6
EDGE_ZOOMS: Final = 4
PARTS: Final = 8
"""Closer looks at the best level and at the limits, and into how many parts each look cuts a step."""
EXPONENTS: Final = (-690.0, 3.6)
"""Ends of h: at the upper one all but 1e-16 are lost. A lone packet that came through where none should does
not rule the fit."""
PLATEAU: Final = 1e-6
"""Log-likelihoods this near to the best are as good: what lies between is a plateau, told by its middle."""
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
        start = _start(np.asarray(self.floor), self.share)
        return _shares(_hazard(start - self.slope * _bent(away, self.bend)), self.floor)[0]


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
    return _found(tuple(column.tobytes() for column in _typed(counts)), loss, confidence)


def _typed(counts: Counts) -> tuple[Floats, npt.NDArray[np.int64], Floats, Floats]:
    level, made, lost = (np.asarray(c, dtype=np.float64) for c in (counts.level, counts.made, counts.lost))
    return level, np.asarray(counts.group, dtype=np.int64), made, lost


@lru_cache(maxsize=8)
def _found(columns: tuple[bytes, ...], loss: float, confidence: float) -> Crossing:
    """Return the crossing; kept, as a verdict and its account ask about the same counts."""
    level, group, made, lost = columns
    counts = Counts(
        np.frombuffer(level), np.frombuffer(group, dtype=np.int64), np.frombuffer(made), np.frombuffer(lost)
    )
    data = counts.pooled()
    if not data.made.sum() or not 0 < loss < 1:
        return Crossing(loss, None, -math.inf, math.inf, None, 1.0, 0, 0.0)
    ends = float(data.level.min()) - REACH_DB, float(data.level.max()) + REACH_DB
    ridge = _topped(data, _ridge(data, np.linspace(*ends, LEVEL_GRID), loss), loss)
    best = float(ridge.best().max())
    top = ridge.levels[ridge.best() >= best - PLATEAU]
    middle = float(top[0] + top[-1]) / 2
    curve = best_curve(data, middle, loss)
    spread, freedom = dispersion(counts, curve)
    low, high = _edges(data, ridge, loss, best - _allowed(confidence, spread, freedom) / 2)
    rise = max(0.0, 2 * (best - _constant(data)) / spread)
    if not ends[0] < top[0] <= top[-1] < ends[1]:
        return Crossing(loss, None, low, high, None, spread, freedom, rise)
    return Crossing(loss, middle, low, high, curve, spread, freedom, rise)


def keep_none() -> None:
    """Forget the crossings found so far, so that the next one is computed anew."""
    _found.cache_clear()


def profile(data: Counts, levels: Floats, loss: float) -> Floats:
    """Return the largest log-likelihood of any curve that loses `loss` at each of `levels`."""
    return _ridge(data, levels, loss).best()


def best_curve(data: Counts, level_db: float, loss: float) -> Curve:
    """Return the likeliest curve that loses `loss` at `level_db`."""
    ridge = _ridge(data, np.array([level_db]), loss)
    place = int(ridge.heights[0].argmax())
    slope, floor = math.exp(ridge.slopes[0, place]), float(ridge.floors[0, place])
    return Curve(level_db, loss, slope, BENDS[place], floor)


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
    share = np.clip(np.full(len(data.level), data.lost.sum() / data.made.sum()), 1e-300, 1 - 1e-16)
    return float(_likelihood(data, share, 1 - share))


def _allowed(confidence: float, spread: float, freedom: int) -> float:
    """Return by how much the deviance may exceed the best one's."""
    from scipy.special import ndtri, stdtrit

    quantile = float(stdtrit(freedom, confidence) if spread > 1 and freedom else ndtri(confidence))
    return spread * quantile * quantile


@dataclass(frozen=True, slots=True)
class _Ridge:
    """The best curve through each level for each bend; all but `levels`, which rise, are (levels, bends).

    `slopes` are natural logarithms, `heights` log-likelihoods.
    """

    levels: Floats
    slopes: Floats
    floors: Floats
    heights: Floats

    def best(self) -> Floats:
        """Return the log-likelihood of the best curve through each level."""
        return np.asarray(self.heights.max(axis=1))


def _ridge(data: Counts, levels: Floats, loss: float) -> _Ridge:
    """Return the best curves through levels of which nothing is known yet."""
    return _climbed(data, levels, *_starts(data, levels, loss), loss, FIRST_TURNS)


def _widened(data: Counts, ridge: _Ridge, levels: Floats, loss: float, *, anew: bool) -> _Ridge:
    """Return the ridge with more levels, each climbed from the curves of the levels on both sides.

    With `anew` from the grid too: losses far from the edge are explained by a floor or by a flat slope, and
    which is likelier changes from level to level.
    """
    new = np.setdiff1d(levels, ridge.levels)
    if not len(new):
        return ridge
    after = np.clip(np.searchsorted(ridge.levels, new), 1, len(ridge.levels) - 1)
    sides = np.concatenate((after - 1, after))
    warm = _climbed(data, np.tile(new, 2), ridge.slopes[sides], ridge.floors[sides], loss, TURNS)
    tried = [warm, _ridge(data, new, loss)] if anew else [warm]
    heights, slopes, floors = (
        np.concatenate(columns).reshape(-1, len(new), len(BENDS))
        for columns in zip(*((each.heights, each.slopes, each.floors) for each in tried), strict=True)
    )
    best = heights.argmax(axis=0)[None]
    order = np.argsort(np.concatenate((ridge.levels, new)), kind="stable")

    def merged(old: Floats, found: Floats) -> Floats:
        return np.concatenate((old, np.take_along_axis(found, best, axis=0)[0]))[order]

    return _Ridge(
        np.concatenate((ridge.levels, new))[order],
        merged(ridge.slopes, slopes),
        merged(ridge.floors, floors),
        merged(ridge.heights, heights),
    )


def _topped(data: Counts, ridge: _Ridge, loss: float) -> _Ridge:
    """Return the ridge with finer steps on both sides of its best level, or of both ends of a plateau."""
    for zoom in range(ZOOMS):
        heights = ridge.best()
        top = np.flatnonzero(heights >= heights.max() - PLATEAU)
        steps = {place + side for place in (int(top[0]), int(top[-1])) for side in (-1, 0)}
        ridge = _widened(data, ridge, _between(ridge.levels, steps), loss, anew=not zoom)
    return ridge


def _edges(data: Counts, ridge: _Ridge, loss: float, height: float) -> tuple[float, float]:
    """Return where the ridge falls through `height` on either side, infinite where it does not."""
    for zoom in range(EDGE_ZOOMS):
        inside = np.flatnonzero(ridge.best() >= height)
        finer = _between(ridge.levels, {int(inside[0]) - 1, int(inside[-1])})
        ridge = _widened(data, ridge, finer, loss, anew=not zoom)
    heights = ridge.best()
    inside = np.flatnonzero(heights >= height)
    ends = []
    for place, side in ((int(inside[0]), -1), (int(inside[-1]), 1)):
        if not 0 <= place + side < len(heights):
            ends.append(side * math.inf)
            continue
        part = (heights[place] - height) / (heights[place] - heights[place + side])
        ends.append(float(ridge.levels[place] + part * (ridge.levels[place + side] - ridge.levels[place])))
    return ends[0], ends[1]


def _between(levels: Floats, steps: set[int]) -> Floats:
    """Return levels that cut each of these steps into parts; step n leads from level n to the next."""
    cut = [np.linspace(levels[n], levels[n + 1], PARTS + 1) for n in steps if 0 <= n < len(levels) - 1]
    return np.concatenate(cut) if cut else levels[:0]


def _starts(data: Counts, levels: Floats, loss: float) -> tuple[Floats, Floats]:
    """Return the best logarithm of the slope and floor of a grid, for each level and bend."""
    slopes = np.linspace(math.log(SLOPES[0]), math.log(SLOPES[1]), SLOPE_GRID)
    floors = np.concatenate(([0.0], np.geomspace(FLOOR_LEAST, FLOOR_MOST, FLOOR_GRID))) * loss
    slopes, floors = np.repeat(slopes, len(floors)), np.tile(floors, len(slopes))
    start = _start(floors, loss)[:, None]
    chunk = max(1, CELLS // (len(slopes) * len(data.level)))
    best = np.zeros((len(levels), len(BENDS)), dtype=np.int64)
    for place, bend in enumerate(BENDS):
        for at in range(0, len(levels), chunk):
            away = _bent(data.level - levels[at : at + chunk, None, None], bend)
            share, kept = _shares(_hazard(start - np.exp(slopes)[:, None] * away), floors[:, None])
            best[at : at + chunk, place] = _likelihood(data, share, kept).argmax(axis=1)
    return slopes[best], floors[best]


def _climbed(data: Counts, levels: Floats, slopes: Floats, floors: Floats, loss: float, turns: int) -> _Ridge:
    """Return the curves to which damped Fisher scoring leads from these slopes and floors."""
    shape = slopes.shape
    away = np.stack([_bent(data.level - levels[:, None], bend) for bend in BENDS], axis=1)
    away = away.reshape(-1, len(data.level))
    low = np.array([math.log(SLOPES[0]), 0.0])[:, None]
    high = np.array([math.log(SLOPES[1]), FLOOR_MOST * loss])[:, None]
    at = np.clip(np.stack((slopes.ravel(), floors.ravel())), low, high)
    height, way, width = _derived(data, away, at, loss)
    damping = np.full(at.shape[1], 1e-3)
    for _ in range(turns):
        tried = np.clip(at + _step(at, way, width, damping, low, high), low, high)
        found = _derived(data, away, tried, loss)
        better = found[0] >= height
        at, way, width = (
            np.where(better, new, old) for new, old in ((tried, at), (found[1], way), (found[2], width))
        )
        height = np.where(better, found[0], height)
        damping = np.clip(np.where(better, damping / 10, damping * 10), 1e-9, 1e9)
    return _Ridge(levels, at[0].reshape(shape), at[1].reshape(shape), height.reshape(shape))


def _step(at: Floats, way: Floats, width: Floats, damping: Floats, low: Floats, high: Floats) -> Floats:
    """Return the step of Fisher scoring in both parameters; one held by its bound stays where it is."""
    held = ((at <= low) & (way < 0)) | ((at >= high) & (way > 0))
    scale = np.sqrt(np.maximum(width[:2], 1e-300))
    push = np.where(held, 0.0, way / scale)
    both = np.where(held.any(axis=0), 0.0, np.clip(width[2] / scale[0] / scale[1], -1, 1))
    wide = 1 + damping
    return np.asarray((wide * push - both * push[::-1]) / (wide * wide - both * both) / scale)


def _derived(data: Counts, away: Floats, at: Floats, loss: float) -> tuple[Floats, Floats, Floats]:
    """Return log-likelihoods, their derivatives by slope and floor, and the expected information.

    The information is that of the slope, of the floor, and of both together.
    """
    slope, floor = np.exp(at[0])[:, None], at[1][:, None]
    exponent = _start(floor, loss) - slope * away
    hazard = _hazard(exponent)
    share, kept = _shares(hazard, floor)
    steep = kept * hazard * ((exponent > EXPONENTS[0]) & (exponent < EXPONENTS[1]))
    by_slope = -steep * slope * away
    by_floor = (kept - steep / np.exp(_start(floor, loss))) / (1 - floor)
    over, told = (data.lost - data.made * share) / (share * kept), data.made / (share * kept)
    way = np.stack(((over * by_slope).sum(axis=1), (over * by_floor).sum(axis=1)))
    pairs = by_slope * by_slope, by_floor * by_floor, by_slope * by_floor
    return _likelihood(data, share, kept), way, np.stack([(told * pair).sum(axis=1) for pair in pairs])


def _bent(away_db: Floats, bend: float) -> Floats:
    """Return how far along the curve a distance in dB lies: the distance itself without a bend."""
    return np.asarray(np.expm1(np.clip(bend * away_db, -50, 50)) / bend) if bend else away_db


def _hazard(exponent: Floats) -> Floats:
    """Return exp of the exponent, whose ends keep shares lost and not lost above 0."""
    return np.asarray(np.exp(np.clip(exponent, *EXPONENTS)))


def _shares(hazard: Floats, floor: Floats | float) -> tuple[Floats, Floats]:
    """Return the shares lost and not lost."""
    return floor - (1 - floor) * np.expm1(-hazard), (1 - floor) * np.exp(-hazard)


def _likelihood(data: Counts, share: Floats, kept: Floats) -> Floats:
    """Return the binomial log-likelihood, but for its constant, over the last axis."""
    return np.asarray((data.lost * np.log(share) + (data.made - data.lost) * np.log(kept)).sum(axis=-1))


def _start(floor: Floats, loss: float) -> Floats:
    """Return h0 of the curve over a floor that loses `loss`."""
    return np.asarray(np.log(np.log1p(-floor) - math.log1p(-loss)))


__all__ = ["Counts", "Crossing", "Curve", "best_curve", "dispersion", "find_crossing", "keep_none", "profile"]

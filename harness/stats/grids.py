"""Do instants lie on a grid? A search for the tick that a row of times has in common.

Whoever looks only now and then acts at multiples of a tick; the tick then shows in when things happen, each
life of a device with a start of its own. Times and ticks have one unit, such as us.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from harness.stats.linear import product

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STEPS: Final = 4
"""Trial ticks for each one that could be told from the next."""
MOST_TRIALS: Final = 60_000
AT_ONCE: Final = 2_048
LIKELY: Final = 24
"""Trials that are refined: regular cuts make neighbours that fit almost as well."""
ROUNDS: Final = 3


@dataclass(frozen=True, slots=True)
class GridFit:
    """The tick that fits best, how far instants scatter about its grid, and how likely that is by chance.

    `width` is the smallest span of phases that holds every instant, `deviation` their standard deviation,
    both in the unit of the times. `p_value` is the chance that as many instants without any grid fit one of
    the trial ticks as well: trials x the product over lives of n w^(n-1), w = width / tick.
    """

    tick: float
    width: float
    deviation: float
    p_value: float


def fit_grid(times: Ints, lives: Ints, shortest: float, longest: float) -> GridFit | None:
    """Return the best tick between `shortest` and `longest`; None with too few times or too many ticks.

    Each of `lives` has a grid of its own start. Trial ticks are so dense that over the whole time one differs
    from the next by a quarter of a tick; the best by the resultants' length are refined, and the best taken.
    The chance that n points on a circle all lie in an arc of a share w is n w^(n-1) for w up to one half.
    Source: Stevens 1939 (arc of n points on a circle, cited from memory).
    """
    counts = np.unique(lives, return_counts=True)[1]
    if len(times) < len(counts) + 2 or shortest <= 0 or longest <= shortest:
        return None
    since = (times - times.min()).astype(np.float64)
    span = max(float(since.max()), longest)
    cycles = span * (1 / shortest - 1 / longest)
    trials = max(3, math.ceil(STEPS * cycles))
    if trials > MOST_TRIALS:
        return None
    frequencies = np.linspace(1 / longest, 1 / shortest, trials)
    step = float(frequencies[1] - frequencies[0])
    likely = frequencies[np.argsort(-_agreement(since, lives, frequencies), kind="stable")[:LIKELY]]
    refined = np.array([_refined(since, lives, float(one), step) for one in likely])
    best = float(
        np.clip(refined[int(np.argmax(_agreement(since, lives, refined)))], 1 / longest, 1 / shortest)
    )
    width, deviation = _scatter(since * best, lives)
    chance = math.log(max(1.0, cycles)) + sum(
        math.log(count) + (count - 1) * math.log(max(width, 1e-12)) for count in counts.tolist() if count > 1
    )
    return GridFit(1 / best, width / best, deviation / best, math.exp(min(0.0, chance)))


def _agreement(since: Floats, lives: Ints, frequencies: Floats) -> Floats:
    """Return how long the lives' resultants are in all, at each frequency."""
    found = []
    for first in range(0, len(frequencies), AT_ONCE):
        turns = np.exp(2j * np.pi * np.outer(frequencies[first : first + AT_ONCE], since))
        each = [np.abs(turns[:, lives == life].sum(axis=1)) for life in np.unique(lives)]
        found.append(np.sum(each, axis=0))
    whole: Floats = np.concatenate(found)
    return whole


def _refined(since: Floats, lives: Ints, frequency: float, step: float) -> float:
    """Return the frequency near a trial at which the instants agree best."""
    for _ in range(ROUNDS):
        near = frequency + step * np.linspace(-0.5, 0.5, 33)
        frequency, step = float(near[int(np.argmax(_agreement(since, lives, near)))]), step / 12
    return frequency


def _scatter(phases: Floats, lives: Ints) -> tuple[float, float]:
    """Return the widest life's arc, and the standard deviation about each life's mean phase, in turns."""
    width, off = 0.0, []
    for life in np.unique(lives):
        mine = phases[lives == life]
        middle = float(np.angle(np.exp(2j * np.pi * mine).mean())) / (2 * np.pi)
        apart = (mine - middle + 0.5) % 1 - 0.5
        width = max(width, float(apart.max() - apart.min()))
        off.append(apart - apart.mean())
    together = np.concatenate(off)
    freedom = max(1, len(together) - len(off) - 1)
    return width, math.sqrt(product(together, together) / freedom)

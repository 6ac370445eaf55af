"""Do bad events come in step with a period? A search over periods that bursts and pauses do not deceive.

An event can only happen at an *opportunity*: a packet that was sent, at its place (in packets, or in ns). The
search compares the events' phases with those of all opportunities, so that pauses, however regular, are no
rhythm. A burst counts as one event, by its first loss, and what follows it closely is no opportunity: under a
two-state chain every opportunity then has the same chance, whatever was before.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from harness.stats.runs import Flags, Floats, Ints

Complexes = NDArray[np.complex128]

DEAD: Final = 4
"""A loss starts a burst if at least this many packets in a row came through before it."""
SHORTEST: Final = 8
"""Shortest period searched, in packets. More frequent losses show in the lag correlations."""
CYCLES: Final = 10
"""Longest period searched: it must fit this often into the time looked at."""
OVERSAMPLING: Final = 2
BLOCK: Final = 256
"""Neighbouring trial frequencies that share one level of background, at least."""
LOW_BLOCKS: Final = (64, 128, 256)
"""Where the first, shorter blocks end."""
EFFICIENCY: Final = 0.8
"""Share of a perfect rhythm's power that rounding of places and the grid of trials leave."""
LIKELY: Final = 0.05
"""Below this p the period is refined: sharper than the grid, and the longest that explains the events."""
KIN: Final = 0.7
"""Share of the agreement at a harmonic that its fundamental must keep to be told instead."""

BINS: Final = 128
"""Bins of a period in which events are counted, to see whether a routine could make them."""
ON_TIME: Final = 1 / 64
"""A routine is taken to keep its time to this share of its period, but for `ROUNDED` packets."""
ROUNDED: Final = 2
MOST_FOLDED: Final = 300
"""With more events than that they are not folded, which takes time as their square."""
COARSE: Final = 16
"""Bins of a first look: a window of up to `BINS` / `COARSE` bins lies within two of these."""
ROWS: Final = 256
HITS: Final = 0.5
"""Share of its turns in which a routine makes an event at least, on average."""
SURE: Final = 0.95


@dataclass(frozen=True, slots=True)
class PeriodSearch:
    """The strongest rhythm among `events`, of `trials` tried.

    `p_value` is the chance that events without a rhythm make one as strong at any of the trials; 1 where
    nothing could be tried. `period` and `phase` (place of the events within the period, counted from place
    0) are in the unit of the places; `strength` is the mean resultant length: 1 if every event comes at the
    same phase, near 0 without a rhythm.
    """

    events: int
    trials: int
    background: float
    p_value: float
    period: float
    phase: float
    strength: float


def burst_starts(lost: Flags, unknown: Flags, breaks: Flags) -> tuple[Flags, Flags]:
    """Return which packets are opportunities for a burst to start, and at which of them one did.

    `breaks` marks packets that do not follow the one before (after a pause, a restart). A packet is an
    opportunity if its fate is known and the `DEAD` packets before it, without a break, came through.
    """
    places = np.arange(len(lost))
    spoilt = np.maximum.accumulate(np.where(lost | unknown, places, -1)) if len(lost) else places
    before = np.concatenate(([-1], spoilt[:-1])) if len(lost) else places
    opened = np.maximum.accumulate(np.where(breaks | (places == 0), places, 0)) if len(lost) else places
    chance = (places - before > DEAD) & (places - opened >= DEAD) & ~unknown
    return chance, chance & lost


def find_period(places: Ints, event: Flags, shortest: float) -> PeriodSearch:
    """Search for a period from `shortest` to a tenth of the time looked at, in the unit of `places`.

    `places` are those of the opportunities, rising; `event` tells at which something happened. For each trial
    frequency f the events' sum of exp(2 pi i f place) is compared with that of equally many opportunities
    drawn at random: power = v' C^-1 v / 2, where v is the difference and C its covariance (drawing without
    replacement). Without a rhythm it has the exponential distribution with mean 1, the Rayleigh test; where
    all opportunities are spread evenly it is (1/N) |sum|^2. Powers are divided by the background, the median
    of their neighbours (at least 1), so that slow drifts and clumps are no rhythm; the ratio's tail allows
    for the scatter of that median: (1 + ratio / k)^-k, an F distribution with 2 and 2 k degrees. p is
    corrected for all trials (Sidak); as they overlap, it is too large rather than too small.
    Source: Rayleigh test in Mardia and Jupp, Directional Statistics 2000; correction for the number of
    trials as in periodograms, Scargle 1982 (both cited from memory). False alarms and power are simulated.
    """
    nothing = PeriodSearch(int(event.sum()), 0, 1.0, 1.0, 0.0, 0.0, 0.0)
    span = float(places[-1] - places[0]) if len(places) else 0.0
    if nothing.events < 2 or nothing.events == len(places) or span < 2 * CYCLES * shortest:
        return nothing
    first, step, power = _powers(places, event, shortest, span)
    if len(power) < 2:
        return nothing
    background, scatter = _background(power)
    ratio = power / background
    tails = (1 + ratio / scatter) ** -scatter
    best = int(np.argmin(tails))
    p_one = float(tails[best])
    frequency = (first + best) * step
    p_value = float(-np.expm1(len(power) * np.log1p(-min(p_one, 1 - 1e-16))))
    taken = (places[event] - places[0]).astype(np.float64)
    if p_value < LIKELY:
        frequency = _longest_kin(taken, _refined(taken, frequency, step), step, CYCLES / span)
    mean = complex(np.exp(2j * np.pi * frequency * taken).mean())
    period = 1 / frequency
    phase = (float(np.angle(mean)) / (2 * np.pi) * period + float(places[0])) % period
    return PeriodSearch(
        nothing.events, len(power), float(background[best]), p_value, period, phase, abs(mean)
    )


def events_needed(trials: int, false_alarm: float) -> int:
    """Return how many events, all in step, are found among `trials` at this chance of a false alarm."""
    scatter = _scatter(min(trials, BLOCK))
    each = false_alarm / max(1, trials)
    return math.ceil(scatter * math.expm1(-math.log(each) / scatter) / EFFICIENCY)


def hits_of(turns: Any) -> Ints:
    """Return how many events a routine makes in so many turns at least, with `SURE`: of B(turns, `HITS`)."""
    from scipy.stats import binom

    return np.asarray(np.maximum(0, binom.ppf(1 - SURE, np.asarray(turns), HITS)), dtype=np.int64)


def hits_by_chance(events: float, longest: float) -> int:
    """Return how many of `events` at random hardly ever fall into one window of a folded period.

    Once in 10^6 windows: about as many as are tried. `longest` is the period in packets.
    """
    from scipy.stats import poisson

    return int(poisson.isf(1e-6, events * int(_window(np.array([1 / longest]))[0]) / BINS)) + 1


def may_hide(at: Ints, longest: float, looked: float, packet: float) -> bool:
    """Return whether events at `at` could hold a routine with a period up to `longest`.

    They are folded at every period from `SHORTEST` packets (of length `packet`) on. A routine makes
    `hits_of` its turns in the time `looked` at, all of them in a window of the period that holds its lateness
    (`ON_TIME`, or `ROUNDED` packets) and what the grid of periods shifts; if no window at any period holds so
    many events, there is none. That takes no model of the other events. All places in one unit.
    """
    if looked < CYCLES * longest or len(at) > MOST_FOLDED:
        return True
    if len(at) < 2 or at[-1] <= at[0]:
        return False
    away = (at - at[0]).astype(np.float64)
    often = np.arange(1 / longest, 1 / (SHORTEST * packet), ON_TIME / away[-1])
    turns = (looked * often).astype(np.int64)
    often = often[: int(np.searchsorted(turns, _most_turns(len(at)), side="right"))]
    need, wide = hits_of(turns[: len(often)]), _window(often * packet)
    for start in range(0, len(often), ROWS):
        rows = slice(start, start + ROWS)
        some, least, window = often[rows], need[rows], wide[rows]
        pairs = _fullest(away, some, np.full(len(some), 2), COARSE)
        maybe = (pairs >= least) | (window > BINS // COARSE)
        if (_fullest(away, some[maybe], window[maybe], BINS) >= least[maybe]).any():
            return True
    return False


def _most_turns(events: int) -> int:
    """Return a number of turns in which a routine makes more than so many events."""
    turns = 2 * events + 8
    while int(hits_of(turns)) <= events:
        turns += max(1, turns // 20)
    return turns


def _window(often: Floats) -> Ints:
    """Return how many bins hold a routine's events, by its turns per packet."""
    late = np.maximum(ON_TIME, ROUNDED * often) * BINS
    return np.asarray(np.minimum(BINS, np.ceil(late + 1) + 1), dtype=np.int64)


def _fullest(away: Floats, often: Floats, wide: Ints, bins: int) -> Ints:
    """Return for each frequency how many events the fullest window of `wide` of so many bins holds."""
    turns = np.outer(often, away)
    phase = np.minimum(((turns - np.floor(turns)) * bins).astype(np.int64), bins - 1)
    phase += np.arange(len(often))[:, None] * bins
    counts = np.bincount(phase.ravel(), minlength=len(often) * bins).reshape(-1, bins)
    sums = np.cumsum(np.concatenate((np.zeros((len(often), 1)), counts, counts), axis=1), axis=1)
    ends = np.arange(bins)[None, :] + wide[:, None]
    inside = np.take_along_axis(sums, ends, axis=1) - sums[:, :bins]
    return np.asarray(inside.max(axis=1), dtype=np.int64)


def trials_for(span: float, shortest: float) -> int:
    """Return about how many frequencies a search over such a span tries."""
    return max(1, round(OVERSAMPLING * (span / shortest - CYCLES)))


def _powers(places: Ints, event: Flags, shortest: float, span: float) -> tuple[int, float, Floats]:
    """Return the first trial's number, the step from one frequency to the next, and each trial's power."""
    from scipy.fft import next_fast_len, rfft

    width = shortest / 4
    bins = ((places - places[0]) / width).astype(np.int64)
    size = int(next_fast_len(OVERSAMPLING * (int(bins[-1]) + 1), real=True))
    chances = np.bincount(bins, minlength=size)
    taken = np.bincount(bins[event], minlength=size)
    step = 1 / (size * width)
    first, last = math.ceil(CYCLES / span / step), min(size // 4, math.floor(1 / shortest / step))
    every: Complexes = rfft(chances.astype(np.float64))
    some: Complexes = rfft(taken.astype(np.float64))[first : last + 1]
    number = np.arange(first, last + 1)
    return first, step, _rayleigh(some, every[number], every[2 * number], len(places), int(event.sum()))


def _rayleigh(some: Complexes, every: Complexes, twice: Complexes, chances: int, events: int) -> Floats:
    """Return the power of each frequency from the sums over events, opportunities, and those at twice it."""
    share = events / chances
    off = some - share * every
    scale = share * (1 - share) * chances / max(1, chances - 1)
    cc = scale * ((chances + twice.real) / 2 - every.real**2 / chances)
    ss = scale * ((chances - twice.real) / 2 - every.imag**2 / chances)
    cs = scale * (twice.imag / 2 - every.real * every.imag / chances)
    det = cc * ss - cs**2
    form = ss * off.real**2 - 2 * cs * off.real * off.imag + cc * off.imag**2
    sound = det > 1e-6 * (cc + ss) ** 2
    power: Floats = np.where(sound, form / np.where(sound, det, 1.0), 0.0) / 2
    return power


def _background(power: Floats) -> tuple[Floats, Floats]:
    """Return for each trial the level around it, 1 or more, and of how many powers' mean that is worth."""
    edges = _blocks(len(power))
    levels = [np.median(power[a:b]) / math.log(2) for a, b in pairwise(edges)]
    sizes = np.diff(edges)
    level = np.maximum(1.0, np.repeat(np.array(levels), sizes))
    return level, np.repeat(np.array([_scatter(int(size)) for size in sizes]), sizes)


def _blocks(trials: int) -> list[int]:
    """Return where blocks of neighbours begin and end: short ones first, where slow fades rise steeply."""
    edges = [0, *(edge for edge in LOW_BLOCKS if edge < trials)]
    more = max(1, (trials - edges[-1]) // BLOCK)
    return edges[:-1] + [round(edge) for edge in np.linspace(edges[-1], trials, more + 1).tolist()]


def _scatter(trials: int) -> float:
    """Return how many powers' mean a median is worth: n ln(2)^2 of n; oversampled ones tell half as much."""
    return max(1.0, trials / OVERSAMPLING * math.log(2) ** 2)


def _refined(taken: Floats, frequency: float, step: float) -> float:
    """Return the frequency near a trial at which the events' exact places agree best."""
    trials = frequency + step * np.linspace(-1, 1, 41)
    agreed = [abs(np.exp(2j * np.pi * trial * taken).sum()) for trial in trials]
    return float(trials[int(np.argmax(agreed))])


def _longest_kin(taken: Floats, frequency: float, step: float, least: float) -> float:
    """Return the lowest frequency of which this one is a multiple and at which the events agree as well.

    Short events in step with a period agree at its harmonics too, and any of them may be the strongest.
    """
    agreed = abs(np.exp(2j * np.pi * frequency * taken).mean())
    for times in range(int(min(frequency / least, 64)), 1, -1):
        kin = _refined(taken, frequency / times, step / times)
        if abs(np.exp(2j * np.pi * kin * taken).mean()) >= KIN * agreed:
            return kin
    return frequency

"""What does each channel do to its stick? Offset, gain, steps, ends, and how much of the others it shows.

From the packets with commanded sticks (`harness.measure.fidelity.deviations`). Sticks are given as the
outputs that they ask for, so a channel declared as reversed has a gain of 1 like any other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from harness.measure.arrays import Flags, Floats, Ints, ints
from harness.measure.fidelity import MISSING_US, Deviations
from harness.plan.model import Channel
from harness.stats.linear import inverse, matrix_product, product

MOVED_US: Final = 5.0
"""A stick moved by itself if this much (standard deviation) is left when the others explain it; less tells
nothing of cross-talk."""
MIDDLE_US: Final = 1500
"""Taken off every pulse before squares are summed, for the sake of their last digits."""
INDEPENDENT: Final = 0.05
"""It must also be this share of its own variance: 1 / 20, a variance inflation factor of 20."""
RUNS_SHOWN: Final = 5
AT_ONCE: Final = 1 << 14
"""Packets whose products are summed at a time."""
FEW_KEYS: Final = 1 << 22
"""So many pairs of stick and output, all that there could be, are counted in a table of their own."""
STEADY: Final = 99
"""Percentile of how far the outputs of one stick value spread: rarer ones are glitches."""


@dataclass(frozen=True, slots=True)
class Line:
    """output = gain (stick - centre) + centre + offset by least squares, each with its standard error.

    Over `packets` packets; `gain` and its error are None if the stick never moved. `spread_us` is the
    residuals' standard deviation. The errors take deviations as independent (ordinary least squares), and are
    0 where every output lies on the line.
    """

    packets: int
    offset_us: float
    offset_error_us: float
    gain: float | None
    gain_error: float | None
    spread_us: float


@dataclass(frozen=True, slots=True)
class StepBack:
    """Where an output first goes the other way than its stick: stick and output before and after."""

    stick_us: tuple[int, int]
    output_us: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Steps:
    """The values of one channel. `sent` and `shown` count different values, in steps of the resolution.

    `compared` is how many pairs of neighbouring stick values could be compared; `merged` counts those a step
    of the resolution or more apart that came out as one output. `missing` are runs (first, last, how many) of
    asked-for outputs that never came out. `back` is the first step in the wrong direction, `backs` how many
    there are.
    """

    sent: int
    shown: int
    compared: int
    merged: int
    missing: tuple[tuple[int, int, int], ...]
    back: StepBack | None
    backs: int

    @property
    def never(self) -> int:
        """How many asked-for outputs never came out."""
        return sum(count for _, _, count in self.missing)


@dataclass(frozen=True, slots=True)
class ChannelFigures:
    """One channel: its line, its worst deviation (signed; None if an output was not reported), its values.

    `clipped_us` are the ends at which it stops short of its stick, None where it does not.
    """

    line: Line | None
    worst_us: int | None
    steps: Steps
    clipped_us: tuple[int | None, int | None]


@dataclass(frozen=True, slots=True)
class CrossTalk:
    """How much of each stick each output shows, in us per us: `share[output][stick]`, and standard errors.

    None where the stick did not move enough by itself to tell it from the others.
    """

    share: tuple[tuple[float | None, ...], ...]
    error: tuple[tuple[float | None, ...], ...]

    def told(self, stick: int) -> bool:
        """Return whether anything can be said of this stick."""
        return any(row[stick] is not None for row in self.share)


class Pairs(NamedTuple):
    """Every different pair of stick and output, in order of stick, then output, and how often it came."""

    stick: Ints
    output: Ints
    times: Ints


def pairs_of(stick: Ints, output: Ints) -> Pairs:
    """Count the pairs. All figures rest on them: a million packets have some thousand different ones."""
    if not len(stick):
        return Pairs(stick, output, ints([]))
    low, base = int(stick.min()), int(output.min())
    width = int(output.max()) - base + 1
    key = (stick - low) * width + (output - base)
    if (int(stick.max()) - low + 1) * width <= FEW_KEYS:
        all_counts = np.bincount(key)
        found = np.flatnonzero(all_counts)
        count = all_counts[found]
    else:
        found, count = np.unique(key, return_counts=True)
    return Pairs(found // width + low, found % width + base, count.astype(np.int64))


def channel_figures(found: Deviations, channel: int, about: Channel) -> ChannelFigures:
    """Return the figures of one channel over the packets in `found`."""
    given = (found.off_us[:, channel] != MISSING_US) & (found.wanted_us[:, channel] >= 0)
    pairs = pairs_of(found.wanted_us[given, channel], found.shown_us[given, channel])
    off = pairs.output - pairs.stick
    worst = None if not len(off) or not given.all() else int(off[np.argmax(np.abs(off))])
    return ChannelFigures(
        _line(pairs, about.output_us(about.middle_us)),
        worst,
        steps(pairs, about.resolution_us),
        _clipped(pairs),
    )


def _line(pairs: Pairs, centre_us: int) -> Line | None:
    """Fit the line; ordinary least squares about the centre, so that the intercept is the offset there."""
    count = int(pairs.times.sum())
    if not count:
        return None
    weight = pairs.times.astype(np.float64)
    stick = (pairs.stick - centre_us).astype(np.float64)
    output = (pairs.output - centre_us).astype(np.float64)
    middle, mean = product(weight, stick) / count, product(weight, output) / count
    away = stick - middle
    square = product(weight, away**2)
    gain = product(weight, away * (output - mean)) / square if square else 1.0
    rest = output - mean - gain * away
    variance = product(weight, rest**2) / max(1, count - (2 if square else 1))
    variance = variance if variance > 1e-12 else 0.0
    offset_variance = variance * (1 / count + (middle**2 / square if square else 0.0))
    return Line(
        packets=count,
        offset_us=mean - gain * middle,
        offset_error_us=float(np.sqrt(offset_variance)),
        gain=gain if square else None,
        gain_error=float(np.sqrt(variance / square)) if square else None,
        spread_us=float(np.sqrt(variance)),
    )


def steps(pairs: Pairs, resolution_us: int) -> Steps:
    """Return what became of every stick value. The usual output (the median) of each value is compared.

    Neighbours are compared only where each was seen in two packets: one alone may be a glitch. A step back
    counts only if it is larger than the outputs of one stick value spread (range, 99th percentile): an output
    that trembles is not a firmware that miscounts.
    """
    every = np.unique(pairs.stick)
    values, usual, spread_us = _usual(pairs)
    rise = np.diff(usual)
    turned = len(values) > 1 and usual[-1] < usual[0]
    backs = np.flatnonzero(-rise > spread_us) if not turned else np.flatnonzero(rise > spread_us)
    apart = np.diff(values) >= resolution_us
    back = None
    if len(backs):
        at = int(backs[0])
        back = StepBack((int(values[at]), int(values[at + 1])), (int(usual[at]), int(usual[at + 1])))
    return Steps(
        sent=len(np.unique(every // resolution_us)),
        shown=len(np.unique(pairs.output // resolution_us)),
        compared=len(rise),
        merged=int((apart & (rise == 0)).sum()),
        missing=_runs(every, np.isin(every, pairs.output)),
        back=back,
        backs=len(backs),
    )


def _usual(pairs: Pairs) -> tuple[Ints, Ints, int]:
    """Return stick values seen twice, the median of each one's outputs, and how far such outputs spread."""
    values, first, different = np.unique(pairs.stick, return_index=True, return_counts=True)
    if not len(values):
        return values, values, 0
    so_far = np.cumsum(pairs.times)
    total = np.add.reduceat(pairs.times, first)
    middle = so_far[first] - pairs.times[first] + (total - 1) // 2
    usual = pairs.output[np.searchsorted(so_far, middle, side="right")]
    several = total > 1
    if not several.any():
        return values[:0], values[:0], 0
    ranges = (pairs.output[first + different - 1] - pairs.output[first])[several]
    return values[several], usual[several], int(np.percentile(ranges, STEADY))


def _runs(values: Ints, came: Flags) -> tuple[tuple[int, int, int], ...]:
    """Return runs of stick values, neighbours in the list of those sent, whose output never came."""
    edges = np.diff(np.concatenate(([0], (~came).astype(np.int64), [0])))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return tuple(
        (int(values[start]), int(values[end - 1]), int(end - start))
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True)
    )


def _clipped(pairs: Pairs) -> tuple[int | None, int | None]:
    """Return the low and the high end at which the output stops short of the stick, if it does.

    An end is clipped if every packet whose stick is beyond it, two stick values at least, shows just that
    end.
    """
    if not len(pairs.stick):
        return None, None
    low, high = int(pairs.output.min()), int(pairs.output.max())
    ends = []
    for end, beyond in ((low, pairs.stick < low), (high, pairs.stick > high)):
        stopped = len(np.unique(pairs.stick[beyond])) > 1 and bool((pairs.output[beyond] == end).all())
        ends.append(end if stopped and low < high else None)
    return ends[0], ends[1]


def cross_talk(found: Deviations) -> CrossTalk:
    """Return the regression coefficients of every output on all sticks together, in us per us.

    Multiple linear regression with a constant, standard errors by ordinary least squares. A stick is told
    only if, with the other sticks' linear part taken out, `MOVED_US` and `INDEPENDENT` of it are left.
    """
    good = ((found.off_us != MISSING_US) & (found.wanted_us >= 0)).all(axis=1)
    width, count = found.wanted_us.shape[1], int(good.sum())
    if count <= width + 1:
        return CrossTalk(((None,) * width,) * width, ((None,) * width,) * width)
    total, products = _sums(found, good)
    means = total / count
    products -= count * np.outer(means, means)
    square, mixed = products[:width, :width], products[:width, width:]
    told = _independent(square, count)
    inverted = np.array(inverse(square.tolist()))
    share = matrix_product(inverted, mixed)
    rest = np.diag(products)[width:] - (share * mixed).sum(axis=0)
    variance = np.maximum(rest, 0.0) / (count - width - 1)
    error = np.sqrt(np.outer(np.maximum(np.diag(inverted), 0.0), variance))
    return CrossTalk(_told(share.T, told), _told(error.T, told))


def _sums(found: Deviations, good: Flags) -> tuple[Floats, Floats]:
    """Return the sums of sticks and outputs, and of all their products, over the good packets.

    Both count from `MIDDLE_US`. Sums of whole numbers below 2**53 are exact, in whatever order they are made,
    so that some thousand packets are taken at a time: what a processor's cache holds.
    """
    width = found.wanted_us.shape[1]
    total, products = np.zeros(2 * width), np.zeros((2 * width, 2 * width))
    for first in range(0, len(good), AT_ONCE):
        part = slice(first, first + AT_ONCE)
        shown = found.shown_us[part, :width]
        both = np.concatenate((found.wanted_us[part], shown), axis=1, dtype=np.float64) - MIDDLE_US
        both = both if good[part].all() else both[good[part]]
        total += both.sum(axis=0)
        products += both.T @ both
    return total, products


def _independent(square: Floats, count: int) -> list[bool]:
    """Return which sticks moved by themselves: 1 / (inverse)_jj is what the others leave of stick j."""
    told = []
    for stick in range(len(square)):
        others = [other for other in range(len(square)) if other != stick]
        mixed = square[stick, others]
        inverted = np.array(inverse(square[np.ix_(others, others)].tolist()))
        left = square[stick, stick] - float((inverted * np.outer(mixed, mixed)).sum())
        told.append(bool(left >= MOVED_US**2 * count and left >= INDEPENDENT * square[stick, stick]))
    return told


def _told(values: Floats, told: list[bool]) -> tuple[tuple[float | None, ...], ...]:
    return tuple(
        tuple(value if known else None for value, known in zip(row, told, strict=True))
        for row in values.tolist()
    )


__all__ = [
    "RUNS_SHOWN",
    "ChannelFigures",
    "CrossTalk",
    "Line",
    "Pairs",
    "StepBack",
    "Steps",
    "channel_figures",
    "cross_talk",
    "pairs_of",
    "steps",
]

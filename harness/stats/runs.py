"""Do losses come singly or in runs? Loss periods and distances, the run test, lag correlations, two states.

A series is a row of flags in time order, True for a packet that was lost. Everything is a pure function of
it; counts are whole numbers of packets. `scipy` is imported where it is used, for it is dear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from harness.stats.binomial import clopper_pearson
from harness.stats.linear import product

Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

DELTA: Final = 99
"""Losses this near to the one before are noticeable: the example of RFC 3357 section 6.1."""
GAP_LEAST: Final = 16
"""Gmin, the recommended value of RFC 3611 section 4.7.2: received packets in a row that end a burst."""


def loss_periods(lost: Flags, breaks: Flags | None = None) -> Ints:
    """Return the loss periods as (n, 2): place of the first lost packet, packets lost in a row.

    None goes across a packet in `breaks`, which does not follow the one before it.
    Source: RFC 3357 section 4 (loss period) and 6.5 (period lengths).
    """
    joined = lost[:-1] & lost[1:]
    if breaks is not None:
        joined &= ~breaks[1:]
    first = np.flatnonzero(lost & ~np.concatenate(([False], joined))[: len(lost)])
    last = np.flatnonzero(lost & ~np.concatenate((joined, [False]))[: len(lost)])
    return np.stack((first, last - first + 1), axis=1)


def loss_distances(lost: Flags) -> Ints:
    """Return for each lost packet how many places it is after the one lost before; 0 for the first.

    Source: RFC 3357 section 4 (loss distance) and 5.4.1.
    """
    places = np.flatnonzero(lost)
    return np.diff(places, prepend=places[:1])


def distance_stream(lost: Flags) -> Ints:
    """Return (packets, 2): loss distance and whether lost, by packet. Source: RFC 3357 section 5.4.1."""
    stream = np.zeros((len(lost), 2), dtype=np.int64)
    stream[lost, 0] = loss_distances(lost)
    stream[:, 1] = lost
    return stream


def period_stream(lost: Flags) -> Ints:
    """Return (packets, 2): number of the loss period and whether lost. Source: RFC 3357 section 5.4.2."""
    stream = np.zeros((len(lost), 2), dtype=np.int64)
    begins = lost & ~np.concatenate(([False], lost[:-1]))
    stream[:, 0] = np.where(lost, np.cumsum(begins), 0)
    stream[:, 1] = lost
    return stream


def noticeable_rate(lost: Flags, delta: int = DELTA) -> float | None:
    """Return the share of lost packets that were lost at most `delta` places after another; None without any.

    The first loss has no distance and is never noticeable. Source: RFC 3357 section 6.1.
    """
    distances = loss_distances(lost)
    if not len(distances):
        return None
    return int((distances[1:] <= delta).sum()) / len(distances)


def between_periods(lost: Flags) -> Ints:
    """Return for each loss period its distance from the last loss before it; 0 for the first.

    Source: RFC 3357 section 6.4 (inter-loss-period lengths).
    """
    lengths: Ints = distance_stream(lost)[loss_periods(lost)[:, 0], 0]
    return lengths


def burst_ratio(lost: Flags) -> float | None:
    """Return mean loss-run length x (1 - loss ratio): 1 for independent losses, more for bursts.

    None without a loss. A run of independent losses has a mean length of 1 / (1 - loss ratio).
    Source: McGowan 2005, as BurstR in ITU-T G.107 (cited from memory).
    """
    periods = loss_periods(lost)
    if not len(periods):
        return None
    return float(periods[:, 1].mean()) * (1 - float(lost.mean()))


@dataclass(frozen=True, slots=True)
class BurstGap:
    """The bursts of a series, as (n, 2) places of first and last packet, and what was lost in and outside.

    A burst begins and ends with a lost packet and holds no more than `GAP_LEAST` - 1 received ones in a row;
    a loss that is alone by that rule belongs to the gap. Densities are shares of 1, None without packets.
    """

    bursts: Ints
    lost_in_bursts: int
    burst_packets: int
    burst_density: float | None
    gap_density: float | None


def bursts_and_gaps(lost: Flags, gap_least: int = GAP_LEAST) -> BurstGap:
    """Return the bursts by the rule of RFC 3611 section 4.7.2; needs no assumption about the losses.

    Two losses with fewer than `gap_least` received packets between them are in one burst.
    """
    places = np.flatnonzero(lost)
    joined = np.diff(places) <= gap_least
    ends = np.flatnonzero(np.concatenate((~joined, [True]))) if len(places) else places
    begins = np.concatenate(([0], ends[:-1] + 1)) if len(places) else places
    many = ends > begins
    bursts = np.stack((places[begins[many]], places[ends[many]]), axis=1)
    inside = int((ends - begins + 1)[many].sum())
    packets = int((bursts[:, 1] - bursts[:, 0] + 1).sum())
    rest = len(lost) - packets
    return BurstGap(
        bursts=bursts,
        lost_in_bursts=inside,
        burst_packets=packets,
        burst_density=inside / packets if packets else None,
        gap_density=(len(places) - inside) / rest if rest else None,
    )


@dataclass(frozen=True, slots=True)
class RunTest:
    """What the number of runs says about independence.

    `runs` counts runs of either kind, `expected` is how many independent losses make on average, `z` the
    difference in standard deviations (negative: too few, losses cluster) and `p_value` its two-sided
    probability by the normal approximation. `p_clustered` is exact: the probability of as few loss periods
    or fewer if the same losses fell anywhere; it holds for rare losses too.
    """

    runs: int
    expected: float
    z: float
    p_value: float
    p_clustered: float


def run_test(lost: Flags) -> RunTest | None:
    """Return the run test of Wald and Wolfowitz; None if every packet had the same fate.

    With n1 lost and n0 received packets the mean number of runs is 1 + 2 n1 n0 / n, its variance
    2 n1 n0 (2 n1 n0 - n) / (n^2 (n - 1)). The number of loss periods is hypergeometric: r of the n0 + 1
    places around received packets, drawn with n1 - 1 choose r - 1 ways.
    Source: Wald and Wolfowitz 1940; exact distribution Mood 1940 (both cited from memory).
    """
    from scipy.special import ndtr

    n, ill = len(lost), int(lost.sum())
    well = n - ill
    if not ill or not well:
        return None
    runs = 1 + int((lost[1:] != lost[:-1]).sum())
    both = 2.0 * ill * well
    expected = 1 + both / n
    variance = both * (both - n) / (n * n * (n - 1.0))
    z = (runs - expected) / math.sqrt(variance) if variance > 0 else 0.0
    return RunTest(
        runs=runs,
        expected=expected,
        z=z,
        p_value=2 * float(ndtr(-abs(z))),
        p_clustered=periods_at_most(len(loss_periods(lost)), ill, well),
    )


def periods_at_most(periods: int, lost: int, received: int) -> float:
    """Return the chance that independent losses make `periods` loss periods or fewer.

    P(r) = C(lost - 1, r - 1) C(received + 1, r) / C(lost + received, lost): hypergeometric, since r of the
    `lost` fall in as many of the received + 1 places. Source: see `run_test`.
    """
    from scipy.special import gammaln

    def choose(n: int, k: Ints) -> Floats:
        values: Floats = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
        return values

    r = np.arange(1, min(periods, lost, received + 1) + 1, dtype=np.int64)
    if not len(r):
        return 1.0 if lost == 0 else 0.0
    whole = choose(lost + received, np.array([lost]))[0]
    return min(1.0, float(np.exp(choose(lost - 1, r - 1) + choose(received + 1, r) - whole).sum()))


def lag_correlations(lost: Flags, most: int = 10) -> Floats:
    """Return the correlation of the series with itself 1 to `most` packets later; empty if all had one fate.

    r(k) = sum (x(i) - m)(x(i+k) - m) / sum (x(i) - m)^2 over the whole series, m its mean.
    Source: NIST/SEMATECH e-Handbook section 1.3.5.12.
    """
    centred = lost.astype(np.float64) - float(lost.mean()) if len(lost) else np.zeros(0)
    total = product(centred, centred)
    if total <= 0:
        return np.zeros(0)
    lags = range(1, min(most, len(lost) - 1) + 1)
    return np.array([product(centred[:-lag], centred[lag:]) / total for lag in lags])


def lag_band(packets: int) -> float:
    """Return the half width of the band that holds a lag correlation of independent losses, 19 of 20 times.

    1.96 / sqrt(packets), for many losses. Source: NIST/SEMATECH e-Handbook section 1.3.3.1.
    """
    return 1.959964 / math.sqrt(packets) if packets else math.inf


@dataclass(frozen=True, slots=True)
class TwoStates:
    """A fitted two-state chain: chance per packet that a burst of losses begins, and that it ends.

    Both intervals are two-sided, exact (Clopper-Pearson) in the transitions seen. The rest follows from the
    two chances: `loss` the share lost in the long run, `mean_burst` and `mean_gap` in packets,
    `correlation` from one packet to the next; None where a chance is 0.
    """

    begins: float
    begins_within: tuple[float, float]
    ends: float
    ends_within: tuple[float, float]
    loss: float | None
    mean_burst: float | None
    mean_gap: float | None
    correlation: float


def fit_two_states(lost: Flags, confidence: float, joined: Flags | None = None) -> TwoStates | None:
    """Fit a two-state chain in which every packet of the bad state is lost (Gilbert's model with h = 0).

    p = P(lost | the one before came) and r = P(came | the one before was lost) are shares of transitions,
    which is the maximum of the likelihood. `joined[i]` tells whether packet i + 1 follows packet i without a
    break (all do if left out). None without a transition from either state. Assumes that the chances do not
    change during the run. Long run: loss p / (p + r), burst 1 / r, gap 1 / p, correlation 1 - p - r.
    Source: Gilbert, Bell System Technical Journal 39:1253-1265, 1960 (formulas from a textbook).
    """
    joined = np.ones(max(0, len(lost) - 1), dtype=np.bool_) if joined is None else joined
    before, after = lost[:-1][joined], lost[1:][joined]
    well, ill = int((~before).sum()), int(before.sum())
    if not well or not ill:
        return None
    begun, ended = int((~before & after).sum()), int((before & ~after).sum())
    p, r = begun / well, ended / ill
    return TwoStates(
        begins=p,
        begins_within=clopper_pearson(begun, well, confidence),
        ends=r,
        ends_within=clopper_pearson(ended, ill, confidence),
        loss=p / (p + r) if p + r else None,
        mean_burst=1 / r if r else None,
        mean_gap=1 / p if p else None,
        correlation=1 - p - r,
    )

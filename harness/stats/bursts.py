"""How sure can we be of a share when the bad ones come in bursts? Limits that hold for correlated losses.

A link that goes from good to bad with probability g for each packet and back with probability r (Gilbert's
two-state chain) has in the long run the bad share g / (g + r), in bursts of 1 / r packets on average. Limits
for independent trials are far too narrow there. `share_limits` takes both rates as uncertain as the bursts
seen leave them, and more so where bursts or the gaps between them vary in length more than the chain's do.
A fade that loses only some of its trials shows as many short bursts, and yet it is one event: for the lower
limit, bursts that surely hang together count as one (`hang_together`). tests/evidence/coverage.md shows how
often the limits hold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from harness.stats.beta_ratio import Reals, log_ratio_quantile
from harness.stats.binomial import MAX_SAMPLES

Flags = NDArray[np.bool_]
Counts = NDArray[np.int64]

FEWEST_BURSTS: Final = 10
"""Fewest bursts that must be expected at the share asked for, before data can show that it is reached."""
ASSUMED_BURST: Final = 3.0
"""Mean length of a burst that is assumed as long as none was seen; our choice, no source."""
LONG_BURST: Final = 10.0
"""Longest mean length of a burst that is allowed for as long as none was seen; our choice, no source."""
OVERWHELMING: Final = 0.999
"""Confidence that a shortfall needs where fewer than `FEWEST_BURSTS` can be expected; or more, if more is
asked for."""
NEAR: Final = (4, 16, 64)
"""Bursts may hang together if the gap between them is under one of these parts of the mean gap."""
BY_CHANCE: Final = 0.01
"""They do if chance alone has at most this probability of so many short gaps."""
_CHANCE: Final = 8.0
"""Variance of a spread seen in n exponential lengths, times n: kurtosis 9 less 1."""
_CANDIDATES: Final = 48


@dataclass(frozen=True, slots=True)
class Tally:
    """All that the limits need of a sequence: `bad` ones of `trials` came in `bursts` of bad ones.

    `spread` is by how much the lengths of bursts vary more than a two-state chain's of the same mean
    (variance over variance, at least 1), `gap_spread` likewise for the gaps between bursts.
    """

    trials: int
    bad: int
    bursts: int
    spread: float = 1.0
    gap_spread: float = 1.0


@dataclass(frozen=True, slots=True)
class ShareLimits:
    """What time-ordered trials tell about the share of good ones; each limit is one-sided.

    `burst_length` is the mean length of a burst of bad ones, as estimated, or as assumed where none was
    seen; `bursts` how many were seen; `effective` how many independent trials would tell as much; `certain`
    is the upper limit at `OVERWHELMING` confidence or more; `clump_length` is what `clump_length` tells.
    """

    lower: float
    upper: float
    burst_length: float
    bursts: int
    effective: float
    certain: float = 1.0
    clump_length: float = 0.0


def share_limits(
    bad: Flags, confidence: float, *, unknown: Flags | None = None, unplaced: int = 0
) -> ShareLimits:
    """Return limits of the share of good trials from time-ordered flags of the bad ones.

    Trials flagged `unknown` count as bad for the lower limit and as good for the upper; so do `unplaced`
    further ones, as one burst after the last. No trials: limits 0 and 1.
    """
    best, worst = tallies(bad, unknown=unknown, unplaced=unplaced)
    return limits_of(best, confidence, worst=worst)


def tallies(
    bad: Flags, *, unknown: Flags | None = None, unplaced: int = 0
) -> tuple[Tally, tuple[Tally, ...]]:
    """Return what to take the upper limit from, and what the lower: the least of several.

    For the lower limit bursts that hang together count as one. With unknown ones it is that of the worst
    case, but no better than that of the known alone, which stand first: a further burst may tell that bursts
    are short.
    """
    if not unplaced and (unknown is None or not unknown.any()):
        seen, clumped = _both(bad)
        return seen, (clumped,)
    seen = tally(bad if unknown is None else bad & ~unknown, unplaced=unplaced)
    return seen, worst_tallies(bad, unknown=unknown, unplaced=unplaced)


def worst_tallies(bad: Flags, *, unknown: Flags | None = None, unplaced: int = 0) -> tuple[Tally, ...]:
    """Return what `tallies` says to take the lower limit from."""
    if unknown is None or not unknown.any():
        known = whole = bad
    else:
        known, whole = bad[~unknown], bad | unknown
    seen = _both(known)[1]
    if whole is known and not unplaced:
        return (seen,)
    return seen, _both(whole, unplaced, unplaced_bad=True)[1]


def limits_of(seen: Tally, confidence: float, *, worst: tuple[Tally, ...] = ()) -> ShareLimits:
    """Return the limits for a tally; the lower one is the least of those of `worst`, if there are any."""
    return ShareLimits(
        lower=lower_of(worst or (seen,), confidence),
        upper=upper_of(seen, confidence),
        burst_length=mean_burst(seen.bad, seen.bursts),
        bursts=seen.bursts,
        effective=min(effective_trials(one) for one in (seen, *worst[:1])),
        certain=upper_of(seen, max(confidence, OVERWHELMING)),
        clump_length=float(clump_length(seen.bad, seen.bursts, (*worst, seen)[0].bursts)),
    )


def tally(bad: Flags, *, unplaced: int = 0, unplaced_bad: bool = False) -> Tally:
    """Count bad trials, their bursts (runs without a good one between) and how much the lengths vary."""
    return _tally(len(bad) + unplaced, *_lengths(bad, unplaced, unplaced_bad))


def _both(bad: Flags, unplaced: int = 0, unplaced_bad: bool = False) -> tuple[Tally, Tally]:
    """Return the tally of bursts, and that in which those that hang together are one."""
    trials = len(bad) + unplaced
    lengths, gaps = _lengths(bad, unplaced, unplaced_bad)
    seen, joined = _tally(trials, lengths, gaps), hang_together(trials, lengths, gaps)
    return seen, seen if len(joined[0]) == len(lengths) else _tally(trials, *joined)


def _lengths(bad: Flags, unplaced: int, unplaced_bad: bool) -> tuple[Counts, Counts]:
    """Return the lengths of bursts, and of the gaps between them."""
    after = np.full(unplaced, unplaced_bad, dtype=np.bool_)
    padded = np.concatenate(([False], bad, after, [False]))
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    starts, ends = edges[::2], edges[1::2]
    return ends - starts, starts[1:] - ends[:-1]


def _tally(trials: int, lengths: Counts, gaps: Counts) -> Tally:
    return Tally(
        trials=trials,
        bad=int(lengths.sum()),
        bursts=len(lengths),
        spread=float(spread(len(lengths), lengths.sum(), (lengths**2).sum())),
        gap_spread=float(spread(len(gaps), gaps.sum(), (gaps**2).sum())),
    )


def hang_together(trials: int, lengths: Counts, gaps: Counts) -> tuple[Counts, Counts]:
    """Return the bad ones in each clump of bursts, and the gaps between clumps.

    In a two-state chain gaps are geometric. More gaps under 1 / `NEAR` of their mean than chance explains
    (binomial, at most `BY_CHANCE`) mean a state that loses only some trials: the bursts on both sides of such
    a gap are one clump. Then the same is asked of the clumps. RFC 3611 section 4.7.2 joins losses to bursts
    likewise, by a fixed gap of 16 packets.
    """
    while (near := _near(trials - int(lengths.sum()), gaps)) > 0:
        far = gaps > near
        lengths = np.add.reduceat(lengths, np.flatnonzero(np.concatenate(([True], far))))
        gaps = gaps[far]
    return lengths, gaps


def _near(good: int, gaps: Counts) -> int:
    """Return the longest gap that does not part clumps; 0 if chance explains the short gaps."""
    from scipy.special import bdtrc

    mean = good / (len(gaps) + 1)
    for part in NEAR:
        near = int(mean / part)
        short = int(np.count_nonzero(gaps <= near)) if near else 0
        if short and bdtrc(short - 1, len(gaps), -math.expm1(near * math.log1p(-1 / mean))) <= BY_CHANCE:
            return near
    return 0


def spread(count: Any, total: Any, squares: Any) -> Reals:
    """Return by how much lengths vary more than geometric ones of the same mean; at least 1.

    Variance seen over mean (mean - 1), both as if one more length of `ASSUMED_BURST` had been seen, less
    one standard deviation of that ratio under the chain, sqrt(8 / count): what chance alone explains does
    not widen the limits. Element by element; `squares` is the sum of squared lengths.
    """
    n, length, square = (np.asarray(each, dtype=np.float64) for each in (count, total, squares))
    mean = length / np.maximum(n, 1)
    prior = ASSUMED_BURST * (ASSUMED_BURST - 1)
    ratio = (square - n * mean**2 + prior) / (n * np.maximum(0.0, mean * (mean - 1)) + prior)
    return np.maximum(1.0, ratio - np.sqrt(_CHANCE / np.maximum(n, 1)))


def mean_burst(bad: Any, bursts: Any) -> Any:
    """Return the mean length of a burst, drawn to `ASSUMED_BURST` as by one more burst of that length."""
    return (bad + ASSUMED_BURST) / (bursts + 1)


def clump_length(bad: Any, bursts: Any, clumps: Any) -> Any:
    """Return the number of bad ones in a clump of bursts that a pass must reckon with.

    `LONG_BURST` more than the mean seen, where bursts hang together: how long fades last tell only many.
    """
    return np.where(clumps < bursts, LONG_BURST + bad / np.maximum(clumps, 1), mean_burst(bad, bursts))


def bursts_expected(trials: Any, bad_share: float, burst_length: Any) -> Any:
    """Return how many bursts of `burst_length` trials make up `bad_share` of `trials`."""
    return trials * bad_share / burst_length


def reached(limits: ShareLimits, trials: int, at_least: float) -> bool | None:
    """Return whether the share of good trials reaches `at_least`; None if the data leave it open.

    Yes: the lower limit reaches it, and `FEWEST_BURSTS` would be expected there, of the length seen (see
    `clump_length`) but no shorter than `ASSUMED_BURST`. With no burst seen, a link exactly there
    would pass with probability exp(-30 / b) if its bursts had a mean of b: 5 % for b = 10, less below.
    No: the upper limit is under it, and as many bursts of the length seen would be expected there, or the
    shortfall is overwhelming (`ShareLimits.certain`).
    """
    ends = limits.lower, limits.upper, limits.certain
    passed, failed = decide(ends, trials, limits.burst_length, at_least, limits.clump_length)
    return True if passed else False if failed else None


def decide(
    ends: tuple[Any, Any, Any], trials: Any, burst_length: Any, at_least: float, clump_length: Any = 0.0
) -> tuple[Any, Any]:
    """Return whether the share is reached, and whether it is missed, element by element; see `reached`.

    `ends` are the lower limit, the upper limit and the certain one.
    """
    lower, upper, certain = ends
    need = FEWEST_BURSTS * (1 - 1e-9)  # 1 - 0.98 is not quite 0.02
    clump = np.maximum(ASSUMED_BURST, np.maximum(burst_length, clump_length))
    rare = bursts_expected(trials, 1 - at_least, clump) < need
    few = bursts_expected(trials, 1 - at_least, burst_length) < need
    enough = (lower >= at_least) & np.logical_not(rare)
    return enough, (upper < at_least) & (np.logical_not(few) | (certain < at_least))


def trials_to_settle(
    seen: Tally, at_least: float, confidence: float, *, worst: tuple[Tally, ...] = ()
) -> int | None:
    """Return about how many trials in all would settle whether the share of good ones reaches `at_least`.

    Assumes that further trials go as those so far, the unknown ones among them: `seen` and `worst` are those
    of `tallies`. None if more than 10**9 would be needed.
    """
    if at_least >= 1 or at_least <= 0 or not seen.trials:
        return None
    low, high = seen.trials, MAX_SAMPLES
    for _ in range(4):
        totals = np.unique(np.geomspace(low, high, _CANDIDATES).astype(np.int64))
        settled = np.flatnonzero(_settled(seen, worst or (seen,), totals, at_least, confidence))
        if not len(settled):
            return None
        first = int(settled[0])
        low, high = int(totals[max(0, first - 1)]), int(totals[first])
    return high


def _settled(
    seen: Tally, worst: tuple[Tally, ...], totals: Counts, at_least: float, confidence: float
) -> Flags:
    """Return whether each of `totals` trials like those seen would settle it; counts are whole numbers."""
    best = _grown(seen, totals / seen.trials)
    grown = [_grown(one, totals / seen.trials) for one in worst]
    lower = np.min([lower_limit(*one[:3], confidence, *one[3:]) for one in grown], axis=0)
    upper = upper_limit(*best[:3], confidence, *best[3:])
    certain = certain_limit(*best[:3], confidence, *best[3:])
    clump = clump_length(*best[1:3], grown[0][2])
    passed, failed = decide((lower, upper, certain), totals, mean_burst(*best[1:3]), at_least, clump)
    settled: Flags = passed | failed
    return settled


def _grown(one: Tally, times: Reals) -> tuple[Reals, Reals, Reals, float, float]:
    """Return trials, bad ones, bursts and both spreads of so many times a tally."""
    trials, bad, bursts = (np.rint(count * times) for count in (one.trials, one.bad, one.bursts))
    return trials, bad, bursts, one.spread, one.gap_spread


def effective_trials(seen: Tally) -> float:
    """Return how many independent trials would tell as much, at most as many as there are.

    trials (g + r) / ((1 - r) spread + (1 - g) gap_spread), from the variance of a share in alternating
    runs; for a two-state chain trials (1 - rho) / (1 + rho) with rho = 1 - g - r the correlation of
    neighbours. Source: variance of a mean under correlation rho**k, standard; compare Klotz 1973 (cited
    from memory).
    """
    r = 1 / mean_burst(seen.bad, seen.bursts)
    g = min(1.0, seen.bursts / max(1, seen.trials - seen.bad))
    varied = (1 - r) * seen.spread + (1 - g) * seen.gap_spread
    return seen.trials * min(1.0, (g + r) / varied) if varied > 0 else float(seen.trials)


def lower_of(worst: tuple[Tally, ...], confidence: float) -> float:
    """Return the lower limit alone of `limits_of`."""
    return min(_lower(one, confidence) for one in worst)


@lru_cache(maxsize=4096)
def _lower(one: Tally, confidence: float) -> float:
    return float(lower_limit(one.trials, one.bad, one.bursts, confidence, one.spread, one.gap_spread))


@lru_cache(maxsize=4096)
def upper_of(one: Tally, confidence: float) -> float:
    """Return the upper limit alone of `limits_of`."""
    return float(upper_limit(one.trials, one.bad, one.bursts, confidence, one.spread, one.gap_spread))


def certain_limit(
    trials: Any, bad: Any, bursts: Any, confidence: float, spread: Any = 1.0, gap_spread: Any = 1.0
) -> Reals:
    """Return the upper limit of the share of good trials at `OVERWHELMING` confidence, or more if asked for.

    See `limits`.
    """
    return upper_limit(trials, bad, bursts, max(confidence, OVERWHELMING), spread, gap_spread)


def _least_if_long(n: Reals, lost: Reals, runs: Reals, confidence: float) -> Reals:
    """Return the lower limit if the mean length of a burst is `LONG_BURST` more than that seen.

    Bursts come as a Poisson process, their number K in L bad trials is Binomial(L, 1 / mean), and the number
    expected is then Gamma(K + 1); here a gamma distribution with the mean and variance of that mixture,
    which is exact for no bad trial: 1 - mean ln(1 / (1 - confidence)) / n.
    """
    from scipy.special import gammaincinv

    mean = LONG_BURST + lost / runs
    centre = 1 + lost / mean
    variance = 1 + lost / mean * (2 - 1 / mean)
    most = mean * variance / centre * gammaincinv(centre**2 / variance, confidence)
    return np.asarray(np.maximum(0.0, 1 - most / np.maximum(n, 1)), dtype=np.float64)


def _most_if_long(n: Reals, lost: Reals, confidence: float) -> Reals:
    """Return the upper limit at `OVERWHELMING` confidence or more if bursts have a mean of `LONG_BURST`.

    Bursts of mean b inflate the variance of a share by 2 b - 1: so many fewer independent trials.
    """
    from scipy.special import betaincinv

    factor = 2 * LONG_BURST - 1
    bad, good = np.maximum(lost, 1e-3) / factor, (n - lost) / factor
    least = np.asarray(betaincinv(bad, good + 1, 1 - max(confidence, OVERWHELMING)), dtype=np.float64)
    return 1 - least


def limits(
    trials: Any, bad: Any, bursts: Any, confidence: float, spread: Any = 1.0, gap_spread: Any = 1.0
) -> tuple[Reals, Reals]:
    """Return the one-sided lower and upper limits of the share of good trials, element by element.

    With G good and L bad trials in B bursts, the lower limit is a quantile of r / (g + r) where g ~
    Beta(B + 1, G - B) and r ~ Beta(B, L - B + 1): the distributions whose quantiles are the exact
    (Clopper-Pearson) limits of g and r. The upper limit is the same with good and bad exchanged. A spread
    divides the counts behind the lengths concerned. With fewer than `FEWEST_BURSTS` seen, what they leave
    open is limited by an assumption: bursts of a mean of `LONG_BURST` more than that seen. Then the
    lower limit is at least the one that such bursts give, and the upper at most what they give at
    `OVERWHELMING` confidence or more. Assumes that lengths of bursts and gaps are independent, and that the
    link stays as it is.
    Source: generalised (fiducial) limits, Weerahandi 1993 (cited from memory), for the two-state chain.
    """
    lower = lower_limit(trials, bad, bursts, confidence, spread, gap_spread)
    return lower, upper_limit(trials, bad, bursts, confidence, spread, gap_spread)


def lower_limit(
    trials: Any, bad: Any, bursts: Any, confidence: float, spread: Any = 1.0, gap_spread: Any = 1.0
) -> Reals:
    """Return the one-sided lower limit of the share of good trials, element by element; see `limits`."""
    n, lost, runs, wide, gap_wide = _counts(trials, bad, bursts, spread, gap_spread)
    good = n - lost
    lower = np.zeros(n.shape)
    if (mixed := (lost > 0) & (good > 0)).any():
        lower = np.where(mixed, 1 - _share_above(runs, good, lost, gap_wide, wide, confidence), lower)
    if (few := runs < FEWEST_BURSTS).any():
        lower = np.where(few, np.maximum(lower, _least_if_long(n, lost, runs, confidence)), lower)
    return np.where(n <= 0, 0.0, lower)


def upper_limit(
    trials: Any, bad: Any, bursts: Any, confidence: float, spread: Any = 1.0, gap_spread: Any = 1.0
) -> Reals:
    """Return the one-sided upper limit of the share of good trials, element by element; see `limits`."""
    n, lost, runs, wide, gap_wide = _counts(trials, bad, bursts, spread, gap_spread)
    good = n - lost
    upper = np.ones(n.shape)
    if (mixed := (lost > 0) & (good > 0)).any():
        upper = np.where(mixed, _share_above(runs, lost, good, wide, gap_wide, confidence), upper)
    if (few := runs < FEWEST_BURSTS).any():
        upper = np.where(few, np.minimum(upper, _most_if_long(n, lost, confidence)), upper)
    return np.where((n <= 0) | (lost <= 0), 1.0, upper)


def _counts(trials: Any, bad: Any, bursts: Any, spread: Any, gap_spread: Any) -> list[Reals]:
    """Return all as arrays of one shape; there is at least one burst, and no more than good or bad trials."""
    given = (np.asarray(each, np.float64) for each in (trials, bad, bursts, spread, gap_spread))
    n, lost, runs, wide, gap_wide = np.broadcast_arrays(*given)
    runs = np.maximum(np.minimum(runs, np.minimum(lost, n - lost)), 1.0)
    return [n, lost, runs, wide, gap_wide]


def _share_above(
    runs: Reals, outside: Reals, inside: Reals, out_spread: Reals, in_spread: Reals, confidence: float
) -> Reals:
    """Return the upper limit of the share of a state that `inside` trials in `runs` were in."""
    enter = runs / out_spread + 1, np.maximum(outside - runs, 0.0) / out_spread
    leave = runs / in_spread, np.maximum(inside - runs, 0.0) / in_spread + 1
    odds: Reals = np.exp(log_ratio_quantile(*enter, *leave, confidence))
    return odds / (1 + odds)

"""How large is a percentile, surely? Limits that assume no distribution and hold under bursts.

That a percentile is at most x means that at least this share of the samples is at most x: a question about a
share, answered by `harness.stats.bursts`. The limits of the percentile are where the answer turns.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from harness.measure.arrays import Flags, Ints
from harness.measure.clockmap import RESOLUTION_NS
from harness.measure.delivery import LOST_NS
from harness.stats.binomial import quantile_rank_lower, quantile_rank_upper
from harness.stats.bursts import (
    ShareLimits,
    effective_trials,
    reached,
    share_limits,
    tally,
    trials_to_settle,
)


@dataclass(frozen=True, slots=True)
class Samples:
    """Time-ordered times in ns, each known to lie from `low_ns` to `high_ns`; `LOST_NS` is infinite.

    Equal ends are a known time, 0 and `LOST_NS` an unknown one. `unplaced` counts further unknown ones.
    """

    low_ns: Ints
    high_ns: Ints
    unplaced: int = 0

    def __len__(self) -> int:
        return len(self.low_ns) + self.unplaced

    @property
    def known_ns(self) -> Ints:
        """The known times, in their order; one of which only the least is known counts as that."""
        known: Ints = self.low_ns[self._told]
        return known

    @property
    def unknown(self) -> int:
        """How many are not known."""
        return int((~self._told).sum()) + self.unplaced

    @property
    def _told(self) -> Flags:
        told: Flags = (self.low_ns == self.high_ns) | (self.low_ns > 0)
        return told

    def within(self, limit_ns: int, confidence: float) -> ShareLimits:
        """Return the limits of the share of samples that are at most `limit_ns`."""
        bad = self.low_ns > limit_ns
        unknown = (self.high_ns > limit_ns) & ~bad
        some = unknown if unknown.any() else None
        return share_limits(bad, confidence, unknown=some, unplaced=self.unplaced)

    def needed(self, limit_ns: int, share: float, confidence: float, bound_ns: int = 0) -> int | None:
        """Return how many more samples would show whether `share` of them is within a limit.

        None if no number would: also where it is the uncertainty `bound_ns` that leaves it open.
        """
        known = self.known_ns
        allowed = (1 - share) * len(known)
        slow, slower = known > limit_ns - bound_ns, known > limit_ns + bound_ns
        if not slow.sum() < allowed and not slower.sum() > allowed:
            return None
        total = trials_to_settle(tally(slow if slow.sum() < allowed else slower), share, confidence)
        return None if total is None or total <= len(self) else total - len(self)


@dataclass(frozen=True, slots=True)
class Percentile:
    """Whether a percentile keeps a limit, and its one-sided limits in ns.

    `kept` is None where the samples leave it open. `lower_ns` is 0 and `upper_ns` is `LOST_NS` where they
    tell no limit. `share` tells of the share of samples within the limit less the uncertainty.
    """

    kept: bool | None
    lower_ns: int
    upper_ns: int
    share: ShareLimits


def judge_percentile(
    samples: Samples, percentile: float, confidence: float, limit_ns: int, bound_ns: int
) -> Percentile:
    """Return whether `percentile` of samples, any of which may be `bound_ns` out, is at most `limit_ns`.

    Kept: the share of samples at most `limit_ns` - `bound_ns` surely reaches the percentile. Not kept: the
    share at most `limit_ns` + `bound_ns` surely does not. Surely is what `harness.stats.bursts.reached` says.
    The upper limit of the percentile is the smallest sample x for which the share within x reaches the
    percentile at its own lower limit, the lower limit the smallest one for which it may at its upper limit,
    both to 1 us: order statistics that lie on the same side of the limit as the share of the percentile.
    """
    ends = np.sort(np.concatenate((samples.low_ns, samples.high_ns)))
    values = np.concatenate(([0], np.maximum(ends, 0), [LOST_NS]))
    good, bad = (samples.within(limit_ns + off, confidence) for off in (-bound_ns, bound_ns))
    kept = reached(good, len(samples), percentile) is True
    missed = reached(bad, len(samples), percentile) is False

    def reaches(time_ns: int) -> float:
        return samples.within(time_ns, confidence).lower - percentile

    def may_reach(time_ns: int) -> float:
        return samples.within(time_ns, confidence).upper - percentile

    lower = _turn(values, may_reach, limit_ns + bound_ns, bad.upper - percentile)
    upper = _turn(values, reaches, limit_ns - bound_ns, good.lower - percentile)
    return Percentile(
        kept=True if kept else False if missed else None, lower_ns=lower[0], upper_ns=upper[1], share=good
    )


def _turn(values: Ints, gain: Callable[[int], float], known_ns: int, known: float) -> tuple[int, int]:
    """Return two sorted values at most 1 us apart between which `gain` turns from below 0 to 0 or more.

    The second is the smallest value found to have a gain; the first is the one before it, or itself where
    that is the neighbour. The gain is `known` at one time. It grows by about 1 / count with each value, which
    tells where to look next; where that does not help, halves of what is left are tried.
    """
    low, high = 0, len(values) - 1
    place, found = int(np.searchsorted(values, known_ns, side="right")) - 1, known
    for turn in range(2 * len(values).bit_length() + 4):
        if place >= 0 and found >= 0:
            high = int(np.searchsorted(values, values[place], side="left"))
        elif place >= 0:
            low = int(np.searchsorted(values, values[place], side="right"))
        if low >= high or values[high] - values[low] <= RESOLUTION_NS:
            break
        step = -found * len(values)
        aim = place + int(step) + (1 if step > 0 else -1)
        newton = turn < 8 and low <= aim < high
        place = aim if newton else (low + high) // 2
        found = gain(int(values[place]))
    return int(values[min(low, high)]), int(values[high])


def effective_limits(
    samples: Samples, percentiles: Sequence[float], confidence: float
) -> list[tuple[int, int]]:
    """Return one-sided limits of percentiles as order statistics of the number of samples that count.

    That is how many independent ones would tell as much about the share beyond each percentile (see
    `harness.stats.bursts.ShareLimits.effective`): one look in place of the search of `judge_percentile`, good
    enough for a table. Unknown samples count as the best for the lower limit, as the worst for the upper.
    """
    low, total = np.sort(samples.low_ns), len(samples)
    high = low if (samples.low_ns == samples.high_ns).all() else np.sort(samples.high_ns)
    if not len(low):
        return [(0, LOST_NS)] * len(percentiles)
    limits = []
    for share in percentiles:
        beyond = int(low[min(len(low) - 1, int(share * len(low)))]) - 1
        counts = max(1, int(effective_trials(tally(samples.low_ns > beyond))))
        below = quantile_rank_lower(counts, share, confidence) * total // counts - samples.unplaced
        above = -(-quantile_rank_upper(counts, share, confidence) * total // counts)
        lower = int(low[below - 1]) if below >= 1 else 0
        limits.append((lower, int(high[above - 1]) if above <= len(high) else LOST_NS))
    return limits

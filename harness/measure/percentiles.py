"""How large is a percentile, surely? Limits that assume no distribution and hold under bursts.

That a percentile is at most x means that at least this share of the samples is at most x: a question about a
share, answered by `harness.stats.bursts`. The limits of the percentile are where the answer turns.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from harness.measure.arrays import Flags, Ints
from harness.measure.clockmap import RESOLUTION_NS
from harness.measure.delivery import LOST_NS
from harness.stats.bursts import (
    ShareLimits,
    Tally,
    limits_of,
    lower_of,
    reached,
    tallies,
    tally,
    trials_to_settle,
    upper_of,
    worst_tallies,
)

LOOKS: Final = 8
"""Values at most that `percentile_limits` tries on each side of a percentile."""
_FARTHER: Final = 1.1
"""It goes so many times as far as the last look misses by, rather than look once more."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Time-ordered times in ns, each known to lie from `low_ns` to `high_ns`; `LOST_NS` is infinite.

    Equal ends are a known time, 0 and `LOST_NS` an unknown one. `unplaced` counts further unknown ones.
    """

    low_ns: Ints
    high_ns: Ints
    unplaced: int = 0
    _ordered: list[Ints] = field(default_factory=list, init=False, compare=False, repr=False)

    def __len__(self) -> int:
        return len(self.low_ns) + self.unplaced

    @property
    def known_ns(self) -> Ints:
        """The known times, in their order; one of which only the least is known counts as that."""
        known: Ints = self.low_ns[self._told]
        return known

    @property
    def ordered_ns(self) -> Ints:
        """The known times in ascending order, sorted once."""
        if not self._ordered:
            self._ordered.append(np.sort(self.known_ns))
        return self._ordered[0]

    @property
    def unknown(self) -> int:
        """How many are not known."""
        return int((~self._told).sum()) + self.unplaced

    @property
    def _told(self) -> Flags:
        told: Flags = (self.low_ns == self.high_ns) | (self.low_ns > 0)
        return told

    @property
    def ends_ns(self) -> Ints:
        """The least and the most of every time, all in order."""
        if (self.low_ns == self.high_ns).all():
            return np.repeat(self.ordered_ns, 2)
        return np.sort(np.concatenate((self.low_ns, self.high_ns)))

    def within(self, limit_ns: int, confidence: float) -> ShareLimits:
        """Return the limits of the share of samples that are at most `limit_ns`."""
        seen, worst = self._tallies(limit_ns)
        return limits_of(seen, confidence, worst=worst)

    def surely_within(self, limit_ns: int, confidence: float) -> float:
        """Return the lower limit alone of the share that `within` tells of."""
        bad, unknown = self._beyond(limit_ns)
        return lower_of(worst_tallies(bad, unknown=unknown, unplaced=self.unplaced), confidence)

    def perhaps_within(self, limit_ns: int, confidence: float) -> float:
        """Return the upper limit alone of the share that `within` tells of."""
        return upper_of(tally(self.low_ns > limit_ns, unplaced=self.unplaced), confidence)

    def _tallies(self, limit_ns: int) -> tuple[Tally, tuple[Tally, ...]]:
        bad, unknown = self._beyond(limit_ns)
        return tallies(bad, unknown=unknown, unplaced=self.unplaced)

    def _beyond(self, limit_ns: int) -> tuple[Flags, Flags]:
        """Return which are more than the limit, and which may be or not."""
        bad = self.low_ns > limit_ns
        return bad, (self.high_ns > limit_ns) & ~bad

    def needed(self, limit_ns: int, share: float, confidence: float, bound_ns: int = 0) -> int | None:
        """Return how many more samples would show whether `share` of them is within a limit.

        None if no number would: also where it is the uncertainty `bound_ns` or unknown samples that leave it
        open.
        """
        known = self.known_ns
        allowed = (1 - share) * len(known)
        slow, slower = known > limit_ns - bound_ns, known > limit_ns + bound_ns
        if not slow.sum() < allowed and not slower.sum() > allowed:
            return None
        seen, worst = self._tallies(limit_ns - bound_ns if slow.sum() < allowed else limit_ns + bound_ns)
        total = trials_to_settle(seen, share, confidence, worst=worst)
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
    values = np.concatenate(([0], np.maximum(samples.ends_ns, 0), [LOST_NS]))
    good, bad = (samples.within(limit_ns + off, confidence) for off in (-bound_ns, bound_ns))
    kept = reached(good, len(samples), percentile) is True
    missed = reached(bad, len(samples), percentile) is False

    def reaches(time_ns: int) -> float:
        return samples.surely_within(time_ns, confidence) - percentile

    def may_reach(time_ns: int) -> float:
        return samples.perhaps_within(time_ns, confidence) - percentile

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


def percentile_limits(
    samples: Samples, percentiles: Sequence[float], confidence: float
) -> list[tuple[int, int]]:
    """Return one-sided limits in ns of several percentiles, for a table.

    The same as those of `judge_percentile`, from a few looks in place of a search: the upper limit is the
    smallest value looked at whose share of samples within reaches the percentile at its own lower limit, and
    no percentile is as low as the largest value whose share does not at its upper limit. All percentiles
    share the looks, so a higher one never has a lower limit. (0, `LOST_NS`) where the samples tell none.
    """
    told = bool((samples.low_ns == samples.high_ns).all())
    low, high = (samples.ordered_ns,) * 2 if told else (np.sort(samples.low_ns), np.sort(samples.high_ns))
    if not len(low):
        return [(0, LOST_NS)] * len(percentiles)
    looks: dict[int, ShareLimits] = {}

    def look(time_ns: int) -> ShareLimits:
        if time_ns not in looks:
            looks[time_ns] = samples.within(time_ns, confidence)
        return looks[time_ns]

    for share in percentiles:
        start = min(len(low) - 1, int(share * len(samples)))
        _look_above(high, start, share, look)
        _look_below(low, start, share, look)
    return [_told(low, looks, share) for share in percentiles]


def _told(low: Ints, looks: dict[int, ShareLimits], share: float) -> tuple[int, int]:
    """Return what all looks together tell of one percentile."""
    under = [time_ns for time_ns, found in looks.items() if found.upper < share]
    above = [time_ns for time_ns, found in looks.items() if found.lower >= share]
    after = int(np.searchsorted(low, max(under), side="right")) if under else len(low)
    return int(low[after]) if after < len(low) else 0, min(above, default=LOST_NS)


def _look_above(values: Ints, place: int, share: float, look: Callable[[int], ShareLimits]) -> None:
    """Look at sorted values from `place` on upwards until the share within surely reaches `share`."""
    for _ in range(LOOKS):
        short = share - look(int(values[place])).lower
        after = int(np.searchsorted(values, values[place], side="right"))
        if short <= 0 or after >= len(values):
            return
        aim = place + int(_FARTHER * short * len(values)) + 1
        place = max(after, aim if aim < len(values) else (place + len(values)) // 2)


def _look_below(values: Ints, place: int, share: float, look: Callable[[int], ShareLimits]) -> None:
    """Look at sorted values below the one at `place` downwards until the share surely does not reach it."""
    place = int(np.searchsorted(values, values[place], side="left")) - 1
    for _ in range(LOOKS):
        time_ns = int(values[place]) if place >= 0 else int(values[0]) - 1
        over = look(time_ns).upper - share
        if over < 0 or place < 0:
            return
        before = int(np.searchsorted(values, time_ns, side="left")) - 1
        aim = place - int(_FARTHER * over * len(values)) - 1
        place = min(before, aim if aim >= 0 else place // 2 - 1)

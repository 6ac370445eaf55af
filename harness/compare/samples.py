"""What does one side show of a figure? Its samples, what they come to, and how far two sides surely differ.

Every kind of figure is a small class with the same few words (`Sample`). Several runs of a side are pooled;
`harness.compare.between` then allows for how much runs differ from each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Protocol, Self

import numpy as np

from harness.clock import MS, S
from harness.measure.age import AgePieces, mean_age_limits_ns, mean_age_ns
from harness.measure.arrays import Flags, Floats, Ints
from harness.measure.delivery import LOST_NS
from harness.measure.latency import delay_percentile
from harness.measure.percentiles import Samples
from harness.stats.binomial import clopper_pearson_lower, clopper_pearson_upper
from harness.stats.bursts import FEWEST_BURSTS, Tally, effective_trials, lower_of, tallies, upper_of
from harness.stats.difference import Limited, difference_limits, shift_limits, worst_case_limits

USUAL: Final = 0.95
_Z_USUAL: Final = 1.6448536269514722
"""Normal quantile at 95 %."""
FEW_BLOCKS: Final = 5
"""Fewer blocks than this tell nothing of their scatter."""
_LOOKS: Final = (
    0.0, 0.02, 0.04, 0.08, 0.12, 0.18, 0.25, 0.35, 0.5, 0.7, 0.85,
    1.0, 1.5, 2.5, 4.0, 8.0, 16.0, 32.0, 64.0, 99.0,
)  # fmt: skip
"""Where a percentile's limits are looked for: so many parts of the share beyond it away."""


class Sample(Protocol):
    """What one side, or one run, shows of a figure; times in ms, shares in per cent.

    `count` is how many samples there are, `bound` how far all of them together may be out (clocks), and
    `location` with `error`, its standard error, says where one run lies beside others.
    """

    @property
    def value(self) -> float:
        """The estimate."""

    @property
    def count(self) -> int:
        """How many samples there are."""

    @property
    def bound(self) -> float:
        """How far all of them together may be out."""

    @property
    def location(self) -> float:
        """Where a run lies beside others."""

    @property
    def error(self) -> float:
        """The standard error of the location."""

    @classmethod
    def pooled(cls, parts: Sequence[Any]) -> Self:
        """Put runs of one side together."""

    def beyond(self, base: Any, confidence: float) -> tuple[float, float]:
        """Return one-sided limits of this less the base, clocks left aside."""


class Estimated:
    """A sample that has limits of its own, so that differences come by square-and-add."""

    @property
    def value(self) -> float:
        """The estimate."""
        return self.limited(USUAL).value

    @property
    def location(self) -> float:
        """The estimate too."""
        return self.value

    @property
    def error(self) -> float:
        """The standard error that the limits amount to; infinite where one of them is open."""
        found = self.limited(USUAL)
        return (found.high - found.low) / (2 * _Z_USUAL)

    def beyond(self, base: Self, confidence: float) -> tuple[float, float]:
        """Return limits of this less the base."""
        return difference_limits(base.limited(confidence), self.limited(confidence))

    def limited(self, confidence: float) -> Limited:
        """Return the estimate with one-sided limits."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True, eq=False)
class Share(Estimated):
    """Time-ordered packets of which some are `bad`; `unknown` ones, and `unplaced` further, may be."""

    bad: Flags
    unknown: Flags
    unplaced: int = 0
    bound: float = 0.0

    @property
    def count(self) -> int:
        """Packets."""
        return len(self.bad) + self.unplaced

    def limited(self, confidence: float) -> Limited:
        """Return the share of good ones in per cent; limits hold when bad ones come in bursts."""
        unknown = self.unknown if self.unknown.any() else None
        seen, worst = tallies(self.bad, unknown=unknown, unplaced=self.unplaced)
        known = self.count - int(self.unknown.sum()) - self.unplaced
        good = (known - int(self.bad.sum())) / known if known else math.nan
        upper = max(upper_of(seen, confidence), _most_good(seen, confidence))
        return Limited(100 * good, 100 * lower_of(worst, confidence), 100 * upper)

    @classmethod
    def pooled(cls, parts: Sequence[Self]) -> Self:
        """Put runs one behind the other."""
        return cls(
            np.concatenate([part.bad for part in parts]),
            np.concatenate([part.unknown for part in parts]),
            sum(part.unplaced for part in parts),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Quantile(Estimated):
    """A percentile of times that came to an end, by order statistics that hold for slow ones in bursts."""

    samples: Samples
    share: float
    bound: float
    memo: dict[int, tuple[int, float, float]] = field(default_factory=dict, init=False, repr=False)
    ordered: dict[bool, Ints] = field(default_factory=dict, init=False, repr=False)

    @property
    def count(self) -> int:
        """Times."""
        return len(self.samples)

    @property
    def value(self) -> float:
        """The percentile in ms."""
        found = delay_percentile(self.samples.ordered_ns, self.share)
        return math.nan if found is None else _ms(found)

    def limited(self, confidence: float) -> Limited:
        """Return the percentile in ms with order statistics as limits, infinite where there is none.

        The upper limit is the least time looked at of which the share within surely reaches the percentile,
        the lower one the greatest whose share surely does not: exact binomial limits for as many independent
        times as tell as much (`effective_trials`), bursts that hang together taken as one. A time of which
        only bounds are known counts as its least for the lower limit and as its most for the upper.
        """
        value = self.value
        if math.isnan(value):
            return Limited(math.nan, -math.inf, math.inf)
        low, high = -math.inf, math.inf
        for place in range(len(_LOOKS)):
            time_ns, within, effective = self._look(place, above=True)
            if clopper_pearson_lower(within * effective, effective, confidence) >= self.share:
                high = _ms(time_ns)
                break
        for place in range(len(_LOOKS)):
            time_ns, within, effective = self._look(place, above=False)
            if clopper_pearson_upper(within * effective, effective, confidence) < self.share:
                low = _ms(time_ns)
                break
        return Limited(value, min(value, low), max(value, high))

    def _look(self, place: int, *, above: bool) -> tuple[int, float, float]:
        """Return a time above or below the percentile, the share within it, and how many times tell it."""
        key = place if above else -1 - place
        if key not in self.memo:
            samples, sign = self.samples, 1 if above else -1
            times = samples.high_ns if above else samples.low_ns
            if above not in self.ordered:
                told = samples.high_ns is samples.low_ns
                self.ordered[above] = samples.ordered_ns if told else np.sort(times)
            ordered = self.ordered[above]
            share = self.share + sign * _LOOKS[place] * (1 - self.share)
            last = len(ordered) - 1
            time_ns = int(ordered[max(0, min(last, round(share * last)))])
            beyond = times > time_ns if above else times >= time_ns
            within = len(times) - int(beyond.sum()) + (0 if above else samples.unplaced)
            seen, worst = tallies(beyond)
            effective = min(map(effective_trials, (seen, *worst)))
            self.memo[key] = time_ns, within / len(samples), effective
        return self.memo[key]

    @classmethod
    def pooled(cls, parts: Sequence[Self]) -> Self:
        """Put runs one behind the other."""
        every = [part.samples for part in parts]
        samples = Samples(
            np.concatenate([one.low_ns for one in every]),
            np.concatenate([one.high_ns for one in every]),
            sum(one.unplaced for one in every),
        )
        return cls(samples, parts[0].share, max(part.bound for part in parts))


@dataclass(frozen=True, slots=True, eq=False)
class Spread(Estimated):
    """How far a percentile is above the median: what clocks leave open cancels."""

    upper: Quantile
    middle: Quantile
    bound: float = 0.0

    @property
    def count(self) -> int:
        """Times."""
        return self.upper.count

    @property
    def value(self) -> float:
        """The difference in ms."""
        return self.upper.value - self.middle.value

    def limited(self, confidence: float) -> Limited:
        """Return percentile less median in ms; the median's limits are put in by square-and-add."""
        low, high = difference_limits(self.middle.limited(confidence), self.upper.limited(confidence))
        return Limited(self.value, low, high)

    @classmethod
    def pooled(cls, parts: Sequence[Self]) -> Self:
        """Put runs one behind the other."""
        return cls(
            Quantile.pooled([part.upper for part in parts]), Quantile.pooled([part.middle for part in parts])
        )


@dataclass(frozen=True, slots=True, eq=False)
class MeanAge(Estimated):
    """The time average of the control age."""

    pieces: AgePieces
    period_ns: int

    @property
    def count(self) -> int:
        """Applied sets."""
        return len(self.pieces)

    @property
    def bound(self) -> float:
        """What the clocks leave open, in ms."""
        return self.pieces.bound_ns / MS

    @property
    def value(self) -> float:
        """The mean in ms."""
        found = mean_age_ns(self.pieces)
        return math.nan if found is None else found / MS

    def limited(self, confidence: float) -> Limited:
        """Return the mean in ms, with limits that allow for losses in bursts and not for the clocks."""
        found = mean_age_limits_ns(self.pieces, self.period_ns, confidence)
        if found is None:
            return Limited(math.nan, -math.inf, math.inf)
        bound = self.pieces.bound_ns
        return Limited(self.value, (found[0] + bound) / MS, (found[1] - bound) / MS)

    @classmethod
    def pooled(cls, parts: Sequence[Self]) -> Self:
        """Put runs one behind the other, with a gap between that no age spans."""
        every = [part.pieces for part in parts]
        shifts = np.cumsum([0, *(int(one.end_ns.max(initial=0)) + S for one in every[:-1])]).tolist()

        def moved(name: str) -> Ints:
            return np.concatenate(
                [getattr(one, name) + shift for one, shift in zip(every, shifts, strict=True)]
            )

        pieces = AgePieces(
            start_ns=moved("start_ns"),
            end_ns=moved("end_ns"),
            sampled_ns=moved("sampled_ns"),
            peak=np.concatenate([one.peak for one in every]),
            doubtful=np.concatenate([one.doubtful for one in every]),
            bound_ns=max(one.bound_ns for one in every),
        )
        return cls(pieces, parts[0].period_ns)


@dataclass(frozen=True, slots=True, eq=False)
class Mean(Estimated):
    """A mean over blocks of link time: what hangs together within a block does no harm (batch means)."""

    blocks: Floats
    packets: int
    bound: float = 0.0

    @property
    def count(self) -> int:
        """Packets behind the blocks."""
        return self.packets

    def limited(self, confidence: float) -> Limited:
        """Return the mean with Student's limits from the scatter of the blocks."""
        from scipy.special import stdtrit

        value = float(self.blocks.mean())
        if len(self.blocks) < FEW_BLOCKS:
            return Limited(value, -math.inf, math.inf)
        error = float(self.blocks.std(ddof=1)) / math.sqrt(len(self.blocks))
        wide = float(stdtrit(len(self.blocks) - 1, confidence)) * error
        return Limited(value, value - wide, value + wide)

    @classmethod
    def pooled(cls, parts: Sequence[Self]) -> Self:
        """Put the blocks of all runs together."""
        return cls(np.concatenate([part.blocks for part in parts]), sum(part.packets for part in parts))


@dataclass(frozen=True, slots=True, eq=False)
class Rate(Estimated):
    """Packets a second: counted, so only the clock and one packet at each end leave anything open."""

    packets: int
    seconds: float
    bound: float
    runs: int = 1

    @property
    def count(self) -> int:
        """Packets."""
        return self.packets

    def limited(self, confidence: float) -> Limited:  # noqa: ARG002 - the ends are certain
        """Return the rate in Hz, one packet less to one more in each run."""
        value, step = self.packets / self.seconds, self.runs / self.seconds
        return Limited(value, value - step, value + step)

    @classmethod
    def pooled(cls, parts: Sequence[Self]) -> Self:
        """Add packets and time."""
        return cls(
            sum(part.packets for part in parts),
            sum(part.seconds for part in parts),
            max(part.bound for part in parts),
            sum(part.runs for part in parts),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Shift:
    """Times of single events in ms; both sides are held against each other pair by pair."""

    times: Floats
    bound: float

    @property
    def value(self) -> float:
        """Their median."""
        return float(np.median(self.times))

    @property
    def count(self) -> int:
        """Events."""
        return len(self.times)

    @property
    def location(self) -> float:
        """The mean: its error is known."""
        return float(self.times.mean())

    @property
    def error(self) -> float:
        """The standard error of the mean."""
        spread = float(self.times.std(ddof=1)) if len(self.times) > 1 else math.inf
        return spread / math.sqrt(len(self.times))

    def beyond(self, base: Self, confidence: float) -> tuple[float, float]:
        """Return limits of the shift from the base."""
        found = shift_limits(base.times, self.times, confidence)
        return found.low, found.high

    @classmethod
    def pooled(cls, parts: Sequence[Self]) -> Self:
        """Put all events together."""
        return cls(np.concatenate([part.times for part in parts]), max(part.bound for part in parts))


@dataclass(frozen=True, slots=True, eq=False)
class Worst(Shift):
    """The longest of times in ms, of single events or each the longest in its block of link time."""

    @property
    def value(self) -> float:
        """The longest."""
        return float(self.times.max())

    def beyond(self, base: Shift, confidence: float) -> tuple[float, float]:
        """Return limits of how much longer the worst ones are."""
        return worst_case_limits(base.times, self.times, confidence)


def _most_good(seen: Tally, confidence: float) -> float:
    """Return the upper limit of the share of good ones from the number of bursts alone, where they are few.

    One long fade is one event: however many packets it took, it may not come again. The number of bursts is
    taken as Poisson, their length as it was. 0 where there are enough.
    """
    from scipy.special import gammaincinv

    if not 0 < seen.bursts < FEWEST_BURSTS:
        return 0.0
    least = float(gammaincinv(seen.bursts, 1 - confidence)) / seen.bursts
    return 1 - least * seen.bad / seen.trials


def _ms(time_ns: int) -> float:
    return math.inf if time_ns == LOST_NS else time_ns / MS

"""Where do stamps lie in host time, and how fast does a device's clock run? Limits, and what narrows them.

A point is one stamp and the host times that it lies between. The limits of answered pings are hard; those of
other points are carried to it at the device's rate, which is known to within an error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from harness.clock import MS, US
from harness.measure.arrays import Flags, Floats, Ints
from harness.measure.exchanges import WRAP_US, Exchanges, Stamps, offset_and_delay
from harness.stats.linear import fit

WINDOW_US: Final = 500_000
"""One node for each ping of the run, which come once a second."""
APART_US: Final = 500_000
"""Nodes closer together than this would tell the slope between them badly."""
MOST_PAIRED: Final = 64
"""Points tried in pairs for the device's rate, the narrowest ones."""
RATE_LIMIT: Final = 0.01
"""A ceramic resonator may be half a per cent off, an untrimmed RC clock one (common practice, no source)."""
WANDER: Final = 4e-6
"""How much a device's rate may change during a run (common practice for crystals, no source).

Four times as much is allowed, again and again, where limits contradict each other without."""
RESOLUTION_NS: Final = 1 * US
ARRIVAL_BOUND_NS: Final = 20 * MS
"""Without pings: an adapter's 16 ms latency timer and a few ms of loop (common practice, no source)."""
ARRIVAL_WINDOW_US: Final = 1_000_000
"""Messages come often: short windows leave little time for a clock of unknown rate to run off."""
FEWEST_BENT: Final = 6
ALIKE: Final = 2
SIGNIFICANT: Final = 3
TIMER_STEPS_US: Final = (2, 4, 8, 16, 32, 64, 128, 256, 512, 1000, 1024)
"""Timers divide their clock by powers of two; ticks are 1 ms (common practice, no source)."""
FEWEST_STAMPS: Final = 8
"""With fewer stamps their common step tells nothing about the clock's resolution."""


class Rate(NamedTuple):
    """Host seconds per device second, wrong by at most `error`; `wander` of that is change during the run."""

    rate: float
    error: float
    wander: float = WANDER


UNKNOWN_RATE: Final = Rate(1.0, RATE_LIMIT)


@dataclass(frozen=True, slots=True)
class Points:
    """Device times in us (ascending, without repeats) and the host times in ns that each lies between."""

    dev_us: Ints
    low_ns: Ints
    high_ns: Ints

    def __getitem__(self, chosen: Ints | Flags | list[int]) -> Points:
        return Points(self.dev_us[chosen], self.low_ns[chosen], self.high_ns[chosen])

    def __len__(self) -> int:
        return len(self.dev_us)

    @property
    def half_ns(self) -> Ints:
        """Half the width of each."""
        return (self.high_ns - self.low_ns + 1) // 2

    @property
    def middle_ns(self) -> Ints:
        """The middle of each."""
        return self.low_ns + self.half_ns


def unwrap(stamp_us: Ints, heard_ns: Ints, base_us: Ints | int, base_ns: Ints | int) -> Ints:
    """Return stamps without the 2**32 us wrap: nearest to what the clock must show when each was heard."""
    expected = base_us + (heard_ns - base_ns) // US
    unwrapped: Ints = stamp_us + (expected - stamp_us + WRAP_US // 2) // WRAP_US * WRAP_US
    return unwrapped


def answers(exchanges: Exchanges, base: tuple[int, int], number: int) -> Points:
    """Return a segment's answered pings, for equal stamps the narrower one.

    The stamp stands for both the ping's arrival and the pong's departure (t2 = t3), so that the time between
    them counts as delay; it lies half the delay around where RFC 5905's offset puts it.
    """
    mine = exchanges.slice(number)
    dev_us = unwrap(exchanges.stamp_us[mine], exchanges.heard_ns[mine], *base)
    stamp = (dev_us * US).astype(np.float64)
    sent, came = (times[mine].astype(np.float64) for times in (exchanges.earliest_ns, exchanges.latest_ns))
    offset, delay = offset_and_delay(sent, stamp, stamp, came, RESOLUTION_NS)
    low = np.rint(stamp - offset - delay / 2).astype(np.int64)
    return _without_repeats(Points(dev_us, low, low + np.rint(delay).astype(np.int64)), delay)


def messages(stamps: Stamps, base: tuple[int, int], number: int) -> Points:
    """Return a segment's stamped messages: each stamp is older than the first byte of its message."""
    mine = stamps.slice(number)
    dev_us = unwrap(stamps.stamp_us[mine], stamps.heard_ns[mine], *base)
    left_ns = stamps.heard_ns[mine] - stamps.line_ns[mine]
    return _without_repeats(Points(dev_us, left_ns - ARRIVAL_BOUND_NS, left_ns), left_ns)


def _without_repeats(points: Points, best: Ints | Floats) -> Points:
    """Return the points by device time, of equal times the one with the least `best`."""
    order = np.lexsort((best, points.dev_us))
    return points[order[np.unique(points.dev_us[order], return_index=True)[1]]]


def resolution_ns(asked: Points, said: Points) -> int:
    """Return the step in which a clock counts, in ns: the greatest common divisor of its stamps' distances.

    Only a step that timers have counts, and only with pings, which come at any phase: a device that paces
    its packets by its own clock stamps them in steps of the period. At least 1 us, the step of the protocol.
    """
    if len(asked) < FEWEST_STAMPS:
        return RESOLUTION_NS
    step = int(np.gcd.reduce(np.concatenate((asked.dev_us, said.dev_us)) - asked.dev_us[0]))
    return step * US if step in TIMER_STEPS_US else RESOLUTION_NS


def best_rate(parts: Sequence[Points], step_ns: int, wander: float) -> Rate:
    """Return the rate as the segment tells it that tells it best: one device has one oscillator."""
    rates = [rate_between(part, step_ns, wander) for part in parts]
    return min(rates, key=lambda rate: rate.error, default=UNKNOWN_RATE)


def rate_between(points: Points, step_ns: int, wander: float = WANDER) -> Rate:
    """Return the device's rate between the two points that tell it best; unknown if none tell it well.

    The rate is wrong by at most both halves and both stamps' steps over the time between, and by `wander`.
    """
    unknown = UNKNOWN_RATE._replace(wander=wander)
    if len(points) < 2:
        return unknown
    best = narrowest(points)
    best = best[np.sort(np.argsort(best.half_ns, kind="stable")[:MOST_PAIRED])]
    span = (best.dev_us[None, :] - best.dev_us[:, None]) * US
    width = best.half_ns[None, :] + best.half_ns[:, None] + 2 * step_ns
    error = np.where(span > 0, width / np.maximum(span, 1), np.inf) + wander
    first, last = np.unravel_index(int(np.argmin(error)), error.shape)
    if not error[first, last] < RATE_LIMIT:
        return unknown
    rate = int(best.middle_ns[last] - best.middle_ns[first]) / int(span[first, last])
    known = abs(rate - 1) < 2 * RATE_LIMIT
    return Rate(rate, float(error[first, last]), wander) if known else unknown


def seen_wander(points: Points) -> float:
    """Return by how much a device's rate changed over a segment, as a share; 0 if that may be chance.

    A clock that warms up runs on a parabola. One is fitted by least squares to the middles of the narrowest
    points, those at most `ALIKE` times as wide as the best; its curvature counts if it is `SIGNIFICANT` times
    its standard error. The rate's change from end to end is twice the parabola's height over the length.
    """
    if len(points) < FEWEST_BENT:
        return 0.0
    best = narrowest(points)
    best = best[best.half_ns <= ALIKE * int(best.half_ns.min())]
    if len(best) < FEWEST_BENT:
        return 0.0
    length = int(best.dev_us[-1] - best.dev_us[0])
    at = (best.dev_us - best.dev_us[0]) / length - 0.5
    ahead = (best.middle_ns - best.middle_ns[0]) / (length * US) - at
    found = fit((np.ones_like(at), at, at * at), ahead)
    error = float(np.sqrt(found.rest / (len(best) - 3) * found.inverse[2][2]))
    bend = abs(found.parts[2])
    return 2 * bend if bend > SIGNIFICANT * error else 0.0


def tightened(asked: Points, said: Points, known: Rate, step_ns: int) -> Points | None:
    """Return answered pings narrowed by all other messages and pings, carried over at the device's rate.

    A pong waits in an adapter's buffer like any message, but some message or other hardly waits at all. None
    if the limits contradict each other at that rate by more than a step of the device's clock.
    """
    if not len(asked) or not len(said):
        return asked
    base_us, base_ns = int(asked.dev_us[0]), int(asked.low_ns[0])
    at, from_said = (points.dev_us - base_us for points in (asked, said))
    way, way_said = (np.asarray(times * (US * known.rate), dtype=np.float64) for times in (at, from_said))
    drift = US * known.error
    high = -_carried(at, from_said, way_said - (said.high_ns - base_ns), drift) + way
    low = _carried(at, at, (asked.low_ns - base_ns) - way, drift) + way
    low_ns = base_ns + np.floor(low).astype(np.int64)
    high_ns = np.minimum(asked.high_ns, base_ns + np.ceil(high).astype(np.int64))
    if (low_ns > high_ns + step_ns).any():
        return None
    crossed = np.maximum(0, low_ns - high_ns + 1) // 2
    return Points(asked.dev_us, low_ns - crossed, high_ns + crossed)


def _carried(at: Ints, source: Ints, value: Floats, drift: float) -> Floats:
    """Return the largest `value` that holds at each of `at`, losing `drift` for each us from its `source`.

    Both time arrays ascend. max over s of value(s) - drift * |at - s|, in two sweeps.
    """
    none = np.array([-np.inf])
    before = np.concatenate((none, np.maximum.accumulate(value + drift * source)))
    after = np.concatenate((np.maximum.accumulate((value - drift * source)[::-1])[::-1], none))
    left = before[np.searchsorted(source, at, side="right")] - drift * at
    right = after[np.searchsorted(source, at, side="left")] + drift * at
    carried: Floats = np.maximum(left, right)
    return carried


def nodes_of(points: Points, rate: Rate) -> Points:
    """Return the lower envelope of delay: the narrowest points, none that a better one tells better."""
    best = narrowest(points)
    ends = points[[0, -1]]
    best = _joined(best, ends[ends.half_ns <= best.half_ns.max()])
    at = best.dev_us - best.dev_us[0]
    reach = np.ceil(-_carried(at, at, -best.half_ns.astype(np.float64), US * rate.error)).astype(np.int64)
    return _spread(best[best.half_ns <= reach])


def narrowest(points: Points) -> Points:
    """Return the narrowest point in each of equal windows, from the first point to the last."""
    at = points.dev_us - points.dev_us[0]
    length = int(at[-1]) + 1
    window = at * max(1, length // WINDOW_US) // length
    order = np.lexsort((points.dev_us, points.half_ns, window))
    return points[np.sort(order[np.unique(window[order], return_index=True)[1]])]


def _joined(points: Points, more: Points) -> Points:
    pairs = ((points.dev_us, more.dev_us), (points.low_ns, more.low_ns), (points.high_ns, more.high_ns))
    both = Points(*(np.concatenate(pair) for pair in pairs))
    return both[np.unique(both.dev_us, return_index=True)[1]]


def _spread(points: Points) -> Points:
    """Return the points without those that have a narrower one close by."""
    halves, times = points.half_ns.tolist(), points.dev_us.tolist()
    kept: list[int] = []
    for place, at in enumerate(times):
        if kept and at - times[kept[-1]] < APART_US:
            if halves[place] < halves[kept[-1]]:
                kept[-1] = place
        else:
            kept.append(place)
    return points[np.asarray(kept, dtype=np.int64)]


def soonest(said: Points, rate: Rate) -> Points:
    """Return for each window the message that came soonest after its stamp."""
    at = said.dev_us - said.dev_us[0]
    lag = said.high_ns - said.high_ns[0] - np.rint(at * (US * rate.rate)).astype(np.int64)
    window = at // ARRIVAL_WINDOW_US
    order = np.lexsort((lag, window))
    return said[np.sort(order[np.unique(window[order], return_index=True)[1]])]

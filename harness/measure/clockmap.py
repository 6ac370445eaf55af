"""When, in host time, did a device's stamp happen? A map with a bound for each device.

A device counts its own microseconds: from an unknown start, up to a per cent fast or slow, modulo 2**32, and
from anew after each start. Pings tie that count to the host clock: the device took its stamp between

    earliest = t1 + the ping's byte times   and   latest = t4 - the pong's byte times

which is RFC 5905 section 8 (theta and delta) with the device's turn-round time taken as zero: the middle is
wrong by at most half the width. The exchanges with the narrowest span in each window (the lower envelope)
become nodes; between nodes the map is a straight line, outside it goes on at the device's own rate. Every
other exchange must agree with the map; where one does not, the disagreement is added to the bound.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import repeat
from typing import Final, Literal, NamedTuple

import numpy as np

from harness.clock import MS, US
from harness.measure.arrays import Flags, Floats, Ints, ints
from harness.measure.exchanges import (
    WRAP_US,
    Exchanges,
    Stamps,
    read_exchanges,
    read_stamps,
    slice_of,
)
from harness.measure.tables import Stream

WINDOW_US: Final = 5_000_000
"""One node per window: about five pings to choose from."""
ROUNDS: Final = 3
"""A better rate narrows the exchanges, narrower exchanges tell the rate better."""
MOST_PAIRED: Final = 64
"""Points tried in pairs for the device's rate, the narrowest ones."""
RATE_LIMIT: Final = 0.01
"""A ceramic resonator may be half a per cent off, an untrimmed RC clock one (common practice, no source)."""
WANDER: Final = 2e-6
"""How much a device's rate may change between nodes (common practice for crystals, no source)."""
RESOLUTION_NS: Final = 1 * US
ARRIVAL_BOUND_NS: Final = 20 * MS
"""Without pings: an adapter's 16 ms latency timer and a few ms of loop (common practice, no source)."""
ARRIVAL_WINDOW_US: Final = 1_000_000
"""Messages come often: short windows leave little time for a clock of unknown rate to run off."""

How = Literal["pings", "arrivals", "nothing"]


class Rate(NamedTuple):
    """Host seconds per device second, wrong by at most `error`."""

    rate: float
    error: float


UNKNOWN_RATE: Final = Rate(1.0, RATE_LIMIT)


@dataclass(frozen=True, slots=True)
class Segment:
    """The map of one stretch between two starts of a device.

    `base_us` was heard at `base_ns`, which tells how often the counter has wrapped. `nodes_us` and
    `nodes_ns` are points of the map, `bound_ns` is how far any mapped time in the segment may be out, `how`
    what it rests on.
    """

    base_us: int
    base_ns: int
    nodes_us: Ints
    nodes_ns: Ints
    rate: Rate
    bound_ns: int
    how: How


@dataclass(frozen=True, slots=True)
class ClockMap:
    """A device's clock against the host's, start by start."""

    segments: tuple[Segment, ...]

    @property
    def bound_ns(self) -> int:
        """The widest bound of any segment, in ns."""
        return max((segment.bound_ns for segment in self.segments), default=0)

    @property
    def how(self) -> How:
        """The poorest foundation of any segment that a device said something in."""
        return max((segment.how for segment in self.segments), key=_poorness, default="nothing")

    @property
    def rate_error(self) -> float:
        """The largest error of any segment's rate."""
        return max((segment.rate.error for segment in self.segments), default=RATE_LIMIT)

    def unwrap(self, stamp_us: Ints, heard_ns: Ints, segment: Ints) -> Ints:
        """Return stamps without the 2**32 us wrap: the nearest to when each was heard."""
        base_us = ints([part.base_us for part in self.segments])[segment]
        base_ns = ints([part.base_ns for part in self.segments])[segment]
        return _unwrap(stamp_us, heard_ns, base_us, base_ns)

    def to_host_ns(self, dev_us: Ints, segment: Ints) -> Ints:
        """Return host times in ns of unwrapped device stamps in us; arrays of one length."""
        host = np.zeros(len(dev_us), dtype=np.int64)
        order = np.argsort(segment, kind="stable")
        numbers, firsts = np.unique(segment[order], return_index=True)
        for number, chosen in zip(numbers.tolist(), np.split(order, firsts[1:]), strict=False):
            host[chosen] = _map(self.segments[number], dev_us[chosen])
        return host

    def bounds_ns(self, segment: Ints) -> Ints:
        """Return how far the mapped times of these segments may be out, in ns."""
        bounds: Ints = ints([part.bound_ns for part in self.segments])[segment]
        return bounds

    def span_ns(self, span_us: int, segment: int) -> tuple[int, int]:
        """Return the host ns between two stamps of one segment, and how far that may be out.

        A skew of K adds K * span (RFC 3393 section 2.7.1); each stamp is whole microseconds.
        """
        rate, error = self.segments[segment].rate
        span = round(span_us * US * rate)
        return span, int(abs(span) * error) + RESOLUTION_NS


def map_clock(heard: Stream, told: Stream, baud: int) -> ClockMap:
    """Return the map of one device: what its port said (`heard`) and was told, and the line's speed."""
    exchanges = read_exchanges(heard, told, baud)
    stamps = read_stamps(heard, exchanges.baud)
    count = int(heard.segment[-1]) + 1 if len(heard.segment) else 1
    bases = [_base(stamps, number) for number in range(count)]
    said = [_messages(stamps, base, number) for number, base in enumerate(bases)]
    asked = [_answers(exchanges, base, number) for number, base in enumerate(bases)]
    known = UNKNOWN_RATE
    for _ in range(ROUNDS):
        known = min(known, *map(_rate, asked), key=lambda rate: rate.error)
        asked = [_tightened(*pair, known) for pair in zip(asked, said, strict=True)]
    parts = map(_segment, bases, asked, said, repeat(known))
    return ClockMap(tuple(_bounded(part, heard, number) for number, part in enumerate(parts)))


def _poorness(how: How) -> int:
    return ("nothing", "pings", "arrivals").index(how)


def _unwrap(stamp_us: Ints, heard_ns: Ints, base_us: Ints | int, base_ns: Ints | int) -> Ints:
    expected = base_us + (heard_ns - base_ns) // US
    unwrapped: Ints = stamp_us + (expected - stamp_us + WRAP_US // 2) // WRAP_US * WRAP_US
    return unwrapped


def _map(part: Segment, dev_us: Ints) -> Ints:
    beyond = US * part.rate.rate
    if not len(part.nodes_us):
        plain: Ints = part.base_ns + np.rint((dev_us - part.base_us) * beyond).astype(np.int64)
        return plain
    slopes = np.full(len(part.nodes_us) + 1, beyond)
    slopes[1:-1] = np.diff(part.nodes_ns) / np.diff(part.nodes_us)
    piece = np.searchsorted(part.nodes_us, dev_us, side="right")
    node = np.maximum(piece - 1, 0)
    way = np.rint((dev_us - part.nodes_us[node]) * slopes[piece])
    mapped: Ints = part.nodes_ns[node] + way.astype(np.int64)
    return mapped


@dataclass(frozen=True, slots=True)
class _Points:
    """Device times in us (ascending, without repeats) and the host times in ns that each lies between."""

    dev_us: Ints
    low_ns: Ints
    high_ns: Ints

    def __getitem__(self, chosen: Ints | Flags) -> _Points:
        return _Points(self.dev_us[chosen], self.low_ns[chosen], self.high_ns[chosen])

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


def _base(stamps: Stamps, number: int) -> tuple[int, int]:
    """Return the first stamp of a segment and when it was heard."""
    mine = stamps.slice(number)
    if mine.start == mine.stop:
        return 0, 0
    return int(stamps.stamp_us[mine.start]), int(stamps.heard_ns[mine.start])


def _answers(exchanges: Exchanges, base: tuple[int, int], number: int) -> _Points:
    """Return a segment's answered pings, for equal stamps the narrower one."""
    asked = exchanges.slice(number)
    dev_us = _unwrap(exchanges.stamp_us[asked], exchanges.heard_ns[asked], *base)
    low, high = exchanges.earliest_ns[asked], exchanges.latest_ns[asked]
    order = np.lexsort((high - low, dev_us))
    first = order[np.unique(dev_us[order], return_index=True)[1]]
    return _Points(dev_us, low, high)[first]


def _messages(stamps: Stamps, base: tuple[int, int], number: int) -> _Points:
    """Return a segment's stamped messages: each stamp is older than the first byte of its message."""
    mine = stamps.slice(number)
    dev_us = _unwrap(stamps.stamp_us[mine], stamps.heard_ns[mine], *base)
    left_ns = stamps.heard_ns[mine] - stamps.line_ns[mine]
    order = np.lexsort((left_ns, dev_us))
    first = order[np.unique(dev_us[order], return_index=True)[1]]
    return _Points(dev_us, left_ns - ARRIVAL_BOUND_NS, left_ns)[first]


def _tightened(asked: _Points, said: _Points, known: Rate) -> _Points:
    """Return answered pings narrowed by all other messages and pings, carried over at the device's rate.

    A pong waits in an adapter's buffer like any message, but some message or other hardly waits at all. If
    the limits contradict each other, none is trusted: the pings stay as they are.
    """
    if not len(asked):
        return asked
    base_us, base_ns = int(asked.dev_us[0]), int(asked.low_ns[0])
    at, from_said = (points.dev_us - base_us for points in (asked, said))
    way, way_said = (np.asarray(times * (US * known.rate), dtype=np.float64) for times in (at, from_said))
    drift = US * known.error
    high = -_carried(at, from_said, way_said - (said.high_ns - base_ns), drift) + way
    low = _carried(at, at, (asked.low_ns - base_ns) - way, drift) + way
    low_ns = base_ns + np.floor(low).astype(np.int64) - RESOLUTION_NS
    high_ns = np.minimum(asked.high_ns, base_ns + np.ceil(high).astype(np.int64) + RESOLUTION_NS)
    return asked if (low_ns > high_ns).any() else _Points(asked.dev_us, low_ns, high_ns)


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


def _narrowest(points: _Points) -> _Points:
    """Return the narrowest point in each window (the lower envelope), and both end points."""
    window = (points.dev_us - points.dev_us[0]) // WINDOW_US
    order = np.lexsort((points.dev_us, points.half_ns, window))
    best = order[np.unique(window[order], return_index=True)[1]]
    return points[np.unique(np.concatenate((best, [0, len(window) - 1])))]


def _rate(points: _Points) -> Rate:
    """Return the device's rate between the two points that tell it best; unknown if none tell it well."""
    if len(points) < 2:
        return UNKNOWN_RATE
    best = _narrowest(points)
    best = best[np.sort(np.argsort(best.half_ns, kind="stable")[:MOST_PAIRED])]
    span = (best.dev_us[None, :] - best.dev_us[:, None]) * US
    width = best.half_ns[None, :] + best.half_ns[:, None] + 2 * RESOLUTION_NS
    error = np.where(span > 0, width / np.maximum(span, 1), np.inf) + WANDER
    first, last = np.unravel_index(int(np.argmin(error)), error.shape)
    if not error[first, last] < RATE_LIMIT:
        return UNKNOWN_RATE
    rate = int(best.middle_ns[last] - best.middle_ns[first]) / int(span[first, last])
    return Rate(rate, float(error[first, last])) if abs(rate - 1) < 2 * RATE_LIMIT else UNKNOWN_RATE


def _segment(base: tuple[int, int], asked: _Points, said: _Points, known: Rate) -> Segment:
    """Return the map of a segment, its bound good for the points themselves."""
    if not len(asked):
        return _from_arrivals(base, said, known)
    best = _narrowest(asked)
    best = best[best.half_ns <= _reach(best, known)]
    part = Segment(*base, best.dev_us, best.middle_ns, known, int(best.half_ns.max()), "pings")
    off = np.abs(_map(part, asked.dev_us) - asked.middle_ns) - asked.half_ns
    return replace(part, bound_ns=part.bound_ns + max(0, int(off.max())))


def _reach(points: _Points, rate: Rate) -> Ints:
    """Return how far out the map would be at each point if carried there from the best of all points."""
    at = points.dev_us - points.dev_us[0]
    reach: Ints = np.ceil(-_carried(at, at, -points.half_ns.astype(np.float64), US * rate.error)).astype(
        np.int64
    )
    return reach


def _bounded(part: Segment, heard: Stream, number: int) -> Segment:
    """Widen a segment's bound for the way between nodes, and beyond the first and the last."""
    if part.how == "nothing":
        return part
    where = slice_of(heard.segment, number)
    first, last = int(heard.at_ns[where.start]), int(heard.at_ns[where.stop - 1])
    between = int(np.diff(part.nodes_ns).max()) if len(part.nodes_ns) > 1 else 0
    beyond = max(0, int(part.nodes_ns[0]) - first, last - int(part.nodes_ns[-1]))
    allowance = int(between / 2 * WANDER + beyond * part.rate.error) + RESOLUTION_NS
    return replace(part, bound_ns=part.bound_ns + allowance)


def _from_arrivals(base: tuple[int, int], said: _Points, known: Rate) -> Segment:
    """Map by when messages came: never before their stamp plus their byte times, seldom much later."""
    if not len(said):
        return Segment(*base, ints([]), ints([]), known, ARRIVAL_BOUND_NS, "nothing")
    rate = min(known, _rate(_soonest(said, known)), key=lambda rate: rate.error)
    nodes = _soonest(said, rate)
    drift = int(rate.error * ARRIVAL_WINDOW_US * US)
    return Segment(*base, nodes.dev_us, nodes.high_ns, rate, ARRIVAL_BOUND_NS + drift, "arrivals")


def _soonest(said: _Points, rate: Rate) -> _Points:
    """Return for each window the message that came soonest after its stamp."""
    at = said.dev_us - said.dev_us[0]
    lag = said.high_ns - said.high_ns[0] - np.rint(at * (US * rate.rate)).astype(np.int64)
    window = at // ARRIVAL_WINDOW_US
    order = np.lexsort((lag, window))
    return said[np.sort(order[np.unique(window[order], return_index=True)[1]])]

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
from typing import Final, Literal, NamedTuple

import numpy as np

from harness.clock import MS, US
from harness.measure.arrays import Ints, ints
from harness.measure.exchanges import (
    WRAP_US,
    Exchanges,
    Stamps,
    read_exchanges,
    read_stamps,
    slice_of,
)
from harness.measure.tables import Stream

WINDOW_US: Final = 10_000_000
"""One node per window: about ten pings to choose from."""
RATE_LIMIT: Final = 0.01
"""A ceramic resonator may be half a per cent off, an untrimmed RC clock one (common practice, no source)."""
WANDER: Final = 2e-6
"""How much a device's rate may change between nodes (common practice for crystals, no source)."""
RESOLUTION_NS: Final = 1 * US
ARRIVAL_BOUND_NS: Final = 20 * MS
"""Without pings: an adapter's 16 ms latency timer and a few ms of loop (common practice, no source)."""
CLOSE_NS: Final = 50 * US
"""Exchanges this much wider than the best are still worth a node."""

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
    stamps, exchanges = read_stamps(heard, baud), read_exchanges(heard, told, baud)
    count = int(heard.segment[-1]) + 1 if len(heard.segment) else 1
    starts = [_start(stamps, exchanges, number) for number in range(count)]
    known = min((start.rate for start in starts), key=lambda rate: rate.error)
    return ClockMap(
        tuple(_finish(start, known, stamps, heard, number) for number, start in enumerate(starts))
    )


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


def _start(stamps: Stamps, exchanges: Exchanges, number: int) -> Segment:
    """Return a segment as its pings alone show it; without pings only its base is known."""
    mine, asked = stamps.slice(number), exchanges.slice(number)
    base_us = int(stamps.stamp_us[mine.start]) if mine.start < mine.stop else 0
    base_ns = int(stamps.heard_ns[mine.start]) if mine.start < mine.stop else 0
    if asked.start == asked.stop:
        return Segment(base_us, base_ns, ints([]), ints([]), UNKNOWN_RATE, ARRIVAL_BOUND_NS, "nothing")
    dev_us = _unwrap(exchanges.stamp_us[asked], exchanges.heard_ns[asked], base_us, base_ns)
    low, high = exchanges.earliest_ns[asked], exchanges.latest_ns[asked]
    half = (high - low + 1) // 2
    best = _best(dev_us, half)
    worst = int(half[best].max())
    part = Segment(base_us, base_ns, dev_us[best], (low + half)[best], UNKNOWN_RATE, worst, "pings")
    part = replace(part, rate=_rate(part, int(half[best[0]]) + int(half[best[-1]])))
    mapped = _map(part, dev_us)
    contradiction = max(0, int((low - mapped).max()), int((mapped - high).max()))
    return replace(part, bound_ns=worst + contradiction)


def _best(dev_us: Ints, width: Ints) -> Ints:
    """Return the places of each window's narrowest entry, in order, without any much wider than the best."""
    window = (dev_us - dev_us.min()) // WINDOW_US
    order = np.lexsort((dev_us, width, window))
    best = order[np.unique(window[order], return_index=True)[1]]
    least = int(width.min())
    best = best[width[best] <= max(2 * least, least + CLOSE_NS)]
    return best[np.unique(dev_us[best], return_index=True)[1]]


def _rate(part: Segment, halves_ns: int) -> Rate:
    """Return the rate between the first and the last node; the ends may be out by `halves_ns` together."""
    span_us = int(part.nodes_us[-1] - part.nodes_us[0])
    if span_us <= 0:
        return UNKNOWN_RATE
    rate = int(part.nodes_ns[-1] - part.nodes_ns[0]) / (span_us * US)
    error = (halves_ns + 2 * RESOLUTION_NS) / (span_us * US) + WANDER
    if error >= RATE_LIMIT or abs(rate - 1) > RATE_LIMIT + error:
        return UNKNOWN_RATE
    return Rate(rate, error)


def _finish(start: Segment, known: Rate, stamps: Stamps, heard: Stream, number: int) -> Segment:
    """Give a segment the device's best known rate (it has one oscillator), and a bound for all of it."""
    part = replace(start, rate=min(start.rate, known, key=lambda rate: rate.error))
    if part.how == "nothing":
        mine = stamps.slice(number)
        if mine.start == mine.stop:
            return part
        part = _from_arrivals(part, stamps, mine)
    where = slice_of(heard.segment, number)
    first, last = int(heard.at_ns[where.start]), int(heard.at_ns[where.stop - 1])
    between = int(np.diff(part.nodes_ns).max()) if len(part.nodes_ns) > 1 else 0
    beyond = max(0, int(part.nodes_ns[0]) - first, last - int(part.nodes_ns[-1]))
    allowance = int(between / 2 * WANDER + beyond * part.rate.error) + RESOLUTION_NS
    return replace(part, bound_ns=part.bound_ns + allowance)


def _from_arrivals(part: Segment, stamps: Stamps, mine: slice) -> Segment:
    """Map by when messages came: never before their stamp plus their byte times, seldom much later."""
    dev_us = _unwrap(stamps.stamp_us[mine], stamps.heard_ns[mine], part.base_us, part.base_ns)
    left_ns = stamps.heard_ns[mine] - stamps.line_ns[mine]
    lag = left_ns - part.base_ns - np.rint((dev_us - part.base_us) * (US * part.rate.rate)).astype(np.int64)
    window = (dev_us - dev_us.min()) // WINDOW_US
    order = np.lexsort((lag, window))
    best = order[np.unique(window[order], return_index=True)[1]]
    best = best[np.unique(dev_us[best], return_index=True)[1]]
    drift = int(part.rate.error * WINDOW_US * US)
    return replace(
        part, nodes_us=dev_us[best], nodes_ns=left_ns[best], bound_ns=ARRIVAL_BOUND_NS + drift, how="arrivals"
    )

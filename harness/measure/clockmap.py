"""When, in host time, did a device's stamp happen? A map with a bound for each device.

A device counts its own microseconds: from an unknown start, up to a per cent fast or slow, modulo 2**32, and
from anew after each start. Pings tie that count to the host clock: the device took its stamp between

    earliest = t1 + the ping's byte times   and   latest = t4 - the pong's byte times

which is RFC 5905 section 8 with the device's turn-round time counted as delay: offset theta, wrong by at most
half the delay delta. The exchanges with the least delay (the lower envelope) become nodes; between nodes the
map is a straight line, outside it goes on at the device's own rate. Where messages in plenty make the limits
much narrower, they are used too. No limit that an exchange sets may be broken by more than the bound.

    bound = half the delay at nodes + drift between and beyond nodes + misfit + a step of the device's clock

and never less than half the best delay. Assumptions: no byte is sent faster than 3 % above the nominal baud
rate; a rate changes by no more than its `wander` during a run. Both are tested against every exchange and
message and widen the bound where they fail.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal, NamedTuple

import numpy as np

from harness.clock import US, S
from harness.measure.arrays import Ints, ints
from harness.measure.clockpoints import (
    ARRIVAL_BOUND_NS,
    ARRIVAL_WINDOW_US,
    RATE_LIMIT,
    RESOLUTION_NS,
    UNKNOWN_RATE,
    WANDER,
    Points,
    Rate,
    answers,
    best_rate,
    messages,
    nodes_of,
    rate_between,
    resolution_ns,
    seen_wander,
    soonest,
    tightened,
    unwrap,
)
from harness.measure.exchanges import (
    Exchanges,
    Stamps,
    byte_doubt_ns,
    frequency_error,
    offset_and_delay,
    read_exchanges,
    read_stamps,
    slice_of,
)
from harness.measure.tables import Stream

ROUNDS: Final = 3
"""A better rate narrows the exchanges, narrower exchanges tell the rate better."""
MORE_WANDER: Final = 4
"""A contradiction shows that the rate changes by more than was allowed, not by how much more."""
WANDER_MOST: Final = 300e-6
"""A rate that seems to change by more is a clock that jumps (common practice, no source)."""
LONGEST_WAIT_NS: Final = 1 * S
"""A message that seems to have waited longer has a broken stamp."""
MOST_LIVES: Final = 1_000
"""Starts of a device that get a map of their own: message counters at random look like a start each."""
FEWEST_TICKS: Final = 8
STANDS_STILL: Final = 10
"""A clock that shows less than a tenth of the time gone by counts no microseconds: it is none."""

How = Literal["pings", "arrivals", "nothing"]


class Parts(NamedTuple):
    """What a bound is made of, in ns: each the most by which it can put a mapped time out.

    `exchange_ns` is half the delay at the worst node less `line_ns`, the doubt about the byte times in it;
    `drift_ns` comes from between and beyond nodes, `misfit_ns` from limits that contradict the map,
    `resolution_ns` is one step of the device's clock.
    """

    exchange_ns: int
    line_ns: int
    drift_ns: int
    misfit_ns: int
    resolution_ns: int


class Trips(NamedTuple):
    """Answered pings and their round trips as the host saw them, in ns; None without one.

    `byte_ns` of each were byte times for certain, both ways together; 0 on a line that takes none.
    """

    answered: int
    best_ns: int | None
    median_ns: int | None
    byte_ns: int


class Coarse(NamedTuple):
    """How coarse a device's stamps are beyond the protocol's: their step, and a report's time on its way.

    A line of text takes other byte times than the frame that it became, so none are known for certain.
    """

    step_ns: int = 0
    line_ns: int = 0


FINE: Final = Coarse()
NO_TRIPS: Final = Trips(0, None, None, 0)


@dataclass(frozen=True, slots=True)
class Segment:
    """The map of one stretch between two starts of a device.

    `base_us` was heard at `base_ns`, which tells how often the counter has wrapped. `nodes_us` and
    `nodes_ns` are points of the map, `bound_ns` is how far any mapped time in the segment may be out (the
    sum of `parts`), `how` what it rests on. Where `ticks` is false the device has no clock: arrivals, less
    the shortest message's byte times, stand for its stamps.
    """

    base_us: int
    base_ns: int
    nodes_us: Ints
    nodes_ns: Ints
    rate: Rate
    parts: Parts
    how: How
    trips: Trips = NO_TRIPS
    ticks: bool = True

    @property
    def bound_ns(self) -> int:
        """How far any mapped time may be out, in ns: the sum of all parts."""
        return sum(self.parts)

    @property
    def offset_ns(self) -> int | None:
        """The device's clock less the host's at the first node, in ns (RFC 5905's theta); None if unknown."""
        if not self.ticks or not len(self.nodes_us):
            return None
        host, device = int(self.nodes_ns[0]), int(self.nodes_us[0]) * US
        return int(offset_and_delay(host, device, device, host)[0])

    @property
    def skew_ppm(self) -> float:
        """How much the device's clock runs fast, in millionths, wrong by at most `rate.error` * 1e6."""
        return (1 / self.rate.rate - 1) * 1e6

    @property
    def span_error(self) -> float:
        """The most by which a span between two mapped times may be out, as a share: slopes of the map too."""
        if len(self.nodes_us) < 2:
            return self.rate.error
        slopes = np.diff(self.nodes_ns) / (np.diff(self.nodes_us) * US)
        return self.rate.error + float(np.abs(slopes - self.rate.rate).max())

    @property
    def span_step_ns(self) -> int:
        """What the stamps at both ends add to the error of a span, in ns."""
        return max(self.parts.resolution_ns, RESOLUTION_NS) if self.ticks else self.bound_ns


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
    def ticks(self) -> bool:
        """Whether the device has a clock in every segment that it said something in."""
        return all(segment.ticks for segment in self.segments)

    @property
    def rate_error(self) -> float:
        """The largest error of a span between two mapped times of any segment, as a share of the span."""
        return max((segment.span_error for segment in self.segments), default=RATE_LIMIT)

    @property
    def span_step_ns(self) -> int:
        """What the stamps at both ends add to the error of any span, in ns."""
        return max((segment.span_step_ns for segment in self.segments), default=RESOLUTION_NS)

    def unwrap(self, stamp_us: Ints, heard_ns: Ints, segment: Ints) -> Ints:
        """Return stamps without the 2**32 us wrap: the nearest to when each was heard.

        A device without a clock gets stamps made of the times at which its messages were heard.
        """
        base_us = ints([part.base_us for part in self.segments])[segment]
        base_ns = ints([part.base_ns for part in self.segments])[segment]
        ticks = np.array([part.ticks for part in self.segments], dtype=np.bool_)[segment]
        without = base_us + (heard_ns - base_ns) // US
        stamps: Ints = np.where(ticks, unwrap(stamp_us, heard_ns, base_us, base_ns), without)
        return stamps

    def to_host_ns(self, dev_us: Ints, segment: Ints) -> Ints:
        """Return host times in ns of unwrapped device stamps in us; arrays of one length."""
        host = np.zeros(len(dev_us), dtype=np.int64)
        segment = np.minimum(segment, MOST_LIVES)  # those beyond have one map together
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

        A skew of K adds K * span (RFC 3393 section 2.7.1); each stamp is whole steps of the device's clock.
        """
        part = self.segments[segment]
        span = round(span_us * US * part.rate.rate)
        return span, int(abs(frequency_error(part.rate.error, span))) + part.span_step_ns


@dataclass(frozen=True, slots=True)
class _Life:
    """What is known of one segment: `heard_ns` spans its messages, `step_ns` is a step of its clock."""

    base: tuple[int, int]
    asked: Points
    said: Points
    trips: Trips
    heard_ns: tuple[int, int]
    lines_ns: tuple[int, int]
    step_ns: int
    line_ns: int
    ticks: bool
    coarse: Coarse = FINE


def map_clock(heard: Stream, told: Stream, baud: int, coarse: Coarse = FINE) -> ClockMap:
    """Return the map of one device: what its port said (`heard`) and was told, and the line's speed.

    `coarse` is for a device that does not speak the bench protocol; its `baud` is 0.
    """
    exchanges = read_exchanges(heard, told, baud)
    stamps = read_stamps(heard, exchanges.baud)
    count = int(heard.segment[-1]) + 1 if len(heard.segment) else 1
    lives = [_life(heard, exchanges, stamps, coarse, number) for number in range(min(count, MOST_LIVES))]
    known, narrowed = _known_rate(lives)
    found = [_segment(life, points, known) for life, points in zip(lives, narrowed, strict=True)]
    wait_ns = max(map(_longest_wait, lives, found))
    return ClockMap(tuple(_widened(part, wait_ns) for part in found) + _rest(stamps, count - len(found)))


def _rest(stamps: Stamps, count: int) -> tuple[Segment, ...]:
    """Return the maps of starts beyond `MOST_LIVES`, all one: as of a device without a clock."""
    mine = slice(int(np.searchsorted(stamps.segment, MOST_LIVES)), None)
    lines, heard_ns = stamps.line_ns[mine], stamps.heard_ns[mine]
    if count <= 0:
        return ()
    ends = (int(lines.min()), int(lines.max())) if len(lines) else (0, 0)
    return (_by_arrival(int(heard_ns[0]) if len(heard_ns) else 0, ends, NO_TRIPS),) * count


def _longest_wait(life: _Life, part: Segment) -> int:
    """Return how long a message waited on the line at most, in ns, where pings tell; 0 elsewhere."""
    if part.how != "pings":
        return 0
    wait = life.said.high_ns - _map(part, life.said.dev_us)
    return int(wait[wait < LONGEST_WAIT_NS].max(initial=0))


def _widened(part: Segment, wait_ns: int) -> Segment:
    """Return a segment that rests on arrivals with a bound that allows for waits seen elsewhere."""
    if part.how != "arrivals" or wait_ns <= part.parts.exchange_ns:
        return part
    return replace(part, parts=part.parts._replace(exchange_ns=wait_ns))


def _poorness(how: How) -> int:
    return ("nothing", "pings", "arrivals").index(how)


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


def _life(heard: Stream, exchanges: Exchanges, stamps: Stamps, coarse: Coarse, number: int) -> _Life:
    mine, frames = stamps.slice(number), slice_of(heard.segment, number)
    said_any = mine.start < mine.stop
    base = (int(stamps.stamp_us[mine.start]), int(stamps.heard_ns[mine.start])) if said_any else (0, 0)
    asked, said = answers(exchanges, base, number), messages(stamps, base, number)
    times, lines = heard.at_ns[frames], stamps.line_ns[mine]
    return _Life(
        base=base,
        asked=asked,
        said=said,
        trips=_trips(exchanges, number),
        heard_ns=(int(times[0]), int(times[-1])) if len(times) else (0, 0),
        lines_ns=(int(lines.min()), int(lines.max()) + coarse.line_ns) if len(lines) else (0, 0),
        step_ns=max(resolution_ns(asked, said), coarse.step_ns),
        line_ns=byte_doubt_ns(exchanges.baud) // 2,
        ticks=_ticks(said, stamps.heard_ns[mine]),
        coarse=coarse,
    )


def _trips(exchanges: Exchanges, number: int) -> Trips:
    trip = exchanges.trip_ns[exchanges.slice(number)]
    if not len(trip):
        return NO_TRIPS
    bare = exchanges.latest_ns[exchanges.slice(number)] - exchanges.earliest_ns[exchanges.slice(number)]
    return Trips(len(trip), int(trip.min()), int(np.median(trip)), int((trip - bare).max()))


def _ticks(said: Points, heard_ns: Ints) -> bool:
    """Return whether the stamps go on with time at all."""
    if len(heard_ns) < FEWEST_TICKS:
        return True
    gone, shown = int(heard_ns[-1] - heard_ns[0]), int(said.dev_us[-1] - said.dev_us[0]) * US
    return shown * STANDS_STILL >= gone


def _known_rate(lives: list[_Life]) -> tuple[Rate, list[Points | None]]:
    """Return the device's rate, and each segment's answers narrowed by all other limits at that rate.

    Where limits contradict each other the rate is allowed to change by more. If nothing helps (a clock that
    jumps), there are no narrowed answers.
    """
    step_ns = max(life.step_ns for life in lives)
    wander = max(WANDER, *(seen_wander(life.asked) for life in lives))
    while wander < WANDER_MOST:
        asked: list[Points | None] = [life.asked for life in lives]
        for _ in range(ROUNDS):
            known = best_rate([part for part in asked if part is not None], step_ns, wander)
            asked = [
                part and tightened(part, life.said, known, step_ns)
                for life, part in zip(lives, asked, strict=True)
            ]
        if not any(part is None for part in asked):
            return known, asked
        wander *= MORE_WANDER
    return best_rate([life.asked for life in lives], step_ns, WANDER_MOST), [None] * len(lives)


def _segment(life: _Life, narrowed: Points | None, known: Rate) -> Segment:
    """Return the map of a segment: through its answers, or narrowed ones, or by when messages came."""
    if not life.ticks:
        return _without_clock(life)
    if not len(life.asked):
        return _from_arrivals(life, known)
    plain = _through(life, life.asked, known)
    if narrowed is None:
        return plain
    better = _through(life, narrowed, known)
    return better if better.bound_ns < plain.bound_ns else plain


def _through(life: _Life, points: Points, known: Rate) -> Segment:
    """Return the map through the best of `points`; every limit of the segment tests it."""
    nodes = nodes_of(points, known)
    worst, reach = int(nodes.half_ns.max()), _reach(life, nodes, known)
    half = max(worst, int(life.asked.half_ns.min()))
    line = min(life.line_ns, half)
    parts = Parts(half - line, line, reach - worst, 0, life.step_ns)
    part = Segment(*life.base, nodes.dev_us, nodes.middle_ns, known, parts, "pings", life.trips)
    return replace(part, parts=parts._replace(misfit_ns=max(0, _misfit(life, part) - part.bound_ns)))


def _reach(life: _Life, nodes: Points, known: Rate) -> int:
    """Return how far out the map may be anywhere: at a node, between two, or beyond the first and the last.

    A rate that changes by `wander` bends the way between two nodes by at most half their distance times it;
    where no such rate leads from one to the other, the clock jumped, nobody knows when.
    """
    half = nodes.half_ns
    first = int(nodes.dev_us[0])
    waited_us = (int(nodes.middle_ns[0]) - life.heard_ns[0] + ARRIVAL_BOUND_NS) // US
    older = life.said.dev_us[life.said.dev_us >= first - waited_us]
    beyond = (first - int(older.min(initial=first))) * US, max(0, life.heard_ns[1] - int(nodes.middle_ns[-1]))
    ends = [
        int(half[place]) + abs(frequency_error(known.error, time))
        for place, time in zip((0, -1), beyond, strict=True)
    ]
    gap, way = np.diff(nodes.dev_us) * US, np.diff(nodes.middle_ns)
    odd = np.abs(way - gap * known.rate)
    jumped = odd > half[1:] + half[:-1] + gap * known.error + 2 * life.step_ns
    between = np.maximum(half[1:], half[:-1]) + np.where(jumped, odd, gap / 2 * known.wander)
    return int(np.ceil(max([*ends, *between.tolist()])))


def _misfit(life: _Life, part: Segment) -> int:
    """Return by how much the map breaks the worst limit.

    A message stamped more than `ARRIVAL_BOUND_NS` after it came has a broken stamp; that is no clock error.
    """
    at = _map(part, life.asked.dev_us)
    asked = np.maximum(life.asked.low_ns - life.step_ns - at, at - life.asked.high_ns)
    said = _map(part, life.said.dev_us) - life.said.high_ns
    said = said[said < ARRIVAL_BOUND_NS]
    return max(int(asked.max()), int(said.max(initial=0)))


def _from_arrivals(life: _Life, known: Rate) -> Segment:
    """Map by when messages came: never before their stamp plus their byte times, seldom much later."""
    said = life.said
    if not len(said):
        parts = Parts(ARRIVAL_BOUND_NS, 0, 0, 0, 0)
        return Segment(*life.base, ints([]), ints([]), known, parts, "nothing")
    own = rate_between(soonest(said, known), life.step_ns, known.wander)
    rate = min(known, own, key=lambda rate: rate.error)
    nodes = soonest(said, rate)
    drift = int(rate.error * ARRIVAL_WINDOW_US * US)
    parts = Parts(ARRIVAL_BOUND_NS, life.coarse.line_ns, drift, 0, life.step_ns)
    return Segment(*life.base, nodes.dev_us, nodes.high_ns, rate, parts, "arrivals")


def _without_clock(life: _Life) -> Segment:
    return _by_arrival(life.base[1], life.lines_ns, life.trips)


def _by_arrival(heard_ns: int, lines_ns: tuple[int, int], trips: Trips) -> Segment:
    """Map arrivals, less the shortest message's byte times; the bound has what longer ones take more."""
    shortest, longest = lines_ns
    parts = Parts(ARRIVAL_BOUND_NS, longest - shortest, 0, 0, RESOLUTION_NS)
    base_us, base_ns = heard_ns // US, heard_ns // US * US
    nodes = ints([base_us]), ints([base_ns - shortest])
    return Segment(base_us, base_ns, *nodes, UNKNOWN_RATE, parts, "arrivals", trips, ticks=False)


__all__ = [
    "ARRIVAL_BOUND_NS",
    "RATE_LIMIT",
    "RESOLUTION_NS",
    "UNKNOWN_RATE",
    "WANDER",
    "ClockMap",
    "Coarse",
    "How",
    "Parts",
    "Rate",
    "Segment",
    "Trips",
    "map_clock",
]

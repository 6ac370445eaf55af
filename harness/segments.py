"""What is one step as carried out? Its messages with their times, put in a row with those of other steps.

Inside a segment every message has a time from the segment's start, so a timeline is complete and pure
although a `wait` may make the run longer or shorter. Messages are made on demand: a day-long plan costs no
memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from random import Random
from typing import Any, Final, NamedTuple

from harness.bench.protocol import Role
from harness.chance import stream
from harness.clock import MS
from harness.codec import messages as m
from harness.plan import model as p

REFRESH_NS: Final = 200 * MS
"""A held stick position is sent again this often, so that one damaged frame does not leave the old one."""
MAX_SET: Final = 0xFFFF

Sticks = tuple[int, ...]
"""Where every stick stands, in us."""
Positions = Iterator[tuple[int, Sticks]]
"""Times in ns from the segment's start, and where every stick stands from then on."""


class Due(NamedTuple):
    """One message to send `at_ns` after its segment began; `mark` names it in the recording if it matters."""

    at_ns: int
    role: Role
    message: Any
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Segment:
    """One step as carried out.

    `length_ns` is its planned time, for a wait the deadline. `due(n)` makes its messages in order of `at_ns`
    after `n` stick sets were sent. `sticks_every_ns` is the shortest time between two stick sets, `packets`
    the expected number of packets sent, `cuts` the number of link cuts. With `own_sticks` the transmitter
    uses its own inputs, and whoever plays the segment must watch the throttle.
    """

    step: p.PlanStep
    title: str
    length_ns: int
    due: Callable[[int], Iterator[Due]]
    sticks_every_ns: int
    packets: int = 0
    cuts: int = 0
    wait: p.Wait | None = None
    own_sticks: bool = False


class Draft:
    """Steps put in a row: where the sticks stand by now, and the `segments` so far."""

    def __init__(self, plan: p.Plan, seed: int, throttle_share: Fraction) -> None:
        self.plan = plan
        self.link = plan.link
        self.seed = seed
        self.tops = tuple(top_us(channel, throttle_share) for channel in self.link.channels)
        self.sticks = self.link.rest_us
        self.segments: list[Segment] = []
        self._streams = 0
        self._turns: dict[str, int] = {}

    def chance(self) -> Random:
        """Return a random stream of its own for each segment: editing one step leaves the others alone."""
        self._streams += 1
        return stream(self.seed, f"timeline/{self._streams}")

    def turn(self, path: str) -> int:
        """Return how often this was asked before for the step under `path`, whatever repeats it."""
        self._turns[path] = self._turns.get(path, -1) + 1
        return self._turns[path]

    def capped(self, index: int, pulse_us: int) -> int:
        """Return a stick pulse, but no more than that channel's stick may show."""
        return min(pulse_us, self.tops[index])

    def moved(self, sticks: Sticks, index: int, pulse_us: int) -> Sticks:
        """Return `sticks` with one of them moved."""
        return (*sticks[:index], self.capped(index, pulse_us), *sticks[index + 1 :])

    def span(self, index: int, low: int | None, high: int | None) -> tuple[int, int]:
        """Return both ends of a movement in us, each no higher than the stick may go."""
        span = self.link.channels[index].range
        ends = (span.low_us if low is None else low), (span.high_us if high is None else high)
        return self.capped(index, ends[0]), self.capped(index, ends[1])

    def packets(self, length_ns: int) -> int:
        """Return how many packets go out in a time at the link's own rate."""
        return length_ns * self.link.packet_rate_mhz // 10**12

    def play(
        self,
        step: p.PlanStep,
        title: str,
        length_ns: int,
        positions: Callable[[], Positions],
        extra: Callable[[], Iterator[Due]] | None = None,
        *,
        every_ns: int = REFRESH_NS,
        **about: Any,
    ) -> None:
        """Append a segment that shows stick `positions`, refreshed while they stand, and sends `extra`."""

        def due(first: int) -> Iterator[Due]:
            sticks = numbered(refreshed(positions(), length_ns), first)
            return sticks if extra is None else _merged(sticks, extra())

        about.setdefault("packets", self.packets(length_ns))
        self.segments.append(Segment(step, title, length_ns, due, min(every_ns, REFRESH_NS), **about))

    def still(self) -> Callable[[], Positions]:
        """Return positions in which every stick stays where it is now."""
        sticks = self.sticks
        return lambda: iter([(0, sticks)])


def top_us(channel: p.Channel, throttle_share: Fraction) -> int:
    """Return the highest pulse in us that a stick may show: a throttle is capped at a share of its travel."""
    low, high = channel.range.low_us, channel.range.high_us
    return low + int((high - low) * throttle_share) if channel.role == "throttle" else high


def packet_rate(at_ns: int, rate_mhz: int) -> Due:
    """Return the message that sets the transmitter's packet rate."""
    return Due(at_ns, Role.TRANSMITTER, m.Setting(m.SettingId.PACKET_RATE_MHZ, rate_mhz))


def refreshed(positions: Positions, length_ns: int) -> Positions:
    """Repeat each position every `REFRESH_NS` until the next one, or until `length_ns`."""
    at, sticks = next(positions, (0, None))
    while sticks is not None:
        following = next(positions, None)
        until = length_ns if following is None else following[0]
        for again in range(at, max(until, at + 1), REFRESH_NS):
            yield again, sticks
        at, sticks = following if following is not None else (0, None)


def numbered(positions: Positions, first: int) -> Iterator[Due]:
    """Give each stick set the next number from 1 to 65 535; 0 is kept for the transmitter's own sticks."""
    for count, (at, sticks) in enumerate(positions, first):
        yield Due(at, Role.TRANSMITTER, m.Sticks(count % MAX_SET + 1, sticks))


def _merged(one: Iterator[Due], other: Iterator[Due]) -> Iterator[Due]:
    """Merge two time-ordered rows; at equal times the first goes first."""
    left, right = next(one, None), next(other, None)
    while left is not None or right is not None:
        if right is None or (left is not None and left.at_ns <= right.at_ns):
            assert left is not None
            yield left
            left = next(one, None)
        else:
            yield right
            right = next(other, None)


def times(count: int) -> str:
    """Return `once` or `3 times`."""
    return "once" if count == 1 else f"{count} times"

"""What is sent, and when: turns a plan and a seed into due messages, with no device in sight.

A timeline is a row of segments, one per step as carried out. Inside a segment every message has a time
from the segment's start, so the timeline is complete and pure although a `wait` may make the run longer or
shorter. Messages are made on demand: a day-long plan costs no memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations, islice
from random import Random
from typing import Any, Final, NamedTuple

from harness.bench.protocol import Role
from harness.chance import stream
from harness.clock import MS, US, S
from harness.codec import messages as m
from harness.injected import injected
from harness.plan import model as p
from harness.plan.extent import OWN_AFTER_NS, margin_ns
from harness.plan.trials import BURST_PACKET_NS, limit_step_ns, method_of, overload_for_ns, repeats_of
from harness.plan.units import format_decibel, format_share

REFRESH_NS: Final = 200 * MS
"""A held stick position is sent again this often, so that one damaged frame does not leave the old one."""
CUT_BEFORE: Final = (Fraction(3, 5), Fraction(13, 20))
CUT_AFTER: Final = (Fraction(3, 10), Fraction(7, 20))
"""Throttle during the linked time before and after a cut, as shares of its travel: far apart, so that a
value replayed from before the cut cannot pass for a fresh one."""
CUT_LOW: Final = (Fraction(0), Fraction(2, 5))
CUT_HIGH: Final = (Fraction(3, 5), Fraction(1))
"""Any other stick is in one of these spans before a cut and in the other after it."""
MAX_SET: Final = 0xFFFF
RELEASES: Final = 3
RELEASE_EVERY_NS: Final = 20 * MS
"""A release is sent three times, so that one damaged frame does not leave the last sticks standing."""


Positions = Iterator[tuple[int, tuple[int, ...]]]
"""Times in ns from the segment's start, and where every stick stands from then on, in us."""


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


@dataclass(frozen=True, slots=True)
class Timeline:
    """Every segment of a run, the seed it was drawn from, and how far throttle sticks may go."""

    plan: p.Plan
    seed: int
    segments: tuple[Segment, ...]
    throttle_share: Fraction = Fraction(1)

    @property
    def length_ns(self) -> int:
        """Planned time of the whole run in ns, waits at their deadline."""
        return sum(segment.length_ns for segment in self.segments)

    @property
    def packets(self) -> int:
        """Expected number of packets."""
        return sum(segment.packets for segment in self.segments)

    @property
    def cuts(self) -> int:
        """Number of link cuts."""
        return sum(segment.cuts for segment in self.segments)


def build_timeline(plan: p.Plan, seed: int, *, throttle_share: Fraction = Fraction(1)) -> Timeline:
    """Return the timeline of `plan` under `seed`.

    `throttle_share` caps every throttle stick at that share of its travel (hardware: the plan's
    `safety.throttle_up_to`). Equal arguments give equal messages.
    """
    builder = TimelineBuilder(plan, seed, throttle_share)
    for step in plan.steps:
        builder.add(step)
    return Timeline(plan, seed, tuple(builder.segments), throttle_share)


class TimelineBuilder:
    """Walks steps in order, keeps where the sticks stand, and collects `segments`."""

    def __init__(self, plan: p.Plan, seed: int, throttle_share: Fraction) -> None:
        self.plan = plan
        self.link = plan.link
        self.seed = seed
        self.tops = tuple(top_us(channel, throttle_share) for channel in self.link.channels)
        self.sticks = self.link.rest_us
        self.segments: list[Segment] = []
        self.serial = 0

    def add(self, step: p.PlanStep) -> None:
        """Append the segments of one step."""
        action = step.action
        if isinstance(action, p.Repeat):
            for _ in range(action.times):
                for inner in action.steps:
                    self.add(inner)
            return
        make = getattr(self, f"_{action.WORD}")
        make(step, action)

    # -- helpers -------------------------------------------------------------------------------------

    def _chance(self) -> Random:
        """A random stream of its own for each segment, so that editing one step leaves the others alone."""
        self.serial += 1
        return stream(self.seed, f"timeline/{self.serial}")

    def _capped(self, index: int, pulse_us: int) -> int:
        return min(pulse_us, self.tops[index])

    def _with(self, sticks: tuple[int, ...], index: int, pulse_us: int) -> tuple[int, ...]:
        return (*sticks[:index], self._capped(index, pulse_us), *sticks[index + 1 :])

    def _span(self, index: int, low: int | None, high: int | None) -> tuple[int, int]:
        """Both ends of a movement, each no higher than the stick may go."""
        span = self.link.channels[index].range
        ends = (span.low_us if low is None else low), (span.high_us if high is None else high)
        return self._capped(index, ends[0]), self._capped(index, ends[1])

    def _packets(self, length_ns: int) -> int:
        return length_ns * self.link.packet_rate_mhz // 10**12

    def _play(
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
        """Append a segment that shows stick `positions` (time, sticks), each refreshed while it stands."""

        def due(first: int) -> Iterator[Due]:
            sticks = _numbered(_refreshed(positions(), length_ns), first)
            return sticks if extra is None else _merged(sticks, extra())

        about.setdefault("packets", self._packets(length_ns))
        self.segments.append(Segment(step, title, length_ns, due, min(every_ns, REFRESH_NS), **about))

    def _still(self, sticks: tuple[int, ...]) -> Callable[[], Positions]:
        return lambda: iter([(0, sticks)])

    # -- one method per step word ---------------------------------------------------------------------

    def _settle(self, step: p.PlanStep, action: p.Settle) -> None:
        self.sticks = self.link.rest_us
        self._play(step, "every stick at rest", action.for_ns, self._still(self.sticks))

    def _hold(self, step: p.PlanStep, action: p.Hold) -> None:
        for name, pulse in action.sticks:
            self.sticks = self._with(self.sticks, self.link.channel_index(name), pulse)
        moved = [(name, self.sticks[self.link.channel_index(name)]) for name, _ in action.sticks]
        where = ", ".join(f"{name} {pulse} us" for name, pulse in moved) or "where they are"
        self._play(step, f"sticks held, {where}", action.for_ns, self._still(self.sticks))

    def _step(self, step: p.PlanStep, action: p.Step) -> None:
        index = self.link.channel_index(action.channel)
        ends = self._span(index, action.from_us, action.to_us)
        both = tuple(self._with(self.sticks, index, pulse) for pulse in ends)
        jumps = 2 * action.times

        def positions() -> Positions:
            return ((n * action.dwell_ns, both[n % 2]) for n in range(jumps))

        self.sticks = both[1]
        title = f"{action.channel} jumps between {ends[0]} us and {ends[1]} us, {_times(action.times)}"
        self._play(step, title, jumps * action.dwell_ns, positions, every_ns=action.dwell_ns)

    def _ramp(self, step: p.PlanStep, action: p.Ramp) -> None:
        index = self.link.channel_index(action.channel)
        start, end = self._span(index, action.from_us, action.to_us)
        tick, base = self.link.packet_period_ns, self.sticks

        def positions() -> Positions:
            for at in range(0, action.over_ns, tick):
                yield at, self._with(base, index, start + (end - start) * at // action.over_ns)
            yield action.over_ns - 1, self._with(base, index, end)

        self.sticks = self._with(base, index, end)
        self._play(
            step,
            f"{action.channel} moves from {start} us to {end} us",
            action.over_ns,
            positions,
            every_ns=tick,
        )

    def _sweep(self, step: p.PlanStep, action: p.Sweep) -> None:
        for name in action.channels or tuple(channel.name for channel in self.link.channels):
            index = self.link.channel_index(name)
            self.sticks = self._with(self.sticks, index, self.link.channels[index].rest_us)
            if action.shape == "staircase":
                self._staircase(step, action, index)
            else:
                self._wave(step, action, index)

    def _staircase(self, step: p.PlanStep, action: p.Sweep, index: int) -> None:
        channel, base = self.link.channels[index], self.sticks
        low, high = self._span(index, action.from_us, action.to_us)
        pulses = range(low, high + 1, channel.resolution_us)
        dwell = action.dwell_ns or 2 * self.link.packet_period_ns
        stairs = len(pulses) * action.cycles

        def positions() -> Positions:
            return ((n * dwell, self._with(base, index, pulses[n % len(pulses)])) for n in range(stairs))

        title = f"{channel.name} goes up every {channel.resolution_us} us from {low} us to {high} us"
        self._play(step, title, stairs * dwell, positions, every_ns=dwell)

    def _wave(self, step: p.PlanStep, action: p.Sweep, index: int) -> None:
        channel, base, tick = self.link.channels[index], self.sticks, self.link.packet_period_ns
        low, high = self._span(index, action.from_us, action.to_us)
        wave = _triangle if action.shape == "triangle" else _sine
        length = action.period_ns * action.cycles

        def positions() -> Positions:
            for at in range(0, length, tick):
                yield at, self._with(base, index, low + wave(at, action.period_ns, high - low))

        title = f"{channel.name} sweeps {low} us to {high} us, {action.shape}"
        self._play(step, title, length, positions, every_ns=tick)

    def _corners(self, step: p.PlanStep, action: p.Corners) -> None:
        spans = [channel.range for channel in self.link.channels]
        rows = [
            tuple(
                self._capped(index, spans[index].high_us if up else spans[index].low_us)
                for index, up in enumerate(row)
            )
            for row in pairwise_ends(len(spans))
        ]

        def positions() -> Positions:
            return ((n * action.dwell_ns, row) for n, row in enumerate(rows))

        self.sticks = self.link.rest_us
        title = f"{len(rows)} corners, every pair of channels"
        self._play(step, title, len(rows) * action.dwell_ns, positions, every_ns=action.dwell_ns)

    def _wander(self, step: p.PlanStep, action: p.Wander) -> None:
        name = self._chance().getrandbits(64)
        base, every = self.sticks, action.every_ns or self.link.packet_period_ns
        choices = 2 * action.stride_us + 1

        def positions() -> Positions:
            chance, now = Random(name), list(base)
            for at in range(0, action.for_ns, every):
                yield at, tuple(now)
                for index, channel in enumerate(self.link.channels):
                    moved = now[index] + int(chance.random() * choices) - action.stride_us
                    kept = min(max(moved, channel.range.low_us), channel.range.high_us)
                    now[index] = self._capped(index, kept)

        self._play(step, "every stick wanders", action.for_ns, positions, every_ns=every)
        self.sticks = self.link.rest_us

    def _burst(self, step: p.PlanStep, action: p.Burst) -> None:
        one = action.count * max(action.spacing_ns, BURST_PACKET_NS) + action.pause_ns
        message = m.Burst(action.count, action.spacing_ns // US)

        def extra() -> Iterator[Due]:
            return (Due(n * one, Role.TRANSMITTER, message, "burst") for n in range(action.times))

        gap = f"{action.spacing_ns // US} us apart" if action.spacing_ns else "back to back"
        count, packets = _many(action.times, "burst"), _many(action.count, "packet")
        title = f"{count} of {packets} {gap}"
        sent = self._packets(one * action.times) + action.count * action.times
        self._play(step, title, one * action.times, self._still(self.sticks), extra, packets=sent)

    def _cut(self, step: p.PlanStep, action: p.Cut) -> None:
        for _ in range(action.times):
            self._one_cut(step, action)

    def _one_cut(self, step: p.PlanStep, action: p.Cut) -> None:
        chance = self._chance()
        period = action.period_ns(self.link.packet_period_ns)
        delay = chance.randrange(period) if action.phase == "random" else action.phase
        delay_us, duration_us = delay // US, action.duration_ns // US
        before, after = self._cut_sticks(chance)
        start = action.before_ns
        length = start + delay + action.duration_ns + action.after_ns

        def positions() -> Positions:
            return iter([(0, before), (start + delay + action.duration_ns // 2, after)])

        def extra() -> Iterator[Due]:
            if action.packet_rate_mhz:  # set anew for each cut: packets then begin at another phase
                yield _packet_rate(0, action.packet_rate_mhz)
            yield Due(start, Role.TRANSMITTER, m.Silence(delay_us, duration_us), "cut")
            if action.packet_rate_mhz:
                yield _packet_rate(length, self.link.packet_rate_mhz)

        self.sticks = after
        title = f"link cut for {action.duration_ns // MS} ms"
        if action.packet_rate_mhz:
            title += f" at {action.packet_rate_mhz / 1000:g} Hz"
        self._play(
            step, title, length, positions, extra, cuts=1, packets=(length - action.duration_ns) // period
        )

    def _cut_sticks(self, chance: Random) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Where the sticks stand before and after a cut: far apart, and off their failsafe value."""
        pairs = []
        for index, channel in enumerate(self.link.channels):
            spans = [CUT_BEFORE, CUT_AFTER]
            if channel.role != "throttle":
                spans = [CUT_LOW, CUT_HIGH]
                chance.shuffle(spans)
            pairs.append([self._drawn(chance, index, *span) for span in spans])
        before, after = zip(*pairs, strict=True)
        return before, after

    def _drawn(self, chance: Random, index: int, least: Fraction, most: Fraction) -> int:
        """A stick pulse between two shares of the travel allowed, not the one that failsafe shows."""
        channel = self.link.channels[index]
        low, top = channel.range.low_us, self.tops[index]
        ends = [low + int((top - low) * share) for share in (least, most)]
        pulse = chance.randint(*ends)
        return pulse if channel.output_us(pulse) != channel.failsafe_us else ends[pulse == ends[0]]

    def _wait(self, step: p.PlanStep, action: p.Wait) -> None:
        words = {
            "linked": "the link to be up",
            "failsafe": "failsafe",
            "packets": _many(action.packets, "packet"),
        }
        self._play(
            step, f"wait for {words[action.until]}", action.deadline_ns, self._still(self.sticks), wait=action
        )

    def _restart(self, step: p.PlanStep, action: p.Restart) -> None:
        one = action.before_ns + action.after_ns

        def extra() -> Iterator[Due]:
            for n in range(action.times):
                yield Due(n * one + action.before_ns, action.device, m.Restart(), "restart")

        title = f"the {action.device} restarts {_times(action.times)}"
        self._play(step, title, one * action.times, self._still(self.sticks), extra)

    def _throughput(self, step: p.PlanStep, action: p.FindThroughput) -> None:
        low, high = (action.from_mhz or self.link.packet_rate_mhz), action.to_mhz
        title = (
            f"search of the highest packet rate without loss, {low / 1000:g} Hz to {high / 1000:g} Hz "
            f"({action.method}: trials of {action.trial_ns / S:g} s, "
            f"the last one of {method_of(action).final_ns / S:g} s)"
        )
        seen = action.trial_ns + method_of(action).final_ns
        self._limits(step, action, title, high * seen // 10**12)

    def _back_to_back(self, step: p.PlanStep, action: p.FindBackToBack) -> None:
        title = (
            f"search of the longest burst without loss, up to {action.up_to} packets, "
            f"{_times(repeats_of(action))} ({action.method})"
        )
        self._limits(step, action, title, repeats_of(action) * action.up_to)

    def _overload(self, step: p.PlanStep, action: p.Overload) -> None:
        rate = f"{float(action.share * 100):g} % of the throughput found"
        if action.rate_mhz:
            rate = f"{action.rate_mhz / 1000:g} Hz"
        title = (
            f"overload at {rate} for {overload_for_ns(action) / S:g} s, then half of it for "
            f"{action.after_ns / S:g} s, {_times(action.times)} ({action.method})"
        )
        self._limits(step, action, title, self._packets(action.times * overload_for_ns(action)))

    def _limits(self, step: p.PlanStep, action: p.LimitStep, title: str, packets: int) -> None:
        """Append a step whose trials the runner decides as it goes: the sticks stay where they are."""
        self._play(step, title, limit_step_ns(action, self.link), self._still(self.sticks), packets=packets)

    def _margin(self, step: p.PlanStep, action: p.Margin) -> None:
        """Append a step whose levels the runner goes through until packets get lost: every stick at rest."""
        self.sticks = self.link.rest_us
        levels = action.levels_x10
        what = "power" if action.by == "power" else "attenuation, set by hand,"
        first, last = (format_decibel(level, action.unit) for level in (levels[0], levels[-1]))
        title = (
            f"{action.packets} packets at each {what} from {first} to {last}, {len(levels)} levels, "
            f"or until fewer than {format_share(action.until_under)} come through"
        )
        self._play(step, title, margin_ns(action, self.link), self._still(self.sticks))

    def _own_sticks(self, step: p.PlanStep, action: p.OwnSticks) -> None:
        """Rest first, then a release: the transmitter's own inputs rule. Keep-alives change nothing of it."""
        self.sticks = self.link.rest_us

        def due(first: int) -> Iterator[Due]:
            yield from _numbered(_refreshed(self._still(self.link.rest_us)(), OWN_AFTER_NS), first)
            for turn in range(RELEASES):
                yield Due(OWN_AFTER_NS + turn * RELEASE_EVERY_NS, Role.TRANSMITTER, m.Release(), "release")

        length = OWN_AFTER_NS + action.for_ns
        title = "the transmitter's own sticks, all let go"
        packets = self._packets(length)
        self.segments.append(Segment(step, title, length, due, REFRESH_NS, packets, own_sticks=True))

    def _inject(self, step: p.PlanStep, action: p.Inject) -> None:
        name = self._chance().getrandbits(64)
        fields = [(n, f.type) for n, f in enumerate(self.link.telemetry) if f.source == "injected"]

        def extra() -> Iterator[Due]:
            rows = zip(*(injected(kind, stream(name, str(number))) for number, kind in fields), strict=True)
            for turn, raws in zip(range(action.times), rows, strict=False):
                pairs = zip((number for number, _ in fields), raws, strict=True)
                yield Due(turn * action.every_ns, Role.RECEIVER, m.Inject(tuple(pairs)), "inject")

        title = f"{_many(action.times, 'set')} of telemetry values"
        self._play(step, title, action.times * action.every_ns, self._still(self.sticks), extra)


def top_us(channel: p.Channel, throttle_share: Fraction) -> int:
    """Return the highest pulse in us that a stick may show: a throttle is capped at a share of its travel."""
    low, high = channel.range.low_us, channel.range.high_us
    return low + int((high - low) * throttle_share) if channel.role == "throttle" else high


def _packet_rate(at_ns: int, rate_mhz: int) -> Due:
    return Due(at_ns, Role.TRANSMITTER, m.Setting(m.SettingId.PACKET_RATE_MHZ, rate_mhz))


def _refreshed(positions: Positions, length_ns: int) -> Positions:
    """Repeat each position every `REFRESH_NS` until the next one, or until `length_ns`."""
    at, sticks = next(positions, (0, None))
    while sticks is not None:
        following = next(positions, None)
        until = length_ns if following is None else following[0]
        for again in range(at, max(until, at + 1), REFRESH_NS):
            yield again, sticks
        at, sticks = following if following is not None else (0, None)


def _numbered(positions: Positions, first: int) -> Iterator[Due]:
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


def _triangle(at_ns: int, period_ns: int, span_us: int) -> int:
    """Height in us of a triangle wave that starts at its low end."""
    phase = 2 * (at_ns % period_ns)
    return span_us * min(phase, 2 * period_ns - phase) // period_ns


def _sine(at_ns: int, period_ns: int, span_us: int) -> int:
    """Height in us of a sine wave that starts at its low end."""
    return round(span_us * (1 - math.cos(2 * math.pi * (at_ns % period_ns) / period_ns)) / 2)


def pairwise_ends(channels: int) -> tuple[tuple[bool, ...], ...]:
    """Return the fewest rows of ends in which every two channels meet in all four ways.

    A covering array of strength 2 on two levels: N rows serve as many channels as there are ways to choose
    ceil(N/2) of N-1 rows (Katona 1973; Kleitman and Spencer 1973; cited from memory). Row 0 is all low;
    channel k is high in the k-th choice of ceil(N/2) of the other rows. One row per channel, shape
    `rows x channels`.
    """
    rows = 4
    while math.comb(rows - 1, -(-rows // 2)) < channels:
        rows += 1
    chosen = list(islice(combinations(range(1, rows), -(-rows // 2)), channels))
    return tuple(tuple(row in picks for picks in chosen) for row in range(rows))


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"

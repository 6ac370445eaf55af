"""How do sticks move in a step? Jumps, ramps, sweeps, corners and random walks, each as a segment."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import combinations, islice
from random import Random
from typing import Final

from harness.clock import S
from harness.plan import model as p
from harness.plan.extent import moves_on, stairs_together
from harness.segments import Draft, Positions, Sticks, times

SLOWEST: Final = 4
"""Channels that sweep together have periods of their own, the shortest a quarter shorter than the longest."""


def step(draft: Draft, step: p.PlanStep, action: p.Step) -> None:
    """Append a stick's jumps between two pulses."""
    index = draft.link.channel_index(action.channel)
    ends = draft.span(index, action.from_us, action.to_us)
    both = tuple(draft.moved(draft.sticks, index, pulse) for pulse in ends)
    jumps = 2 * action.times

    def positions() -> Positions:
        return ((n * action.dwell_ns, both[n % 2]) for n in range(jumps))

    draft.sticks = both[1]
    title = f"{action.channel} jumps between {ends[0]} us and {ends[1]} us, {times(action.times)}"
    draft.play(step, title, jumps * action.dwell_ns, positions, every_ns=action.dwell_ns)


def ramp(draft: Draft, step: p.PlanStep, action: p.Ramp) -> None:
    """Append a stick's even way from one pulse to another."""
    index = draft.link.channel_index(action.channel)
    start, end = draft.span(index, action.from_us, action.to_us)
    tick, base = draft.link.packet_period_ns, draft.sticks

    def positions() -> Positions:
        for at in range(0, action.over_ns, tick):
            yield at, draft.moved(base, index, start + (end - start) * at // action.over_ns)
        yield action.over_ns - 1, draft.moved(base, index, end)

    draft.sticks = draft.moved(base, index, end)
    title = f"{action.channel} moves from {start} us to {end} us"
    draft.play(step, title, action.over_ns, positions, every_ns=tick)


def sweep(draft: Draft, step: p.PlanStep, action: p.Sweep) -> None:
    """Append sweeps of one channel after the other, or of all of them at once."""
    names = action.channels or tuple(channel.name for channel in draft.link.channels)
    indices = [draft.link.channel_index(name) for name in names]
    if action.together:
        for index in indices:
            draft.sticks = draft.moved(draft.sticks, index, draft.link.channels[index].rest_us)
        made = _staircases if action.shape == "staircase" else _waves
        made(draft, step, action, indices)
        return
    for index in indices:
        draft.sticks = draft.moved(draft.sticks, index, draft.link.channels[index].rest_us)
        if action.shape == "staircase":
            _staircase(draft, step, action, index)
        else:
            _wave(draft, step, action, index)


def _staircase(draft: Draft, step: p.PlanStep, action: p.Sweep, index: int) -> None:
    channel, base = draft.link.channels[index], draft.sticks
    pulses = _stairs(draft, action, index)
    dwell = _dwell_ns(draft, action)
    stairs = len(pulses) * action.cycles

    def positions() -> Positions:
        return ((n * dwell, draft.moved(base, index, pulses[n % len(pulses)])) for n in range(stairs))

    low, high = draft.span(index, action.from_us, action.to_us)
    title = f"{channel.name} goes up every {channel.resolution_us} us from {low} us to {high} us"
    draft.play(step, title, stairs * dwell, positions, every_ns=dwell)


def _wave(draft: Draft, step: p.PlanStep, action: p.Sweep, index: int) -> None:
    channel, base, tick = draft.link.channels[index], draft.sticks, draft.link.packet_period_ns
    low, high = draft.span(index, action.from_us, action.to_us)
    height = _height(action)
    length = action.period_ns * action.cycles

    def positions() -> Positions:
        for at in range(0, length, tick):
            yield at, draft.moved(base, index, low + height(at, action.period_ns, high - low))

    title = f"{channel.name} sweeps {low} us to {high} us, {action.shape}"
    draft.play(step, title, length, positions, every_ns=tick)


def _stairs(draft: Draft, action: p.Sweep, index: int) -> range:
    low, high = draft.span(index, action.from_us, action.to_us)
    return range(low, high + 1, draft.link.channels[index].resolution_us)


def _dwell_ns(draft: Draft, action: p.Sweep) -> int:
    return action.dwell_ns or 2 * draft.link.packet_period_ns


# -- all at once -------------------------------------------------------------------------------------------


def _staircases(draft: Draft, step: p.PlanStep, action: p.Sweep, indices: Sequence[int]) -> None:
    """All channels go up at once, each from another stair.

    All but the first rest now and then for one stair, each in a rhythm of its own, so that the distance
    between any two of them never stays the same for long.
    """
    dwell, count, base = _dwell_ns(draft, action), len(indices), draft.sticks
    pulses = [_stairs(draft, action, index) for index in indices]
    starts = [len(row) * place // count for place, row in enumerate(pulses)]
    stairs = stairs_together(action, [len(row) for row in pulses])

    def at_stair(n: int) -> list[int]:
        return [row[(starts[one] + moves_on(n, one)) % len(row)] for one, row in enumerate(pulses)]

    def positions() -> Positions:
        return ((n * dwell, _with(base, indices, at_stair(n))) for n in range(stairs))

    title = f"{_named(draft, indices)} go up through every value, together"
    draft.play(step, title, stairs * dwell, positions, every_ns=dwell)


def _waves(draft: Draft, step: p.PlanStep, action: p.Sweep, indices: Sequence[int]) -> None:
    """All channels sweep at once, each from another height and with a period of its own.

    No two begin half a period apart, so none is another one mirrored.
    """
    tick, count, base = draft.link.packet_period_ns, len(indices), draft.sticks
    height = _height(action)
    length = action.period_ns * action.cycles
    periods = [action.period_ns - action.period_ns * n // (SLOWEST * count) for n in range(count)]
    spans = [draft.span(index, action.from_us, action.to_us) for index in indices]

    def at_time(at: int) -> list[int]:
        return [
            low + height(at + period * place // (2 * count), period, high - low)
            for place, (period, (low, high)) in enumerate(zip(periods, spans, strict=True))
        ]

    def positions() -> Positions:
        return ((at, _with(base, indices, at_time(at))) for at in range(0, length, tick))

    title = f"{_named(draft, indices)} sweep together, {action.shape}, {action.period_ns / S:g} s"
    draft.play(step, title, length, positions, every_ns=tick)


def _with(base: Sticks, indices: Sequence[int], pulses: Sequence[int]) -> Sticks:
    """Return `base` with the sticks under `indices` at `pulses`, which are within what they may show."""
    sticks = list(base)
    for index, pulse in zip(indices, pulses, strict=True):
        sticks[index] = pulse
    return tuple(sticks)


def _named(draft: Draft, indices: Sequence[int]) -> str:
    names = [draft.link.channels[index].name for index in indices]
    return "all channels" if len(names) == len(draft.link.channels) else ", ".join(names)


def _height(action: p.Sweep) -> Callable[[int, int, int], int]:
    return _triangle if action.shape == "triangle" else _sine


def _triangle(at_ns: int, period_ns: int, span_us: int) -> int:
    """Height in us of a triangle wave that starts at its low end."""
    phase = 2 * (at_ns % period_ns)
    return span_us * min(phase, 2 * period_ns - phase) // period_ns


def _sine(at_ns: int, period_ns: int, span_us: int) -> int:
    """Height in us of a sine wave that starts at its low end."""
    return round(span_us * (1 - math.cos(2 * math.pi * (at_ns % period_ns) / period_ns)) / 2)


# -- corners and walks -------------------------------------------------------------------------------------


def corners(draft: Draft, step: p.PlanStep, action: p.Corners) -> None:
    """Append a row of corners, each for the same time."""
    rows = [end_sticks(draft, row) for row in pairwise_ends(len(draft.link.channels))]

    def positions() -> Positions:
        return ((n * action.dwell_ns, row) for n, row in enumerate(rows))

    draft.sticks = draft.link.rest_us
    title = f"{len(rows)} corners, every pair of channels"
    draft.play(step, title, len(rows) * action.dwell_ns, positions, every_ns=action.dwell_ns)


def end_sticks(draft: Draft, row: Sequence[bool]) -> Sticks:
    """Return every stick at one of its ends: the high one, as far as it may go, where `row` says so."""
    spans = [channel.range for channel in draft.link.channels]
    return tuple(
        draft.capped(index, spans[index].high_us if up else spans[index].low_us)
        for index, up in enumerate(row)
    )


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


def wander(draft: Draft, step: p.PlanStep, action: p.Wander) -> None:
    """Append a random walk of every stick."""
    every = action.every_ns or draft.link.packet_period_ns
    positions = walk(draft, draft.sticks, action.for_ns, every, action.stride_us)
    draft.play(step, "every stick wanders", action.for_ns, positions, every_ns=every)
    draft.sticks = draft.link.rest_us


def walk(draft: Draft, base: Sticks, for_ns: int, every_ns: int, stride_us: int) -> Callable[[], Positions]:
    """Return the positions of a random walk from `base`: each stick moves by up to `stride_us` each time."""
    name = draft.chance().getrandbits(64)
    choices = 2 * stride_us + 1
    ends = [draft.span(index, None, None) for index in range(len(base))]

    def positions() -> Positions:
        chance, now = Random(name).random, base
        for at in range(0, for_ns, every_ns):
            yield at, now
            now = tuple(
                [
                    min(max(stick + int(chance() * choices) - stride_us, low), high)
                    for stick, (low, high) in zip(now, ends, strict=True)
                ]
            )

    return positions

"""What is sent, and when: turns a plan and a seed into due messages, with no device in sight.

A timeline is a row of segments (`harness.segments`), one per step as carried out. How sticks move in a step
is told in `harness.moving`, how a link is cut or disturbed in `harness.cutting`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import Any, Final

from harness import cutting, moving
from harness.bench.protocol import Role
from harness.chance import stream
from harness.clock import MS, US, S
from harness.codec import messages as m
from harness.injected import injected
from harness.moving import pairwise_ends
from harness.plan import model as p
from harness.plan.extent import OWN_AFTER_NS, margin_ns
from harness.plan.trials import BURST_PACKET_NS, limit_step_ns, method_of, overload_for_ns, repeats_of
from harness.plan.units import format_decibel, format_share
from harness.plan.wording import many
from harness.segments import REFRESH_NS, Draft, Due, Segment, numbered, refreshed, times, top_us

__all__ = [
    "REFRESH_NS",
    "Due",
    "Segment",
    "Timeline",
    "TimelineBuilder",
    "build_timeline",
    "pairwise_ends",
    "top_us",
]

RELEASES: Final = 3
RELEASE_EVERY_NS: Final = 20 * MS
"""A release is sent three times, so that one damaged frame does not leave the last sticks standing."""


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


class TimelineBuilder(Draft):
    """Walks steps in order and puts their segments in a row."""

    def add(self, step: p.PlanStep) -> None:
        """Append the segments of one step."""
        action = step.action
        if isinstance(action, p.Repeat):
            for _ in range(action.times):
                for inner in action.steps:
                    self.add(inner)
            return
        _MAKERS[type(action)](self, step, action)


def _settle(draft: Draft, step: p.PlanStep, action: p.Settle) -> None:
    draft.sticks = draft.link.rest_us
    draft.play(step, "every stick at rest", action.for_ns, draft.still())


def _hold(draft: Draft, step: p.PlanStep, action: p.Hold) -> None:
    for name, pulse in action.sticks:
        draft.sticks = draft.moved(draft.sticks, draft.link.channel_index(name), pulse)
    moved = [(name, draft.sticks[draft.link.channel_index(name)]) for name, _ in action.sticks]
    where = ", ".join(f"{name} {pulse} us" for name, pulse in moved) or "where they are"
    draft.play(step, f"sticks held, {where}", action.for_ns, draft.still())


def _burst(draft: Draft, step: p.PlanStep, action: p.Burst) -> None:
    one = action.count * max(action.spacing_ns, BURST_PACKET_NS) + action.pause_ns
    message = m.Burst(action.count, action.spacing_ns // US)

    def extra() -> Iterator[Due]:
        return (Due(n * one, Role.TRANSMITTER, message, "burst") for n in range(action.times))

    gap = f"{action.spacing_ns // US} us apart" if action.spacing_ns else "back to back"
    count, packets = many(action.times, "burst"), many(action.count, "packet")
    title = f"{count} of {packets} {gap}"
    sent = draft.packets(one * action.times) + action.count * action.times
    draft.play(step, title, one * action.times, draft.still(), extra, packets=sent)


def _wait(draft: Draft, step: p.PlanStep, action: p.Wait) -> None:
    words = {
        "linked": "the link to be up",
        "failsafe": "failsafe",
        "packets": many(action.packets, "packet"),
    }
    draft.play(step, f"wait for {words[action.until]}", action.deadline_ns, draft.still(), wait=action)


def _throughput(draft: Draft, step: p.PlanStep, action: p.FindThroughput) -> None:
    low, high = (action.from_mhz or draft.link.packet_rate_mhz), action.to_mhz
    title = (
        f"search of the highest packet rate without loss, {low / 1000:g} Hz to {high / 1000:g} Hz "
        f"({action.method}: trials of {action.trial_ns / S:g} s, "
        f"the last one of {method_of(action).final_ns / S:g} s)"
    )
    seen = action.trial_ns + method_of(action).final_ns
    _limits(draft, step, action, title, high * seen // 10**12)


def _back_to_back(draft: Draft, step: p.PlanStep, action: p.FindBackToBack) -> None:
    title = (
        f"search of the longest burst without loss, up to {action.up_to} packets, "
        f"{times(repeats_of(action))} ({action.method})"
    )
    _limits(draft, step, action, title, repeats_of(action) * action.up_to)


def _overload(draft: Draft, step: p.PlanStep, action: p.Overload) -> None:
    rate = f"{float(action.share * 100):g} % of the throughput found"
    if action.rate_mhz:
        rate = f"{action.rate_mhz / 1000:g} Hz"
    title = (
        f"overload at {rate} for {overload_for_ns(action) / S:g} s, then half of it for "
        f"{action.after_ns / S:g} s, {times(action.times)} ({action.method})"
    )
    _limits(draft, step, action, title, draft.packets(action.times * overload_for_ns(action)))


def _limits(draft: Draft, step: p.PlanStep, action: p.LimitStep, title: str, packets: int) -> None:
    """Append a step whose trials the runner decides as it goes: the sticks stay where they are."""
    draft.play(step, title, limit_step_ns(action, draft.link), draft.still(), packets=packets)


def _margin(draft: Draft, step: p.PlanStep, action: p.Margin) -> None:
    """Append a step whose levels the runner goes through until packets get lost: every stick at rest."""
    draft.sticks = draft.link.rest_us
    levels = action.levels_x10
    what = "power" if action.by == "power" else "attenuation, set by hand,"
    first, last = (format_decibel(level, action.unit) for level in (levels[0], levels[-1]))
    title = (
        f"{action.packets} packets at each {what} from {first} to {last}, {len(levels)} levels, "
        f"or until fewer than {format_share(action.until_under)} come through"
    )
    draft.play(step, title, margin_ns(action, draft.link), draft.still())


def _own_sticks(draft: Draft, step: p.PlanStep, action: p.OwnSticks) -> None:
    """Rest first, then a release: the transmitter's own inputs rule. Keep-alives change nothing of it."""
    draft.sticks = draft.link.rest_us
    still = draft.still()

    def due(first: int) -> Iterator[Due]:
        yield from numbered(refreshed(still(), OWN_AFTER_NS), first)
        for turn in range(RELEASES):
            yield Due(OWN_AFTER_NS + turn * RELEASE_EVERY_NS, Role.TRANSMITTER, m.Release(), "release")

    length = OWN_AFTER_NS + action.for_ns
    title = "the transmitter's own sticks, all let go"
    packets = draft.packets(length)
    draft.segments.append(Segment(step, title, length, due, REFRESH_NS, packets, own_sticks=True))


def _inject(draft: Draft, step: p.PlanStep, action: p.Inject) -> None:
    name = draft.chance().getrandbits(64)
    fields = [(n, f.type) for n, f in enumerate(draft.link.telemetry) if f.source == "injected"]

    def extra() -> Iterator[Due]:
        rows = zip(*(injected(kind, stream(name, str(number))) for number, kind in fields), strict=True)
        for turn, raws in zip(range(action.times), rows, strict=False):
            pairs = zip((number for number, _ in fields), raws, strict=True)
            yield Due(turn * action.every_ns, Role.RECEIVER, m.Inject(tuple(pairs)), "inject")

    title = f"{many(action.times, 'set')} of telemetry values"
    draft.play(step, title, action.times * action.every_ns, draft.still(), extra)


_MAKERS: Final[Mapping[type, Callable[[Draft, p.PlanStep, Any], None]]] = MappingProxyType(
    {
        p.Settle: _settle,
        p.Hold: _hold,
        p.Step: moving.step,
        p.Ramp: moving.ramp,
        p.Sweep: moving.sweep,
        p.Corners: moving.corners,
        p.Wander: moving.wander,
        p.Burst: _burst,
        p.Cut: cutting.cut,
        p.Fade: cutting.fade,
        p.Mute: cutting.mute,
        p.Interfere: cutting.interfere,
        p.Wait: _wait,
        p.Restart: cutting.restart,
        p.Inject: _inject,
        p.OwnSticks: _own_sticks,
        p.FindThroughput: _throughput,
        p.FindBackToBack: _back_to_back,
        p.Overload: _overload,
        p.Margin: _margin,
    }
)

"""How long and how many can a plan's steps get? Told without carrying `repeat` out, however it is nested."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from harness.clock import MS
from harness.plan import model as p
from harness.plan.trials import BURST_PACKET_NS, limit_step_ns, trials_of

MOST_CORNERS: Final = 8
"""Rows in which 16 channels meet pair by pair in all four ways: 7 rows serve 15 channels, 8 rows 35."""
LEVEL_SETTLE_NS: Final = 100 * MS
"""Time at a new level before its packets count: what was sent at the one before is over by then."""
OWN_AFTER_NS: Final = 300 * MS
"""Time at rest before the transmitter gets its own sticks back: what was applied before is over by then."""

USUAL_ROUNDS: Final = 8
"""Rounds of a plan with `extend: true`: eight times the samples narrow an interval to about a third."""
MOST_ROUNDS: Final = 1_000


def count_steps(steps: Iterable[p.PlanStep], link: p.Link) -> int:
    """Return the number of segments once `repeat` is unrolled: each cut and each swept channel is one."""
    return sum(_segments(step.action, link) for step in steps)


def _segments(action: p.StepAction, link: p.Link) -> int:
    match action:
        case p.Repeat():
            return action.times * count_steps(action.steps, link)
        case p.Cut():
            return action.times
        case p.Sweep():
            return len(action.channels or link.channels)
    return 1


def total_ns(steps: Iterable[p.PlanStep], link: p.Link) -> int:
    """Return the longest time that the steps can take in ns, waits at their deadline."""
    return sum(step_extent_ns(step.action, link) for step in steps)


def most_rounds(extend: p.Extend, round_ns: int) -> int:
    """Return how many times the steps may be played in all, if one round takes `round_ns` at most."""
    if extend.up_to_ns is None:
        return min(USUAL_ROUNDS, p.MAX_DURATION_NS // max(1, round_ns))
    return min(MOST_ROUNDS, extend.up_to_ns // max(1, round_ns))


def most_trials(plan: p.Plan) -> int:
    """Return the most trials at the link's limits that a whole run of the plan can have."""
    round_ns = total_ns(plan.steps, plan.link)
    return _trials(plan.steps, plan.link) * (most_rounds(plan.extend, round_ns) if plan.extend else 1)


def _trials(steps: Iterable[p.PlanStep], link: p.Link) -> int:
    return sum(_trials_in(step.action, link) for step in steps)


def _trials_in(action: p.StepAction, link: p.Link) -> int:
    if isinstance(action, p.Repeat):
        return action.times * _trials(action.steps, link)
    return trials_of(action, link) if isinstance(action, p.LimitStep) else 0


def step_extent_ns(action: p.StepAction, link: p.Link) -> int:
    """Return the longest time that one step can take, in ns."""
    match action:
        case p.Settle() | p.Hold() | p.Wander() | p.OwnSticks():
            return action.for_ns + OWN_AFTER_NS * isinstance(action, p.OwnSticks)
        case p.FindThroughput() | p.FindBackToBack() | p.Overload() | p.Margin():
            return margin_ns(action, link) if isinstance(action, p.Margin) else limit_step_ns(action, link)
        case p.Ramp() | p.Wait():
            return action.over_ns if isinstance(action, p.Ramp) else action.deadline_ns
        case p.Corners():
            return MOST_CORNERS * action.dwell_ns
        case p.Sweep():
            return sum(sweep_ns(action, channel, link) for channel in swept(action, link))
    return action.times * _once_ns(action, link)


def _once_ns(action: p.Step | p.Burst | p.Cut | p.Restart | p.Inject | p.Repeat, link: p.Link) -> int:
    """Return the longest time in ns of one turn of a step that has `times`."""
    match action:
        case p.Step():
            return 2 * action.dwell_ns
        case p.Burst():
            return action.count * max(action.spacing_ns, BURST_PACKET_NS) + action.pause_ns
        case p.Cut():
            period_ns = action.period_ns(link.packet_period_ns)
            phase_ns = period_ns if action.phase == "random" else action.phase
            return action.before_ns + phase_ns + action.duration_ns + action.after_ns
        case p.Restart():
            return action.before_ns + action.after_ns
        case p.Inject():
            return action.every_ns
    return total_ns(action.steps, link)


def margin_ns(action: p.Margin, link: p.Link) -> int:
    """Return the time of a margin step that goes through all its levels, in ns, turning by hand apart."""
    return len(action.levels_x10) * level_ns(action, link)


def level_ns(action: p.Margin, link: p.Link) -> int:
    """Return the time at one level of a margin step, in ns."""
    return LEVEL_SETTLE_NS + action.packets * link.packet_period_ns


def swept(action: p.Sweep, link: p.Link) -> list[p.Channel]:
    """Return the channels that a sweep moves, in order."""
    names = action.channels
    if not names:
        return list(link.channels)
    return [channel for name in names for channel in link.channels if channel.name == name]


def stairs(action: p.Sweep, channel: p.Channel) -> int:
    """Return the number of values that a staircase goes through on one channel, once up."""
    low = channel.range.low_us if action.from_us is None else action.from_us
    high = channel.range.high_us if action.to_us is None else action.to_us
    return max(0, (high - low) // channel.resolution_us + 1)


def stair_ns(action: p.Sweep, link: p.Link) -> int:
    """Return the time on each stair in ns: two packet periods unless the step says otherwise."""
    return action.dwell_ns or 2 * link.packet_period_ns


def sweep_ns(action: p.Sweep, channel: p.Channel, link: p.Link) -> int:
    """Return the time that a sweep takes on one channel, in ns."""
    if action.shape == "staircase":
        return action.cycles * stairs(action, channel) * stair_ns(action, link)
    return action.cycles * action.period_ns

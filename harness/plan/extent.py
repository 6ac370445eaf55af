"""How long and how many can a plan's steps get? Told without carrying `repeat` out, however it is nested."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

from harness.clock import MS, US
from harness.plan import model as p
from harness.plan.trials import BURST_PACKET_NS, limit_step_ns, trials_of

MOST_CORNERS: Final = 8
"""Rows in which 16 channels meet pair by pair in all four ways: 7 rows serve 15 channels, 8 rows 35."""
LEVEL_SETTLE_NS: Final = 100 * MS
"""Time at a new level before its packets count: what was sent at the one before is over by then."""
OWN_AFTER_NS: Final = 300 * MS
"""Time at rest before the transmitter gets its own sticks back: what was applied before is over by then."""

BURST_LEAD_NS: Final = 200 * US
"""For each packet of its burst a cut begins so much later than the burst, which is under way then: a packet
and its acknowledgement take 0.4 ms to 2.5 ms on common 2.4 GHz transceivers (common practice, no source)."""
BURST_COMMAND_NS: Final = 1_200 * US
"""Time of a burst's command, 14 bytes, on a line with 115 200 baud; half or twice as much does no harm."""
SURELY_NS: Final = 100 * MS
"""Time beyond which nothing of what went before is left: commands on their way, loops, outputs."""
RESTS_FROM: Final = 7
"""In a staircase of channels together the second rests at every eighth stair, the third at every ninth."""

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
        case p.Cut() | p.Fade():
            return action.times
        case p.Sweep() if not action.together:
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
            one_by_one = (sweep_ns(action, channel, link) for channel in swept(action, link))
            return together_ns(action, link) if action.together else sum(one_by_one)
    return action.times * _once_ns(action, link)


_Again = p.Step | p.Burst | p.Cut | p.Fade | p.Mute | p.Interfere | p.Restart | p.Inject | p.Repeat


def _once_ns(action: _Again, link: p.Link) -> int:
    """Return the longest time in ns of one turn of a step that has `times`."""
    match action:
        case p.Cut() | p.Fade() | p.Restart():
            return action.before_ns + _gone_ns(action, link) + action.after_ns
        case p.Mute() | p.Interfere():
            return disturbed_ns(action, link)
        case p.Burst():
            return action.count * max(action.spacing_ns, BURST_PACKET_NS) + action.pause_ns
        case p.Step() | p.Inject():
            return 2 * action.dwell_ns if isinstance(action, p.Step) else action.every_ns
    return total_ns(action.steps, link)


def _gone_ns(action: p.Cut | p.Fade | p.Restart, link: p.Link) -> int:
    """Return the longest time between the linked times before and after, in ns."""
    match action:
        case p.Restart():
            if action.by == "power":
                return action.unpowered_ns
            return restart_lead_ns(action, link) + action.silent_ns
        case p.Fade():
            return link.packet_period_ns + 2 * fade_way_ns(action, link) + action.duration_ns
    phase_ns = action.period_ns(link.packet_period_ns) if action.phase == "random" else action.phase
    return phase_ns + burst_lead_ns(action) + action.duration_ns


def burst_lead_ns(action: p.Cut) -> int:
    """Return how long before the cut its burst is asked for, in ns; 0 without one."""
    return BURST_COMMAND_NS + action.burst * BURST_LEAD_NS if action.burst else 0


def fade_silences(action: p.Fade, link: p.Link) -> int:
    """Return n, the most silences of 1, 2 ... n packet periods, a period after each, that fit into `over`.

    They take n (n + 3) / 2 periods.
    """
    periods = action.over_ns // link.packet_period_ns
    return (math.isqrt(9 + 8 * periods) - 3) // 2


def fade_way_ns(action: p.Fade, link: p.Link) -> int:
    """Return the time in ns in which the link gets worse, and in which it gets better again."""
    silences = fade_silences(action, link)
    return silences * (silences + 3) // 2 * link.packet_period_ns


def disturbed_ns(action: p.Mute | p.Interfere, link: p.Link) -> int:
    """Return the time in ns of one mute or stranger: up to a packet period's phase, itself, and the pause."""
    return link.packet_period_ns + action.for_ns + action.pause_ns


def restart_lead_ns(action: p.Restart, link: p.Link) -> int:
    """Return how long before a silent restart the silence begins, in ns, so that failsafe is in; else 0."""
    if not action.silent_ns:
        return 0
    return (link.failsafe.within_ns + 2 * link.packet_period_ns + SURELY_NS) // US * US


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


def together_ns(action: p.Sweep, link: p.Link) -> int:
    """Return the time that a sweep of all its channels at once takes, in ns."""
    if action.shape != "staircase":
        return action.cycles * action.period_ns
    counts = [stairs(action, channel) for channel in swept(action, link)]
    return stairs_together(action, counts) * stair_ns(action, link)


def stairs_together(action: p.Sweep, counts: Sequence[int]) -> int:
    """Return how many stairs it takes until each channel went through its `counts` values, `cycles` times."""
    return max(
        (_stairs_until(count * action.cycles - 1, place) + 1 for place, count in enumerate(counts) if count),
        default=0,
    )


def moves_on(stair: int, place: int) -> int:
    """Return how many values a channel has gone up by a stair, counted from 0.

    The channel in `place` 0 never rests, another one at every (`RESTS_FROM` + `place`)-th stair.
    """
    return stair - stair // (RESTS_FROM + place) if place else stair


def _stairs_until(moves: int, place: int) -> int:
    """Return the first stair at which a channel has gone up `moves` times."""
    return moves + max(0, moves - 1) // (RESTS_FROM + place - 1) if place else moves

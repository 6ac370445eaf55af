"""How many rounds does a soak have? Their number, and the pause between two of them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from harness.clock import MS
from harness.plan import model as p
from harness.plan.extent import step_extent_ns, total_ns

REPORTS_IN_NS: Final = 1_100 * MS
"""Time for every report to come in: one second is the latest that measurement reckons with."""
LEAST_HALF_NS: Final = 1_500 * MS


def half_pause_ns(link: p.Link) -> int:
    """Return half the pause between two rounds in ns: a packet sent at its begin has met its fate by then."""
    return max(LEAST_HALF_NS, link.lost_after_ns + REPORTS_IN_NS, link.failsafe.within_ns + REPORTS_IN_NS)


def usual_rounds(plan: p.Plan) -> int:
    """Return how many rounds a soak has if every wait goes to its deadline; 1 for a plan without `soak`."""
    return _rounds(plan, total_ns(plan.steps, plan.link))


def most_rounds(plan: p.Plan) -> int:
    """Return how many rounds a soak can have at most: waits may be over at once, and searches soon."""
    return _rounds(plan, _least_ns(plan.steps, plan.link))


def _rounds(plan: p.Plan, round_ns: int) -> int:
    if plan.soak is None:
        return 1
    whole = round_ns + 2 * half_pause_ns(plan.link)
    return max(1, -(-plan.soak.for_ns // whole))


def _least_ns(steps: Iterable[p.PlanStep], link: p.Link) -> int:
    least = 0
    for step in steps:
        action = step.action
        if isinstance(action, p.Repeat):
            least += action.times * _least_ns(action.steps, link)
        elif not isinstance(action, p.Wait | p.LimitStep):
            least += step_extent_ns(action, link)
    return least


def soak_ns(plan: p.Plan) -> int:
    """Return the longest time that a plan can take in ns, all rounds of a soak with their pauses included."""
    round_ns = total_ns(plan.steps, plan.link)
    rounds = usual_rounds(plan)
    return rounds * round_ns + (rounds - 1) * 2 * half_pause_ns(plan.link)


__all__ = ["half_pause_ns", "most_rounds", "soak_ns", "usual_rounds"]

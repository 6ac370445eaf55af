"""What must hold whatever is done to a link? Checks that need no plan, only the maker's declarations."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from harness.clock import MS
from harness.plan.model import Link
from harness.plan.units import format_duration, parse_duration
from harness.plan.writing import Data

ALWAYS: Final = ("output_range", "fidelity", "order", "duplicates", "no_false_failsafe", "no_glitch")
GAP_PACKETS: Final = 15
"""So many packets in a row are not lost by chance in any link that is worth flying: common practice, no
source. With three retransmissions, half of all transmissions lost, it is one in 10**18."""
HALF: Final = "50 %"
"""A link that delivers less than this is not up."""
WATCHED_NS: Final = 100 * MS
"""A device must be back this long before the time that its step gives it is over."""


def invariants(steps: Sequence[Data], link: Link) -> list[Data | str]:
    """Return the checks that every plan of these steps must pass, the worst thing to fail first.

    Outputs always in their range; each applied packet's outputs its sticks, or else the declared failsafe;
    failsafe in time and never early; no packet applied that was not sent, none twice, none out of order;
    control back after every cut and restart; telemetry as injected; the bench in order. What depends on a
    share (`failsafe_entry`, `delivery`) asks so little that a pass needs no long run: one wrong event in a
    short one fails all the same.
    """
    return [*_failsafe(steps, link), *ALWAYS, *_back(steps, link), "bench"]


def _failsafe(steps: Sequence[Data], link: Link) -> Iterator[Data | str]:
    if any(_reaches_failsafe(step, link) for step in steps):
        yield "failsafe_outputs"
        yield {"failsafe_entry": {"share": "1 %"}}
    if any("cut" in step or "fade" in step for step in steps):
        yield "failsafe_exit"
    if any(step.get("restart", {}).get("device") == "receiver" for step in steps):
        yield "start_up"


def _back(steps: Sequence[Data], link: Link) -> Iterator[Data | str]:
    longest_ns = max(link.failsafe.earliest_ns, GAP_PACKETS * link.packet_period_ns)
    yield {"control_gap": {"at_most": format_duration(longest_ns)}}
    yield {"delivery": {"at_least": HALF}}
    after = [parse_duration(step["restart"]["after"]) for step in steps if "restart" in step]
    if after:
        yield {"recovery": {"after": "restart", "within": format_duration(min(after) - WATCHED_NS)}}
    if any("inject" in step for step in steps):
        yield "telemetry_value"


def _reaches_failsafe(step: Data, link: Link) -> bool:
    """Whether a step is a cut at the link's own rate, or a fade, that lasts longer than failsafe may take."""
    keys = step.get("cut") or step.get("fade")
    if keys is None or "packet_rate" in keys:
        return False
    return parse_duration(keys["duration"]) > link.failsafe.within_ns + link.packet_period_ns + MS

"""When was the link cut, and in which way? Each cut with the packets on either side of it.

A cut is a time in which the receiver gets no packet that it may obey: the transmitter falls silent, or sends
corrupted, foreign or repeated packets in place of its own, or the receiver's firmware gets to see none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from harness.measure.arrays import Ints
from harness.measure.orders import TAKES_NS, Order
from harness.measure.packets import AppliedPackets, SentPackets
from harness.measure.spans import StepSpan, first_applied_after, step_at
from harness.plan.model import Fade, Plan, every_step

CLOCK_SHARE: Final = 0.99
"""A device's clock may run a per cent fast: its silence is then that much shorter."""
Way = Literal[
    "silence", "fade", "corrupted", "foreign", "repeated", "deaf",
    "power line", "power device", "power hand", "path line", "path device", "path hand",
]  # fmt: skip
WAYS: Final[tuple[Way, ...]] = (
    "silence", "fade", "corrupted", "foreign", "repeated", "deaf",
    "power line", "power device", "power hand", "path line", "path device", "path hand",
)  # fmt: skip
"""What a plan asks for; where the rig says by what means it is done, that behind it."""
WAY_WORDS: Final[Mapping[Way, str]] = {
    "silence": "by silence",
    "fade": "by a fade",
    "corrupted": "by corrupted packets",
    "foreign": "by another transmitter's packets",
    "repeated": "by repeats of the last packet",
    "deaf": "with acknowledgements alive",
    "power line": "of the transmitter's power, by a control line",
    "power device": "of the transmitter's power, by a second device",
    "power hand": "of the transmitter's power, by hand",
    "path line": "of the antenna path, by a control line",
    "path device": "of the antenna path, by a second device",
    "path hand": "of the antenna path, by hand",
}
"""What to say behind `cuts`."""
DISTURBED: Final[tuple[Way, ...]] = ("corrupted", "foreign", "repeated")


@dataclass(frozen=True, slots=True)
class Cut:
    """One link cut. Row numbers are -1 where there is none.

    `start_ns` is the earliest instant at which it can have begun, `until_ns` when the first packet sent after
    it was applied (or the end of the data). `last_sent` and `first_sent` are the rows of the packets on
    either side, `first_applied` the row of the first one applied among those sent after. `held` is False if
    the link was not cut: own packets went on, or the receiver was not deaf.

    `way` is how it was made, `path` the key path of its step. `began_ns` is when it began by the device's
    reply, None without one. `packets` and `acknowledged` are what the transmitter says that it sent in place
    of its own, 0 if it does not say. `window_ns` is between which times a cut from outside began, None for
    one by command.
    """

    number: int
    command_ns: int
    start_ns: int
    end_ns: int
    duration_ns: int
    last_sent: int
    first_sent: int
    first_applied: int
    until_ns: int
    held: bool
    way: Way = "silence"
    path: str = ""
    began_ns: int | None = None
    packets: int = 0
    acknowledged: int = 0
    window_ns: tuple[int, int] | None = None

    @property
    def is_outside(self) -> bool:
        """Whether something beside the devices made it."""
        return self.window_ns is not None


@dataclass(frozen=True, slots=True)
class Air:
    """What is needed to find the packets around a cut; `order` sorts the sent packets by time.

    `tells_sent` is False for a transmitter that does not tell what it sends.
    """

    sent: SentPackets
    order: Ints
    applied: AppliedPackets
    data_end_ns: int
    slack_ns: int
    tells_sent: bool = True


def read_cuts(
    orders: tuple[Order, ...], plan: Plan, steps: tuple[StepSpan, ...], air: Air
) -> tuple[Cut, ...]:
    """Return every cut that was ordered, in order, with the packets on either side of it.

    An order that the device refused made no cut, but a silence is told all the same: every transmitter that
    is under test must be able to do it.
    """
    fades = {step.path for step in every_step(plan.steps) if isinstance(step.action, Fade)}
    cuts: list[Cut] = []
    for order in orders:
        if order.what in ("beside", "muted") or (order.refused and order.what != "silence"):
            continue
        path = step_at(steps, order.command_ns)
        cut = _cut_by(air, order, plan.link.lost_after_ns)
        way: Way = "fade" if order.what == "silence" and path in fades else cut.way
        cuts.append(replace(cut, number=len(cuts) + 1, path=path, way=way))
    nexts = [*(cut.command_ns for cut in cuts), air.data_end_ns][1:]
    pairs = zip(cuts, nexts, strict=False)
    return tuple(replace(cut, until_ns=min(cut.until_ns, later)) for cut, later in pairs)


def _cut_by(air: Air, order: Order, late_ns: int) -> Cut:
    if not air.tells_sent:
        return _untold_cut(order, air.applied, air.data_end_ns, air.slack_ns, late_ns)
    return _deaf_cut(air, order) if order.what == "deaf" else _sender_cut(air, order)


def _sender_cut(air: Air, order: Order) -> Cut:
    """Return a cut in which the transmitter sends none of its own packets."""
    sent = air.sent
    duration = order.end_ns - order.start_ns
    resumed = int(np.searchsorted(sent.at_ns[air.order], _earliest_end(air, order), side="left"))
    last = int(air.order[resumed - 1]) if resumed else -1
    first = int(air.order[resumed]) if resumed < len(air.order) else -1
    left = int(sent.at_ns[last]) if last >= 0 else order.command_ns
    right = int(sent.at_ns[first]) if first >= 0 else air.data_end_ns
    stopped = right - left >= duration * CLOCK_SHARE - 2 * air.slack_ns
    cut = _cut(air, order, last, first)
    if order.what == "silence":
        return replace(cut, held=stopped)
    assert order.what in DISTURBED
    return replace(cut, way=order.what, held=stopped)


def _deaf_cut(air: Air, order: Order) -> Cut:
    """Return a cut by a receiver that is deaf; own packets go on and are acknowledged.

    The first packet after it is the first one sampled in it or later that took effect at its end or later: it
    may have been under way when it ended.
    """
    sent, applied, times = air.sent, air.applied, air.sent.at_ns[air.order]
    begun = order.began_ns if order.began_ns is not None else order.start_ns
    ended = begun + (order.end_ns - order.start_ns)
    earliest = min(_earliest_end(air, order), ended - air.slack_ns)
    first, after = np.searchsorted(times, (begun, ended)).tolist()
    inner = air.order[first:after]
    rows = applied.sent_row[(applied.sent_row >= 0) & ~applied.repeat & (applied.at_ns >= earliest)]
    under_way = inner[np.isin(inner, rows)]
    resumed = first + int(np.flatnonzero(inner == under_way[0])[0]) if len(under_way) else after
    last = int(air.order[resumed - 1]) if resumed else -1
    back = int(air.order[resumed]) if resumed < len(air.order) else -1
    sampled_ns = np.where(applied.sent_row >= 0, sent.at_ns[applied.sent_row] if len(sent) else -1, -1)
    heard = (sampled_ns > _latest_begin(air, order)) & (applied.at_ns < earliest) & ~applied.repeat
    acked = bool(len(inner)) and 2 * int(sent.acked[inner].sum()) >= len(inner)
    return replace(_cut(air, order, last, back), way="deaf", held=acked and not heard.any())


def _latest_begin(air: Air, order: Order) -> int:
    lasts = order.end_ns - order.start_ns
    return order.began_ns + air.slack_ns if order.began_ns is not None else order.over_ns - lasts


def _earliest_end(air: Air, order: Order) -> int:
    return order.start_ns + int((order.end_ns - order.start_ns) * CLOCK_SHARE) - air.slack_ns


def _cut(air: Air, order: Order, last: int, first: int) -> Cut:
    right = int(air.sent.at_ns[first]) if first >= 0 else air.data_end_ns
    back = first_applied_after(air.applied, air.sent, right, air.slack_ns) if first >= 0 else -1
    return Cut(
        number=0,
        command_ns=order.command_ns,
        start_ns=order.start_ns,
        end_ns=order.end_ns,
        duration_ns=order.end_ns - order.start_ns,
        last_sent=last,
        first_sent=first,
        first_applied=back,
        until_ns=int(air.applied.at_ns[back]) if back >= 0 else air.data_end_ns,
        held=False,
        began_ns=order.began_ns,
        packets=order.packets or 0,
        acknowledged=order.acknowledged or 0,
    )


def _untold_cut(order: Order, applied: AppliedPackets, data_end_ns: int, slack_ns: int, late_ns: int) -> Cut:
    """Return a cut by a transmitter that does not tell what it sends, as the receiver's reports show it.

    Such a transmitter proves nothing by its own silence: it is always silent here. So the cut counts as made
    only if the receiver applied nothing from soon after its beginning to shortly before its end.

    `late_ns` is how long a packet that was under way may still take to be applied.
    """
    at_ns = applied.so_far_ns
    lasts_ns = int((order.end_ns - order.start_ns) * CLOCK_SHARE)
    quiet_from = order.start_ns + TAKES_NS + late_ns + slack_ns
    quiet_to = order.start_ns + lasts_ns - slack_ns
    first, after = np.searchsorted(at_ns, (quiet_from, quiet_to)).tolist()
    back = int(np.searchsorted(at_ns, max(quiet_to, quiet_from)))
    back = back if back < len(applied) else -1
    return Cut(
        number=0,
        command_ns=order.command_ns,
        start_ns=order.start_ns,
        end_ns=order.end_ns,
        duration_ns=order.end_ns - order.start_ns,
        last_sent=-1,
        first_sent=-1,
        first_applied=back,
        until_ns=int(applied.at_ns[back]) if back >= 0 else data_end_ns,
        held=quiet_from < quiet_to and first == after,
        began_ns=order.began_ns,
    )


__all__ = ["DISTURBED", "WAYS", "WAY_WORDS", "Air", "Cut", "Way", "read_cuts"]

"""Which link cuts and restarts came from outside? From the marks, narrowed by what the data say better.

Such a cut is one only if no packet of the link's was applied in it: a device may live on in its capacitors,
or be fed through its serial input. It began after the last packet that was applied. Of a cut by hand only the
prompt is known: the second packet that is missing bounds it, one lost just before allowed for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from harness.bench.protocol import Role, Target
from harness.measure.arrays import Flags
from harness.measure.cuts import Air, Cut, Way
from harness.measure.packets import AppliedPackets, SentPackets
from harness.measure.spans import RestartSpan, applied_again_ns, come_back_ns, first_applied_after
from harness.measure.switched import Outage, outages_of
from harness.measure.tables import Stream
from harness.plan.model import Plan

PERIODS: Final = 2
"""Packet periods after the last packet in which a cut by hand began."""
_BY: Final[dict[Target, str]] = {"transmitter power": "power", "antenna": "path"}
_WAYS: Final[dict[tuple[str, str], Way]] = {
    ("power", "line"): "power line",
    ("power", "device"): "power device",
    ("power", "hand"): "power hand",
    ("path", "line"): "path line",
    ("path", "device"): "path device",
    ("path", "hand"): "path hand",
}


def with_switched_cuts(
    cuts: tuple[Cut, ...], outages: Sequence[Outage], air: Air, plan: Plan
) -> tuple[Cut, ...]:
    """Return the cuts with those made from outside among them, in order and numbered anew."""
    made = [_cut(air, plan, one) for one in outages if one.step == "cut" and one.what in _BY]
    if not made:
        return cuts
    every = sorted((*cuts, *made), key=lambda cut: cut.command_ns)
    nexts = [*(cut.command_ns for cut in every), air.data_end_ns][1:]
    return tuple(
        replace(cut, number=number, until_ns=min(cut.until_ns, later))
        for number, (cut, later) in enumerate(zip(every, nexts, strict=True), 1)
    )


def _cut(air: Air, plan: Plan, one: Outage) -> Cut:
    sent, applied = air.sent, air.applied
    began = window_ns(one, sent, applied, plan, air.slack_ns)
    end_ns = min(one.on_ns[0], air.data_end_ns)
    own = _own(applied)
    inner = own & (applied.at_ns > one.off_ns[1] + air.slack_ns) & (applied.at_ns < end_ns - air.slack_ns)
    resumed = _resumed(air, one, own)
    last = int(air.order[resumed - 1]) if resumed else -1
    first = int(air.order[resumed]) if resumed < len(air.order) else -1
    right = int(sent.at_ns[first]) if first >= 0 else air.data_end_ns
    back = first_applied_after(applied, sent, right, air.slack_ns) if first >= 0 else -1
    return Cut(
        number=0,
        command_ns=began[0],
        start_ns=began[0],
        end_ns=end_ns,
        duration_ns=max(0, end_ns - one.off_ns[1]),
        last_sent=last,
        first_sent=first,
        first_applied=back,
        until_ns=int(applied.at_ns[back]) if back >= 0 else air.data_end_ns,
        held=not inner.any(),
        way=_WAYS[_BY[one.what], one.means],
        path=one.path,
        window_ns=began,
    )


def _own(applied: AppliedPackets) -> Flags:
    """Return which packets are the link's own, or may be."""
    own: Flags = ((applied.sent_row >= 0) | applied.doubtful) & ~applied.repeat & ~applied.strange
    return own


def _resumed(air: Air, one: Outage, own: Flags) -> int:
    """Return the place of the first packet after a cut.

    One sampled in it may be under way at its end, and where a path closes at an unknown moment one that got
    lost around it belongs to the cut. A transmitter sends again only once it has power.
    """
    times = air.sent.at_ns[air.order]
    first = int(np.searchsorted(times, one.off_ns[0]))
    ended_ns = one.on_ns[0] - air.slack_ns if one.role is not None else one.on_ns[1] + air.slack_ns
    after = int(np.searchsorted(times, ended_ns))
    rows = air.applied.sent_row[own & (air.applied.at_ns >= one.on_ns[0] - air.slack_ns)]
    under_way = np.flatnonzero(np.isin(air.order[first:after], rows[rows >= 0]))
    return first + int(under_way[0]) if len(under_way) else after


def window_ns(
    one: Outage, sent: SentPackets, applied: AppliedPackets, plan: Plan, slack_ns: int
) -> tuple[int, int]:
    """Return between which host times an outage began: its marks, and the last packet applied before it."""
    earliest, latest = one.off_ns
    before = applied.at_ns[_own(applied) & (applied.at_ns <= latest)]
    if not len(before):
        return earliest, latest
    last = int(before.max())
    if one.means == "hand":
        latest = max(earliest, min(latest, last + PERIODS * _period_ns(sent, last, plan) + slack_ns))
    return min(max(earliest, last), latest), latest


def _period_ns(sent: SentPackets, before_ns: int, plan: Plan) -> int:
    times = np.sort(sent.at_ns[sent.at_ns <= before_ns])[-9:]
    return int(np.median(np.diff(times))) if len(times) > 2 else plan.link.packet_period_ns


def power_restarts(
    plan: Plan,
    role: Role,
    outages: Sequence[Outage],
    heard: Stream,
    sent: SentPackets,
    applied: AppliedPackets,
) -> tuple[RestartSpan, ...]:
    """Return the restarts of one device that lost its power, each up to the first packet applied after it."""
    spans = []
    for one in outages_of(outages, role):
        limit = one.on_ns[1] + max(one.boots_ns, come_back_ns(plan, role))
        answer = _first_frame(heard, one.off_ns[0], limit)
        start, _ = window_ns(one, sent, applied, plan, 0)
        end = min(limit, applied_again_ns(role, answer, sent, applied, limit))
        spans.append(RestartSpan(role, start, end, answer, powered_ns=one.on_ns[0]))
    return tuple(spans)


def _first_frame(heard: Stream, off_ns: int, limit_ns: int) -> int:
    """Return the first frame of the life after an outage, `Started` if that came whole; -1 without one."""
    before, after = np.searchsorted(heard.at_ns, (off_ns, limit_ns), side="right").tolist()
    life = heard.segment[before - 1] if before else -1
    newer = np.flatnonzero(heard.segment[before:after] > life)
    return before + int(newer[0]) if len(newer) else -1


__all__ = ["power_restarts", "window_ns", "with_switched_cuts"]

"""Which applied packets were none of the link's own? What a receiver took of packets sent to disturb it.

While the harness has corrupted, foreign or repeated packets sent, the number in an `Applied` report need not
be that of an own packet: a stranger counts its own, and a corrupted packet carries one that is yet to come.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from harness.measure.arrays import Flags, Ints, ints, meeting
from harness.measure.orders import Order, What, spans_of
from harness.measure.packets import AppliedPackets, SentPackets, StickCommands, find_repeats, in_doubt
from harness.measure.tables import Stream
from harness.plan.model import Link

DISTURBING: Final[tuple[What, ...]] = ("corrupted", "foreign", "repeated", "beside")


def mark_strangers(
    applied: AppliedPackets,
    sent: SentPackets,
    sticks: StickCommands,
    told_of: Stream,
    orders: tuple[Order, ...],
    link: Link,
    slack_ns: int,
) -> AppliedPackets:
    """Return the packets with those marked as `strange` that came of a disturbance.

    Only packets applied while one ran, or within `link.lost_after` of its end, can be. While corrupted or
    foreign packets are sent those are strange that match no own packet, or one sampled longer ago than
    `lost_after`; among foreign ones also those that show a stranger's sticks, or that match a packet applied
    before, and not the sticks of the own packet they match. They lose their match; where a report of the
    transmitter is missing they may be own packets, and are not marked. While the last own packet
    is repeated those are strange that had been applied before; they keep it.
    """
    if not any(order.what in DISTURBING for order in orders) or not len(applied):
        return applied
    reach_ns = link.lost_after_ns + slack_ns
    corrupted, foreign, repeated = (
        _during(applied.at_ns, spans_of(orders, *what), reach_ns)
        for what in (("corrupted",), ("foreign", "beside"), ("repeated",))
    )
    matched = applied.sent_row >= 0
    late = matched.copy()
    late[matched] = applied.at_ns[matched] - sent.at_ns[applied.sent_row[matched]] > reach_ns
    as_sent = _shows(applied, _wanted(applied, sent, sticks))
    as_stranger = _shows(applied, np.broadcast_to(stranger_outputs(link), (len(applied), len(link.channels))))
    alien = corrupted & (~matched | late)
    alien |= foreign & (~matched | ((late | applied.repeat | as_stranger) & ~as_sent))
    again = repeated & applied.repeat & matched & ~alien
    row = np.where(alien, -1, applied.sent_row)
    doubtful = np.where(alien, in_doubt(applied.at_ns, row, sent, told_of, reach_ns), applied.doubtful)
    return replace(
        applied,
        sent_row=row,
        repeat=find_repeats(row, applied.number, applied.at_ns) & ~alien,
        doubtful=doubtful,
        strange=(alien & ~doubtful) | again,
    )


def stranger_outputs(link: Link) -> Ints:
    """Return the outputs that a foreign packet asks for: throttles at the low end, the rest at the high."""
    return ints(
        [
            channel.output_us(channel.range.low_us if channel.role == "throttle" else channel.range.high_us)
            for channel in link.channels
        ]
    )


def _during(at_ns: Ints, spans: Ints, reach_ns: int) -> Flags:
    return meeting(at_ns - reach_ns, at_ns, spans)


def _wanted(applied: AppliedPackets, sent: SentPackets, sticks: StickCommands) -> Ints:
    """Return what each applied packet's outputs must be by the own packet it matches, -1 where unknown."""
    wanted = np.full((len(applied), sticks.outputs_us.shape[1]), -1, dtype=np.int64)
    rows = np.flatnonzero(applied.sent_row >= 0)
    rows = rows[sent.sticks_row[applied.sent_row[rows]] >= 0]
    wanted[rows] = sticks.outputs_us[sent.sticks_row[applied.sent_row[rows]]]
    return wanted


def _shows(applied: AppliedPackets, wanted: Ints) -> Flags:
    """Return which packets show just these outputs on every channel."""
    width = min(applied.outputs_us.shape[1], wanted.shape[1])
    same: Flags = (applied.outputs_us[:, :width] == wanted[:, :width]).all(axis=1)
    same &= (wanted >= 0).all(axis=1) & (applied.channels >= wanted.shape[1])
    return same


__all__ = ["mark_strangers", "stranger_outputs"]

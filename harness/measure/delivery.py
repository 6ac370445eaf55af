"""How many packets came through? The fate of each, and the whole numbers behind a delivery ratio."""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.measure.arrays import Flags, Ints, inside, ints
from harness.measure.evidence import Evidence
from harness.measure.memo import remembered
from harness.stats.runs import loss_periods

NUMBERS: Final = 1 << 16
LOST_NS: Final = int(np.iinfo(np.int64).max)
"""Latency of a lost packet: later than any limit (RFC 7679 section 5 takes it as infinite)."""


@dataclass(frozen=True, slots=True)
class Fates:
    """What became of the packets sampled in the looked-at steps, one entry per reported packet in time order.

    `row` is its row in `SentPackets`; `latency_ns` from sampling to taking effect, `LOST_NS` if it never
    did; `delivered`, `lost` and `unknown` are exclusive. `unreported` counts packets whose `Sent` report is
    missing and that nobody saw arrive: unknown too. `not_judged` counts those left out: too near the end,
    in a restart, or thrown away by a receiver that was told to be deaf.
    """

    row: Ints
    latency_ns: Ints
    delivered: Flags
    lost: Flags
    unknown: Flags
    unreported: int
    not_judged: int


@dataclass(frozen=True, slots=True)
class DeliveryCounts:
    """Whole numbers of packets: sent = applied + lost + unknown. Late ones are among the lost.

    `bursts` and `longest_burst` count loss periods and the longest run of lost packets (RFC 3357 sections 4
    and 6.5), none across a cut or a restart. `acked_not_applied` and `applied_not_acked` are where the
    transmitter believed wrongly, packets apart of which no acknowledgement was to be sent.
    """

    sent: int
    applied: int
    lost: int
    late: int
    unknown: int
    not_judged: int
    repeated: int
    reordered: int
    acked_not_applied: int
    applied_not_acked: int
    bursts: int
    longest_burst: int


@remembered
def packet_fates(evidence: Evidence, during: tuple[str, ...] = ()) -> Fates:
    """Return the fate of each packet sampled in the steps `during`.

    latency = apply time - sampling time. Delivered: latency at most `link.lost_after` (RFC 7680 section
    2.5, the threshold Tmax). Lost: later, or no report of it and no serial gap that could hold one.
    Unknown: within the clock bound of the threshold, or missing where the serial line lost messages; a gap
    of n messages makes at most n packets unknown.
    """
    sent = evidence.sent
    order = np.argsort(sent.at_ns, kind="stable")
    at_ns = sent.at_ns[order]
    wanted = inside(at_ns, evidence.spans(during))
    thrown = np.concatenate((evidence.restart_spans, evidence.deaf_spans))
    judged = wanted & ~inside(at_ns, thrown) & (at_ns <= _cutoff_ns(evidence))
    row = order[judged]
    latency = first_latency(evidence)[row]
    limit, slack = evidence.plan.link.lost_after_ns, evidence.slack_ns
    delivered = latency <= limit - slack
    certain = latency > limit + slack
    missing = latency == LOST_NS
    unknown = ~delivered & ~certain
    unknown |= (certain & ~missing) & _late_in_doubt(evidence)[row]
    unknown[np.flatnonzero(missing)] = _excusable(
        sent.at_ns[row[missing]], limit + evidence.report_delay_ns, evidence.gaps(Role.RECEIVER)
    )
    return Fates(
        row=row,
        latency_ns=latency,
        delivered=delivered,
        lost=~delivered & ~unknown,
        unknown=unknown,
        unreported=int(unreported_after(evidence, during)[1].sum()),
        not_judged=int((wanted & ~judged).sum()),
    )


def count_delivery(evidence: Evidence, fates: Fates, during: tuple[str, ...] = ()) -> DeliveryCounts:
    """Return the whole numbers behind a delivery ratio, from `packet_fates` of the same steps.

    Delivery = applied / sent; the loss ratio of RFC 7680 section 4.1 is 1 - that. Undefined for no packets.
    """
    applied = inside(evidence.applied.at_ns, evidence.spans(during))
    runs = loss_periods(fates.lost, breaks_before(evidence, fates.row, during))
    acked, arrived = evidence.sent.acked[fates.row], fates.latency_ns != LOST_NS
    muted = inside(evidence.sent.at_ns[fates.row], evidence.muted_spans)
    late = fates.lost & arrived
    unknown = int(fates.unknown.sum()) + fates.unreported
    return DeliveryCounts(
        sent=len(fates.row) + fates.unreported,
        applied=int(fates.delivered.sum()),
        lost=int(fates.lost.sum()),
        late=int(late.sum()),
        unknown=unknown,
        not_judged=fates.not_judged,
        repeated=int((evidence.applied.repeat & applied).sum()),
        reordered=_reordered(evidence, applied),
        acked_not_applied=int((acked & fates.lost & ~arrived).sum()),
        applied_not_acked=int((~acked & arrived & ~muted).sum()),
        bursts=len(runs),
        longest_burst=int(runs[:, 1].max()) if len(runs) else 0,
    )


def breaks_before(evidence: Evidence, row: Ints, during: tuple[str, ...] = ()) -> Flags:
    """Return which sent rows, in time order, follow a cut, a restart or the begin of a step `during`."""
    at_ns, segment = evidence.sent.at_ns[row], evidence.sent.segment[row]
    walls = np.concatenate((evidence.excused[:, 0], evidence.spans(during)[:, 0]))
    passed = np.searchsorted(np.sort(walls), at_ns, side="right")
    breaks: Flags = np.diff(passed, prepend=-1) != 0
    breaks |= np.diff(segment, prepend=segment[:1] - 1) != 0
    return breaks


def first_latency(evidence: Evidence) -> Ints:
    """Return for each sent row the ns from sampling to first taking effect; `LOST_NS` if it did not."""
    latency = np.full(len(evidence.sent), LOST_NS, dtype=np.int64)
    applied = evidence.applied
    rows = np.flatnonzero((applied.sent_row >= 0) & ~applied.repeat)
    sent_row = applied.sent_row[rows]
    latency[sent_row] = np.maximum(0, applied.at_ns[rows] - evidence.sent.at_ns[sent_row])
    return latency


def _late_in_doubt(evidence: Evidence) -> Flags:
    """Return for each sent row whether its match may be another packet's, whose `Sent` report is missing."""
    doubt = np.zeros(len(evidence.sent), dtype=np.bool_)
    applied = evidence.applied
    rows = applied.sent_row[(applied.sent_row >= 0) & applied.doubtful]
    doubt[rows] = True
    return doubt


def _cutoff_ns(evidence: Evidence) -> int:
    """Return the sampling time up to which a packet's fate must be in the recording."""
    return evidence.data_end_ns - evidence.plan.link.lost_after_ns - evidence.report_delay_ns


def _excusable(at_ns: Ints, reach_ns: int, gaps: Ints) -> Flags:
    """Return which missing packets a serial gap can hide: reports between `at_ns` and `at_ns` + `reach_ns`.

    Each gap hides no more packets than it lost messages. Serving the gaps in time order, and in each the
    packet whose reach ends first, hides as many as can be hidden.
    """
    hidden = np.zeros(len(at_ns), dtype=np.bool_)
    if not len(gaps) or not len(at_ns):
        return hidden
    order = np.argsort(at_ns, kind="stable")
    starts = at_ns[order]
    waiting: list[tuple[int, int]] = []
    turn = 0
    for opened, closed, missing in gaps[np.argsort(gaps[:, 0], kind="stable")].tolist():
        while turn < len(starts) and starts[turn] <= closed:
            heapq.heappush(waiting, (int(starts[turn]) + reach_ns, int(order[turn])))
            turn += 1
        while waiting and waiting[0][0] < opened:
            heapq.heappop(waiting)
        for _ in range(min(missing, len(waiting))):
            hidden[heapq.heappop(waiting)[1]] = True
    return hidden


def unreported_after(evidence: Evidence, during: tuple[str, ...] = ()) -> tuple[Ints, Ints]:
    """Return behind which sent rows packets have no report at all, and how many: messages are missing there.

    Packets that were seen to arrive all the same are not among them.
    """
    sent = evidence.sent
    if len(sent) < 2:
        return ints([]), ints([])
    lost = evidence.heard[Role.TRANSMITTER].lost_between(sent.frame[:-1], sent.frame[1:])
    skipped = np.diff(sent.number) % NUMBERS - 1
    same = (np.diff(sent.segment) == 0) & (skipped > 0) & (skipped < NUMBERS // 2)
    wanted = inside(sent.at_ns[:-1], evidence.spans(during))
    wanted &= ~inside(sent.at_ns[:-1], evidence.restart_spans)
    where = np.flatnonzero(same & (lost > 0) & wanted)
    orphans = evidence.applied.sent_row < 0
    seen_at, seen = evidence.applied.at_ns[orphans], evidence.applied.number[orphans]
    reach = evidence.plan.link.lost_after_ns
    missing = []
    for place in where.tolist():
        between = (seen_at >= sent.at_ns[place]) & (seen_at <= sent.at_ns[place + 1] + reach)
        after = (np.unique(seen[between]) - int(sent.number[place])) % NUMBERS
        arrived = int(((after > 0) & (after <= skipped[place])).sum())
        missing.append(max(0, min(int(skipped[place]) - arrived, int(lost[place]))))
    return where, ints(missing)


def _reordered(evidence: Evidence, chosen: Flags) -> int:
    """Return how many packets took effect after a later one had (RFC 4737 section 3.3)."""
    rows = evidence.applied.sent_row[chosen & (evidence.applied.sent_row >= 0) & ~evidence.applied.repeat]
    if len(rows) < 2:
        return 0
    at_ns = evidence.sent.at_ns[rows]
    return int((at_ns[1:] < np.maximum.accumulate(at_ns)[:-1]).sum())

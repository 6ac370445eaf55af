"""Were packets applied in the order sent, and only packets that were sent? Rows that were not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.bench.protocol import Role
from harness.measure.arrays import Flags, Ints, inside, ints
from harness.measure.evidence import Evidence


@dataclass(frozen=True, slots=True)
class Ordering:
    """Rows of `AppliedPackets` that are out of order, and that belong to no packet that was sent.

    `judged` counts the packets of which that can be told. `maybe` counts further ones that would be one or
    the other, but for messages of the transmitter that are missing and could explain them.
    """

    judged: int
    reordered: Ints
    never_sent: Ints
    maybe: int


def read_ordering(evidence: Evidence) -> Ordering:
    """Return what was applied out of order in the run.

    A packet is reordered if it was sampled before one that has taken effect already: s < NextExp, where
    NextExp follows the packets that came in order (RFC 4737 section 3.3, sampling order as the sequence). The
    RFC looks at the first copy of a packet only. Here a copy that takes effect after a later packet counts
    too, for it turns the sticks back; one that repeats the newest packet does not.
    """
    applied = evidence.applied
    chosen = inside(applied.at_ns, evidence.spans())
    known = chosen & ~applied.doubtful
    matched = chosen & (applied.sent_row >= 0)
    late = _late(evidence, matched & known)
    never = known & (applied.sent_row < 0)
    unknown = chosen & (applied.sent_row < 0) & ~inside(applied.at_ns, _around_restarts(evidence))
    odd = _late(evidence, matched) | unknown
    return Ordering(
        judged=int(known.sum()),
        reordered=np.flatnonzero(late),
        never_sent=np.flatnonzero(never),
        maybe=int((odd & ~known).sum()),
    )


def _around_restarts(evidence: Evidence) -> Ints:
    """Return (n, 2) host times around the transmitter's restarts: reports under way then are never told."""
    around = evidence.plan.link.lost_after_ns + evidence.slack_ns
    spans = [
        (span.start_ns - around, span.end_ns + around)
        for span in evidence.restarts
        if span.role is Role.TRANSMITTER
    ]
    return ints(spans).reshape(-1, 2)


def _late(evidence: Evidence, among: Flags) -> Flags:
    """Return which of these rows took effect after a packet sampled later had."""
    late = np.zeros(len(among), dtype=np.bool_)
    rows = np.flatnonzero(among)
    if len(rows) > 1:
        at_ns = evidence.sent.at_ns[evidence.applied.sent_row[rows]]
        late[rows[1:]] = at_ns[1:] < np.maximum.accumulate(at_ns)[:-1]
    return late


__all__ = ["Ordering", "read_ordering"]

"""When are old sticks no fault of the link's? What was done to it on purpose, and until when that counts."""

from __future__ import annotations

import numpy as np

from harness.measure.arrays import Ints, ints
from harness.measure.evidence import Evidence
from harness.measure.rates import other_rate_spans
from harness.measure.spans import first_applied_after, link_waits, losing_spans


def excused_spans(evidence: Evidence) -> Ints:
    """Return (n, 2) host times in which old sticks are no fault of the link's.

    - a cut, from its command to the first packet applied after it, or for a grace after its end;
    - a commanded restart, to the first packet applied after it, or for the time that the plan gives it;
    - what follows a step that loses packets on purpose, to the first packet sent and applied after it, or
      for the grace;
    - times at a slower packet rate that the harness had set.

    The grace is the plan's `recover_within` plus `lost_after`. A link that is not back by then grows old.
    """
    back = grace_ns(evidence)
    spans: list[tuple[int, int]] = []
    for end in losing_spans(evidence.plan, evidence.steps)[:, 1].tolist():
        row = first_applied_after(evidence.applied, evidence.sent, end, evidence.slack_ns)
        came = int(evidence.applied.at_ns[row]) if row >= 0 else end + back
        spans.append((end, min(came, end + back)))
    losing = ints([span for span in spans if span[0] < span[1]]).reshape(-1, 2)
    rates = other_rate_spans(evidence, slower=True)
    return np.concatenate((cut_excuses(evidence), losing, evidence.restart_spans, rates))


def grace_ns(evidence: Evidence) -> int:
    """Return how long after a cut a link may take to come back: `recover_within` plus `lost_after`."""
    link = evidence.plan.link
    return link.failsafe.recover_within_ns + link.lost_after_ns + evidence.slack_ns


def cut_excuses(evidence: Evidence) -> Ints:
    """Return (n, 2) host times from each cut's command to the return of packets, or to the end of a grace."""
    grace = grace_ns(evidence)
    spans = [(cut.command_ns, min(cut.until_ns, cut.end_ns + grace)) for cut in evidence.cuts]
    return ints([span for span in spans if span[0] < span[1]]).reshape(-1, 2)


def waits_before(evidence: Evidence, applied_ns: Ints) -> Ints:
    """Return the steps that waited for the link, up to when it first came up; none if it never did."""
    waits = link_waits(evidence.plan, evidence.steps)
    if not len(applied_ns):
        return waits[:0]
    waits = np.minimum(waits, applied_ns[0])
    before: Ints = waits[waits[:, 0] < waits[:, 1]]
    return before

"""Which failed checks does a cause explain? Those whose bad packets are nearly all the cause's own."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from harness.measure.arrays import Flags, inside, ints
from harness.measure.delivery import LOST_NS
from harness.measure.evidence import Evidence
from harness.measure.pacing import control_gaps
from harness.plan import model as p
from harness.verdict import CheckResult
from harness.why.packets import Packets
from harness.why.words import LOSSES, MOST, failed


def blamed(
    evidence: Evidence, results: Sequence[CheckResult], packets: Packets, behind: Flags
) -> tuple[str, ...]:
    """Return the failed checks of packets lost or late for which the packets `behind` a cause account."""
    names = failed(results, *LOSSES)
    rules = {check.name: check.rule for check in evidence.plan.checks}
    found = []
    for name in names:
        bad = _bad(evidence, packets, rules.get(name))
        if bad.any() and (bad & behind).sum() >= MOST * bad.sum():
            found.append(name)
    return tuple(found)


def _bad(evidence: Evidence, packets: Packets, rule: object) -> Flags:
    """Return the packets that make a check fail."""
    if isinstance(rule, p.Latency):
        if rule.of != "packet":
            return np.zeros(len(packets), dtype=np.bool_)
        return late_or_lost(packets, rule.at_most_ns)
    if isinstance(rule, p.ControlAge):
        return late_or_lost(packets, evidence.plan.link.packet_period_ns)
    if isinstance(rule, p.ControlGap):
        return in_gaps(evidence, packets, rule.at_most_ns)
    return packets.lost


def late_or_lost(packets: Packets, limit_ns: int) -> Flags:
    """Return the packets that took longer than a limit, or for ever."""
    bad: Flags = packets.lost | ((packets.delay_ns > limit_ns) & (packets.delay_ns != LOST_NS))
    return bad


def in_gaps(evidence: Evidence, packets: Packets, limit_ns: int) -> Flags:
    """Return the packets that should have filled the times without control that are longer than a limit."""
    gaps = control_gaps(evidence)
    long = (gaps.gap_ns > limit_ns) & ~gaps.doubtful
    spans = ints(np.stack((gaps.start_ns[long], (gaps.start_ns + gaps.gap_ns)[long]), axis=1)).reshape(-1, 2)
    used = packets.at_ns + np.where(packets.arrived, packets.delay_ns, 0)
    missing = inside(packets.at_ns, spans)
    late: Flags = packets.lost | (packets.delay_ns > evidence.plan.link.packet_period_ns // 2)
    first = inside(used, spans) & ~late
    found: Flags = missing & late & ~first
    return found


__all__ = ["blamed", "in_gaps", "late_or_lost"]

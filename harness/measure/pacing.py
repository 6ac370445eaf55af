"""How steady is control? Packets sent a second, and the longest time between two applied ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.bench.protocol import Role
from harness.clock import S
from harness.measure.arrays import Flags, Ints, inside, ints, meeting
from harness.measure.evidence import Evidence
from harness.measure.excuses import cut_excuses
from harness.measure.rates import other_rate_spans
from harness.measure.tables import MANY


@dataclass(frozen=True, slots=True)
class PacketRate:
    """Packets sent and the time in which they were, in ns; `bound_ns` is how far that time may be out."""

    packets: int
    time_ns: int
    bound_ns: int

    @property
    def hz(self) -> float | None:
        """Packets a second; None without any time."""
        return self.packets * S / self.time_ns if self.time_ns > 0 else None


def packet_rate(evidence: Evidence) -> PacketRate:
    """Return how many packets were sent and in how long, where the transmitter was free to send.

    Counts the intervals between consecutive reports inside the run, leaving out those that touch a cut, a
    transmitter restart, a packet ordered as part of a burst, another packet rate that the harness had set, or
    missing transmitter messages. The time after the last packet up to the end of the run counts too: a
    transmitter that stops is slow.
    """
    sent = evidence.sent
    if len(sent) < 2 or evidence.run.seconds <= 0:
        return PacketRate(0, 0, 0)
    starts, ends = sent.at_ns[:-1], sent.at_ns[1:]
    lost = evidence.heard[Role.TRANSMITTER].lost_between(sent.frame[:-1], sent.frame[1:])
    free = (starts >= evidence.run.start_ns) & (ends <= evidence.run.end_ns) & (lost == 0)
    free &= ~sent.in_burst[1:] & ~sent.in_burst[:-1] & (np.diff(sent.segment) == 0)
    free &= ~meeting(starts, ends, _transmitter_away(evidence))
    clock = evidence.clocks[Role.TRANSMITTER]
    time_ns = int((ends - starts)[free].sum())
    bound = 2 * clock.bound_ns + int(time_ns * clock.rate_error)
    return PacketRate(int(free.sum()), time_ns + _stopped_ns(evidence), bound)


def _transmitter_away(evidence: Evidence) -> Ints:
    silent = [(cut.command_ns, _resumed_ns(evidence, cut.first_sent, cut.end_ns)) for cut in evidence.cuts]
    away = [
        (span.start_ns, span.end_ns)
        for span in evidence.restarts
        if span.role == Role.TRANSMITTER or span.outage  # which may hide a cut
    ]
    return np.concatenate((ints(silent + away).reshape(-1, 2), other_rate_spans(evidence)))


def _resumed_ns(evidence: Evidence, first_sent: int, otherwise: int) -> int:
    return int(evidence.sent.at_ns[first_sent]) if first_sent >= 0 else otherwise


def _stopped_ns(evidence: Evidence) -> int:
    """Return the time from the last packet to the end of the run, if that is more than a packet or two."""
    heard, row = evidence.heard[Role.TRANSMITTER], int(evidence.sent.at_ns.argmax())
    last = int(evidence.sent.at_ns[row])
    end = min(evidence.run.end_ns, int(heard.at_ns[-1]) - evidence.report_delay_ns)
    excused = meeting(ints([last]), ints([end]), _transmitter_away(evidence))[0]
    unknown = heard.lost[-1] > heard.lost[evidence.sent.frame[row]]
    silent = end - last
    return 0 if excused or unknown or silent <= 3 * evidence.plan.link.packet_period_ns else silent


@dataclass(frozen=True, slots=True)
class ControlGaps:
    """Times between consecutive applied packets, in ns, with how far each may be out; where each begins.

    `doubtful` marks those in which messages of the receiver are missing: the true gap may be shorter.
    """

    gap_ns: Ints
    bound_ns: Ints
    start_ns: Ints
    doubtful: Flags


def control_gaps(evidence: Evidence, during: tuple[str, ...] = ()) -> ControlGaps:
    """Return every time without a newly applied packet inside the steps `during`.

    The end of each step counts as an applied packet, so that a receiver that stops has a gap too; so does its
    start, once the link had been up. Gaps that touch a cut, up to the first packet applied after it or a
    grace after its end (`harness.measure.excuses`), a commanded restart up to the first packet after it, or a
    slower packet rate that the harness had set, count only from its end on: a link that does not come back
    has a gap to the end of the steps.
    """
    parts = [_gaps_in(evidence, int(start), int(end)) for start, end in evidence.spans(during)]
    if not parts:
        none = ints([])
        return ControlGaps(none, none, none, none.astype(np.bool_))
    starts, ends, doubtful = (np.concatenate(column) for column in zip(*parts, strict=True))
    rates = other_rate_spans(evidence, slower=True)
    excused = np.concatenate((cut_excuses(evidence), evidence.restart_spans, rates))
    begun, starts = starts, _after(starts, ends, excused)
    late = meeting(starts, ends + evidence.report_delay_ns, evidence.gaps(Role.RECEIVER)[:, :2])
    doubtful = np.where(starts > begun, late, doubtful)
    free = ends > starts
    gap = (ends - starts)[free]
    clock = evidence.clocks[Role.RECEIVER]
    bound = np.ceil(gap * clock.rate_error).astype(np.int64) + clock.span_step_ns
    return ControlGaps(gap, bound, starts[free], doubtful[free])


def _after(starts: Ints, ends: Ints, spans: Ints) -> Ints:
    """Return where the gaps begin that are left once every span that they touch is over."""
    clear = starts.copy()
    where = np.flatnonzero(meeting(starts + 1, ends - 1, spans))
    for place in where.tolist():
        touched = (spans[:, 0] <= ends[place] - 1) & (spans[:, 1] >= starts[place] + 1)
        clear[place] = max(int(starts[place]), int(spans[touched, 1].max()))
    return clear


def _gaps_in(evidence: Evidence, start_ns: int, end_ns: int) -> tuple[Ints, Ints, Flags]:
    applied = evidence.applied
    fresh = ~applied.repeat & ~applied.strange
    chosen = np.flatnonzero(inside(applied.at_ns, ints([[start_ns, end_ns]])) & fresh)
    times, frames = applied.at_ns[chosen], applied.frame[chosen]
    end_ns = min(end_ns, max(start_ns, evidence.data_end_ns - evidence.report_delay_ns))
    starts = np.concatenate(([start_ns], times))
    ends = np.maximum(np.concatenate((times, [end_ns])), starts)
    doubtful = meeting(starts, ends + evidence.report_delay_ns, evidence.gaps(Role.RECEIVER)[:, :2])
    if len(frames) > 1:
        heard = evidence.heard[Role.RECEIVER]
        restarts = heard.restarts[heard.restarts[:, 2] == MANY, :2]
        doubtful[1:-1] = heard.lost_between(frames[:-1], frames[1:]) > 0
        doubtful[1:-1] |= meeting(starts[1:-1], ends[1:-1], restarts)
    if len(times) and not (applied.at_ns < start_ns).any():
        return starts[1:], ends[1:], doubtful[1:]
    return starts, ends, doubtful

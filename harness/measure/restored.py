"""How soon do packets come through again? Figures after every overload and every restart.

After an overload: the sampling time of the last lost packet less the time at which the rate was reduced.
After a restart: the time of the first applied packet after which none is lost less the time of the command.
As RFC 2544 sections 26.5 and 26.6 with the packet as the frame. (Section 26.5 says to subtract the last lost
frame's time from that of the reduction, which would be negative: the order here is the one that is meant.)
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.codec import messages as wire
from harness.measure.arrays import Ints, inside, ints, meeting
from harness.measure.delivery import Fates, packet_fates
from harness.measure.evidence import Evidence
from harness.measure.spans import RestartSpan, limit_steps
from harness.measure.trials import Trial, part
from harness.plan.trials import Outcome
from harness.stats.bursts import tally

NEVER: Final = None


@dataclass(frozen=True, slots=True)
class Recovery:
    """One recovery, from `from_ns` in host time on, watched for `watched_ns`.

    `time_ns` is how long it took, wrong by at most `bound_ns`; None if packets never came through. `back_ns`
    is when the first packet was applied after a restart, None if none was; 0 after an overload. `sent_ns`
    and `lost_ns` are how long after `from_ns` each packet was sampled, and each that got lost: of a restart
    those after `back_ns`. `unknown` says that missing messages could hide a loss. `what` names it, `pushed`
    and `pushed_lost` are the packets sent and lost in the overload.
    """

    what: str
    from_ns: int
    time_ns: int | None
    back_ns: int | None
    watched_ns: int
    bound_ns: int
    sent_ns: Ints
    lost_ns: Ints
    unknown: bool
    pushed: int = 0
    pushed_lost: int = 0


@dataclass(frozen=True, slots=True)
class Usual:
    """Packets sent and lost in the rest of the run, and in how many bursts: what this link loses anyway."""

    sent: int
    lost: int
    bursts: int


def after_overload(evidence: Evidence, trials: tuple[Trial, ...]) -> tuple[Recovery, ...]:
    """Return how each overload was recovered from; one that was refused or never reduced is left out."""
    steps = limit_steps(evidence.plan)
    chosen = [
        trial
        for trial in trials
        if trial.what == "overload"
        and trial.outcome is not Outcome.REFUSED
        and trial.reduced_ns < trial.end_ns
    ]
    if not chosen:
        return ()
    packets = _packets(evidence, tuple(step.name for step in steps.values()))
    return tuple(_from_overload(evidence, packets, trial) for trial in chosen)


@dataclass(frozen=True, slots=True)
class _Packets:
    """What became of packets, with the sampling time of each, in order."""

    fates: Fates
    at_ns: Ints


def _packets(evidence: Evidence, during: tuple[str, ...] = ()) -> _Packets:
    fates = packet_fates(evidence, during)
    return _Packets(fates, evidence.sent.at_ns[fates.row])


def _from_overload(evidence: Evidence, packets: _Packets, trial: Trial) -> Recovery:
    from_ns = _reduced_ns(evidence, trial)
    sent, lost, unknown = _after(evidence, packets, from_ns, trial.end_ns)
    return Recovery(
        what=f"overload at {trial.rate_mhz / 1000:g} Hz",
        from_ns=from_ns,
        time_ns=int(lost[-1]) if len(lost) else 0,
        back_ns=0,
        watched_ns=trial.end_ns - from_ns,
        bound_ns=evidence.slack_ns,
        sent_ns=sent,
        lost_ns=lost,
        unknown=unknown or not len(sent),
        pushed=trial.sent,
        pushed_lost=trial.lost,
    )


def _reduced_ns(evidence: Evidence, trial: Trial) -> int:
    """Return when the transmitter took the lower rate: the time in its reply to the first order it took.

    Without such a reply it is the last order: the rate was lowered then at the latest.
    """
    told, heard = evidence.told[Role.TRANSMITTER], evidence.heard[Role.TRANSMITTER]
    orders = {
        note.counter: note.at_ns
        for note in told.others
        if isinstance(note.message, wire.Setting) and trial.reduced_ns <= note.at_ns <= trial.end_ns
    }
    for note in heard.others:
        reply = note.message
        if not isinstance(reply, wire.Reply) or reply.command != wire.Setting.TYPE:
            continue
        ordered_ns = orders.get(reply.counter, trial.end_ns + 1)
        if reply.result == wire.Result.DONE and ordered_ns <= note.at_ns <= trial.end_ns:
            clock, segment = evidence.clocks[Role.TRANSMITTER], ints([heard.segment[note.frame]])
            dev_us = clock.unwrap(ints([reply.at_us]), ints([note.at_ns]), segment)
            return max(ordered_ns, int(clock.to_host_ns(dev_us, segment)[0]))
    return max(orders.values(), default=trial.reduced_ns)


def after_restarts(evidence: Evidence) -> tuple[Recovery, ...]:
    """Return how each commanded restart of either device was recovered from, unless the link was cut then."""
    away = ints([(span.start_ns, span.end_ns) for span in evidence.restarts if span.outage]).reshape(-1, 2)
    made = [span for span in evidence.restarts if not span.outage]
    starts = ints([span.start_ns for span in made])
    ends = ints([span.end_ns for span in made])
    linked = ~meeting(starts, starts, evidence.cut_spans) & ~meeting(starts, ends, away)
    restarts = [_from_power(span) for span, was in zip(made, linked.tolist(), strict=True) if was]
    if not restarts:
        return ()
    packets = _packets(evidence)
    ends = ints([span.end_ns for span in restarts])
    back = np.isin(ends, evidence.applied.at_ns).tolist()
    pairs = zip(restarts, back, strict=True)
    return tuple(_from_restart(evidence, packets, span, back=came) for span, came in pairs)


def _from_power(span: RestartSpan) -> RestartSpan:
    """Return a restart counted from when there was power again."""
    return replace(span, start_ns=min(span.powered_ns, span.end_ns)) if span.powered_ns else span


def _from_restart(evidence: Evidence, packets: _Packets, span: RestartSpan, *, back: bool) -> Recovery:
    until = _until_ns(evidence, span)
    start = span.end_ns if back else until
    sent, lost, unknown = _after(evidence, packets, start, until)
    time_ns: int | None = span.end_ns - span.start_ns if back else NEVER
    if back and len(lost):
        time_ns = _applied_after_ns(packets, start + int(lost[-1]), until)
        time_ns = NEVER if time_ns is None else time_ns - span.start_ns
    shift = start - span.start_ns
    silent = span.role in evidence.quiet or span.frame < 0
    return Recovery(
        what=f"{span.role.value} restart",
        from_ns=span.start_ns,
        time_ns=time_ns,
        back_ns=span.end_ns - span.start_ns if back else NEVER,
        watched_ns=max(0, until - span.start_ns),
        bound_ns=evidence.slack_ns,
        sent_ns=sent + shift,
        lost_ns=lost + shift,
        unknown=unknown or silent,
    )


def _applied_after_ns(packets: _Packets, sampled_ns: int, until_ns: int) -> int | None:
    """Return when the first delivered packet sampled after `sampled_ns` was applied."""
    first, after = np.searchsorted(packets.at_ns, (sampled_ns + 1, until_ns + 1)).tolist()
    came = first + np.flatnonzero(packets.fates.delivered[first:after])
    return int(packets.at_ns[came[0]] + packets.fates.latency_ns[came[0]]) if len(came) else None


def _until_ns(evidence: Evidence, span: RestartSpan) -> int:
    """Return up to when a restart's recovery was watched: the next restart or cut, or the step's end.

    What a device still had to report when it was restarted again is gone, and says nothing.
    """
    events = [other.start_ns for other in evidence.restarts if other.start_ns > span.start_ns]
    events += [cut.command_ns for cut in evidence.cuts if cut.command_ns > span.start_ns]
    ends = [step.end_ns for step in evidence.steps if step.start_ns <= span.start_ns <= step.end_ns]
    return min([*ends, *(at_ns - evidence.report_delay_ns for at_ns in events)], default=evidence.data_end_ns)


def _after(evidence: Evidence, packets: _Packets, start_ns: int, end_ns: int) -> tuple[Ints, Ints, bool]:
    """Return how long after `start_ns` packets were sent and lost, and whether some may be unknown."""
    first, after = np.searchsorted(packets.at_ns, (start_ns, end_ns + 1)).tolist()
    at_ns, inner = packets.at_ns[first:after] - start_ns, part(packets.fates, first, after)
    gaps = evidence.heard[Role.TRANSMITTER].gaps[:, :2]
    missing = bool(meeting(ints([start_ns]), ints([end_ns]), gaps)[0])
    return at_ns, at_ns[inner.lost], missing or bool(inner.unknown.any())


def usual_losses(evidence: Evidence) -> Usual:
    """Return the packets outside steps that search limits, and outside what follows a restart or a cut."""
    fates = packet_fates(evidence)
    delay_ns = evidence.report_delay_ns
    after = [(span.start_ns, _until_ns(evidence, span) + delay_ns) for span in evidence.restarts]
    away = np.concatenate((ints(after).reshape(-1, 2), evidence.cut_spans))
    kept = ~inside(evidence.sent.at_ns[fates.row], away)
    lost = fates.lost[kept]
    return Usual(len(lost), int(lost.sum()), tally(lost).bursts)


__all__ = ["Recovery", "Usual", "after_overload", "after_restarts", "usual_losses"]

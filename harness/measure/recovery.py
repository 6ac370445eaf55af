"""How did control come back after a cut? In time, and without a value from before it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np

from harness.bench.protocol import Role
from harness.codec.messages import OutputReason
from harness.measure.arrays import Ints, inside, ints, meeting
from harness.measure.cuts import Cut
from harness.measure.evidence import Evidence
from harness.measure.failsafe import (
    NONE,
    first_change,
    last_applied_row,
    packet_period_ns,
    receiver_lost,
    receiver_missed,
)
from harness.measure.orders import TAKES_NS
from harness.plan.model import FailsafeOutputs, Fidelity, Plan


@dataclass(frozen=True, slots=True)
class StaleOutput:
    """An output after a cut that nothing sent since commanded. `old` if it is the value from before it."""

    cut: Cut
    packet: int
    channel: int
    shown_us: int
    old: bool
    after_ns: int


@dataclass(frozen=True, slots=True)
class CutExit:
    """One cut's return of control.

    `exit_ns` is the time from the first packet sent after the cut to the first of those applied, wrong by at
    most `bound_ns`; None if none was applied in `waited_ns`. `may_be_longer` and `may_be_shorter` say which
    way missing messages could move it; `blind` that they could hide a stale output.
    """

    cut: Cut
    exit_ns: int | None
    waited_ns: int
    bound_ns: int
    may_be_longer: bool
    may_be_shorter: bool
    blind: bool
    stale: tuple[StaleOutput, ...]


def failsafe_exits(evidence: Evidence, limit_ns: int) -> tuple[CutExit, ...]:
    """Return for each cut how control came back: first Applied - first Sent after it, in host time.

    Looks for stale outputs from failsafe (or the first packet) up to `limit_ns` after the first applied
    packet: one whose packet was sent before the cut, or that equals neither its failsafe value nor any
    stick commanded for a packet sent since. A transmitter that sends nothing after a cut is waited for from
    the cut's end and a packet period on.
    """
    key = (__name__, "failsafe_exits", (str(limit_ns),))
    if key not in evidence.memo:
        held = [cut for cut in evidence.cuts if cut.held and cut.last_sent != NONE]
        evidence.memo[key] = tuple(
            _silent_exit(evidence, cut) if cut.first_sent == NONE else _exit(evidence, cut, limit_ns)
            for cut in held
        )
    return cast("tuple[CutExit, ...]", evidence.memo[key])


def _silent_exit(evidence: Evidence, cut: Cut) -> CutExit:
    """Return the exit of a cut after which the transmitter sent nothing, as far as its port tells."""
    heard = evidence.heard[Role.TRANSMITTER]
    due_ns = cut.end_ns + TAKES_NS + packet_period_ns(evidence, cut)
    until = min(_next_cut_ns(evidence, cut), evidence.data_end_ns, int(heard.at_ns[-1]))
    missing = meeting(ints([due_ns]), ints([max(due_ns, until)]), heard.gaps[:, :2])[0]
    return CutExit(
        cut=cut,
        exit_ns=None,
        waited_ns=max(0, until - due_ns),
        bound_ns=evidence.slack_ns,
        may_be_longer=False,
        may_be_shorter=bool(missing) or Role.TRANSMITTER in evidence.quiet,
        blind=False,
        stale=(),
    )


def _exit(evidence: Evidence, cut: Cut, limit_ns: int) -> CutExit:
    sent, applied = evidence.sent, evidence.applied
    first_ns = int(sent.at_ns[cut.first_sent])
    horizon = _next_cut_ns(evidence, cut)
    back = cut.first_applied
    if back != NONE and int(applied.at_ns[back]) > horizon:
        back = NONE  # it came after the next cut, and says nothing of this one
    seen_until = min(horizon, evidence.data_end_ns - evidence.report_delay_ns)
    skipped = (int(sent.number[cut.first_sent]) - int(sent.number[cut.last_sent])) % 65536 - 1
    tx_lost = evidence.heard[Role.TRANSMITTER].lost_between(
        ints([sent.frame[cut.last_sent]]), ints([sent.frame[cut.first_sent]])
    )
    until = cut.until_ns if back != NONE else seen_until
    in_time_ns = first_ns + limit_ns + evidence.slack_ns
    end = min(until + limit_ns, seen_until)
    return CutExit(
        cut=cut,
        exit_ns=max(0, int(applied.at_ns[back]) - first_ns) if back != NONE else None,
        waited_ns=max(0, until - first_ns),
        bound_ns=evidence.slack_ns,
        may_be_longer=bool(tx_lost[0] > 0 and skipped > 0),
        may_be_shorter=receiver_lost(evidence, first_ns, min(until, in_time_ns) + evidence.report_delay_ns),
        blind=receiver_missed(evidence, first_ns, end + evidence.report_delay_ns),
        stale=_stale(evidence, cut, first_ns, end),
    )


def _next_cut_ns(evidence: Evidence, cut: Cut) -> int:
    later = [other.start_ns for other in evidence.cuts if other.command_ns > cut.command_ns]
    later += [span.start_ns for span in evidence.restarts if span.start_ns > cut.end_ns]
    return min(later, default=evidence.data_end_ns)


def _stale(evidence: Evidence, cut: Cut, first_ns: int, end_ns: int) -> tuple[StaleOutput, ...]:
    """Return the stale outputs of one cut, from its failsafe (or its first packet) to `end_ns`."""
    change = first_change(evidence, cut)
    start = int(evidence.changes.at_ns[change]) + 1 if change != NONE else first_ns
    before = _outputs_before(evidence, cut, start)
    if before is None:
        return ()
    found: list[StaleOutput] = []
    allowed = [{int(value)} for value in _failsafe_values(evidence.plan, before)]
    near = [stale_tolerance_us(evidence.plan, number) for number in range(len(allowed))]
    events = _events(evidence, start, end_ns)
    latest = cut.first_sent - 1
    for at_ns, packet, sent_row, outputs in events:
        if sent_row >= 0 and evidence.sent.at_ns[sent_row] < first_ns - evidence.slack_ns:
            found.append(_as_stale(cut, packet, before, outputs, at_ns - first_ns))
            continue
        newest = max(sent_row, latest)
        if not _allow(evidence, allowed, latest + 1, newest):
            break
        latest = newest
        found.extend(_unexplained(cut, packet, outputs, before, allowed, near, at_ns - first_ns))
    return tuple(found)


def _outputs_before(evidence: Evidence, cut: Cut, start_ns: int) -> Ints | None:
    """Return the outputs of the last packet applied before failsafe, None if there is none."""
    last = last_applied_row(evidence, start_ns - 1)
    while last >= cut.first_applied > NONE:
        last -= 1
    if last < 0:
        return None
    outputs: Ints = evidence.applied.outputs_us[last]
    return outputs


def _failsafe_values(plan: Plan, before: Ints) -> list[int]:
    """Return each channel's declared failsafe pulse, the value before the cut for a held one."""
    values = []
    for number, channel in enumerate(plan.link.channels):
        declared = channel.failsafe_us
        values.append(int(before[number]) if declared is None and number < len(before) else declared or 0)
    return values


def _events(evidence: Evidence, start_ns: int, end_ns: int) -> list[tuple[int, int, int, Ints]]:
    """Return applied packets and other changes in time order: time, packet or -1, sent row or -1, outputs."""
    applied, changes = evidence.applied, evidence.changes
    span = ints([[start_ns, end_ns]])
    rows = np.flatnonzero(inside(applied.at_ns, span) & ~applied.doubtful & (applied.sent_row >= 0))
    events = [
        (int(applied.at_ns[row]), int(applied.number[row]), int(applied.sent_row[row]),
         applied.outputs_us[row, : applied.channels[row]])
        for row in rows
    ]  # fmt: skip
    others = np.flatnonzero(inside(changes.at_ns, span) & (changes.reason == OutputReason.OTHER))
    events += [
        (int(changes.at_ns[row]), NONE, NONE, changes.outputs_us[row, : changes.channels[row]])
        for row in others
    ]
    return sorted(events, key=lambda event: event[:2])


def _allow(evidence: Evidence, allowed: list[set[int]], first: int, last: int) -> bool:
    """Add what packets `first` to `last` commanded; False if one's sticks are not known."""
    rows = set(evidence.sent.sticks_row[first : last + 1].tolist())
    if min(rows, default=0) < 0:
        return False
    for row in rows:
        for number, value in enumerate(evidence.sticks.outputs_us[row].tolist()):
            allowed[number].add(value)
    return True


def stale_tolerance_us(plan: Plan, channel: int) -> int:
    """Return how far an output may be from an allowed value: a step, or the plan's tolerances."""
    given = [
        check.rule.tolerance_us for check in plan.checks if isinstance(check.rule, Fidelity | FailsafeOutputs)
    ]
    return max([plan.link.channels[channel].resolution_us, *given])


def _unexplained(
    cut: Cut,
    packet: int,
    outputs: Ints,
    before: Ints,
    allowed: list[set[int]],
    near: list[int],
    after_ns: int,
) -> list[StaleOutput]:
    found = []
    for number, shown in enumerate(outputs[: len(allowed)].tolist()):
        some = allowed[number]
        if shown not in some and all(abs(shown - value) > near[number] for value in some):
            old = number < len(before) and abs(shown - int(before[number])) <= near[number]
            found.append(StaleOutput(cut, packet, number, shown, old, after_ns))
    return found


def _as_stale(cut: Cut, packet: int, before: Ints, outputs: Ints, after_ns: int) -> StaleOutput:
    """Return a packet from before the cut as one stale output, on the first channel that kept its value."""
    same = [n for n in range(min(len(outputs), len(before))) if outputs[n] == before[n]]
    channel = same[0] if same else 0
    shown = int(outputs[channel]) if len(outputs) else 0
    return StaleOutput(cut, packet, channel, shown, old=True, after_ns=after_ns)

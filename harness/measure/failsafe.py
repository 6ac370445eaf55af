"""What happened at link loss? Entry into failsafe, outputs in it, return of control, false entries."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final, cast

import numpy as np

from harness.bench.protocol import Role
from harness.codec.messages import OutputReason
from harness.measure.arrays import Flags, Ints, inside, ints, meeting
from harness.measure.cuts import DISTURBED, Cut
from harness.measure.evidence import Evidence
from harness.measure.orders import TAKES_NS
from harness.measure.rates import other_rate_spans

NONE: Final = -1
BEFORE: Final = 8
"""Packets before a cut whose spacing is the packet period."""


class Entry(StrEnum):
    """What one cut says about failsafe entry."""

    ENGAGED = "engaged"
    NEVER = "never engaged"
    UNKNOWN = "hidden by lost serial messages"
    NOT_NEEDED = "too short to need failsafe"
    NOT_HELD = "the transmitter kept sending"
    NOT_SENT = "nothing was sent in place of its packets"
    NOT_DEAF = "packets came through, or none was acknowledged"
    NOT_SWITCHED = "packets were applied in it, so power or path went on for longer than the rig says"
    NOT_LINKED = "no packet was applied before it"


@dataclass(frozen=True, slots=True)
class CutEntry:
    """One cut's failsafe entry.

    `entry_ns` is the time from the last applied packet to the change, wrong by at most `bound_ns`;
    `may_be_shorter` if messages between the two are missing. `after_cut_ns` is the time since the cut
    began, wrong by at most `cut_bound_ns`. `change` and `last_applied` are rows, -1 where there is none.
    `other_rate` if the harness had set another packet rate for this cut.
    """

    cut: Cut
    entry: Entry
    entry_ns: int = 0
    bound_ns: int = 0
    after_cut_ns: int = 0
    cut_bound_ns: int = 0
    may_be_shorter: bool = False
    change: int = NONE
    last_applied: int = NONE
    other_rate: bool = False


def failsafe_entries(evidence: Evidence, limit_ns: int) -> tuple[CutEntry, ...]:
    """Return what every cut says of failsafe entry (`_entries`), measured once for each limit."""
    key = (__name__, "failsafe_entries", (str(limit_ns),))
    if key not in evidence.memo:
        evidence.memo[key] = _entries(evidence, limit_ns)
    return cast("tuple[CutEntry, ...]", evidence.memo[key])


def _entries(evidence: Evidence, limit_ns: int) -> tuple[CutEntry, ...]:
    """Return for each cut when failsafe began: `OutputChange(FAILSAFE)` - last `Applied`.

    Both are on the receiver's own clock, which needs no map, only its rate; the uncertainty is 1 us and the
    rate's error. A cut that is not longer than `limit_ns` and one packet period expects nothing. A cut that
    was long enough without a change never engaged, unless lost serial messages could hide the change.
    If the transmitter does not say that it sent anything in place of its packets, a failsafe in time shows
    no more than a silence does; none, or a late one, counts: its own packets had stopped all the same.

    What a receiver takes of corrupted, foreign or repeated packets is no packet of the link's: it neither
    counts as the last one nor ends the cut. A restart of the receiver in a cut ends what can be said of it.

    The time since the cut is the failsafe's instant less that of the cut, each on its device's clock and
    mapped to the host's. The cut begins its delay after the device carried out the command, by the stamp in
    its reply; without a reply it began somewhat later than the command allows at the soonest. A cut from
    outside began within its window.
    """
    other = other_rate_spans(evidence)
    entries = [_entry(evidence, cut, limit_ns) for cut in evidence.cuts]
    times = ints([cut.start_ns for cut in evidence.cuts])
    return tuple(
        _since_cut(evidence, replace(entry, other_rate=rate))
        for entry, rate in zip(entries, meeting(times, times, other).tolist(), strict=True)
    )


def _since_cut(evidence: Evidence, entry: CutEntry) -> CutEntry:
    """Put in how long after the cut failsafe came."""
    began_ns = entry.cut.began_ns
    if entry.change == NONE:
        return entry
    at_ns = int(evidence.changes.at_ns[entry.change])
    if entry.cut.window_ns is not None:
        return replace(
            entry,
            after_cut_ns=max(0, at_ns - sum(entry.cut.window_ns) // 2),
            cut_bound_ns=(entry.cut.window_ns[1] - entry.cut.window_ns[0] + 1) // 2 + evidence.slack_ns,
        )
    if began_ns is None:
        middle = at_ns - entry.cut.start_ns - TAKES_NS // 2
        return replace(entry, after_cut_ns=max(0, middle), cut_bound_ns=TAKES_NS // 2 + evidence.slack_ns)
    return replace(entry, after_cut_ns=max(0, at_ns - began_ns), cut_bound_ns=evidence.slack_ns)


def _entry(evidence: Evidence, cut: Cut, limit_ns: int) -> CutEntry:
    if not cut.held:
        return CutEntry(cut, why_not_held(cut))
    change = first_change(evidence, cut)
    if change == NONE:
        return _no_change(evidence, cut, limit_ns)
    last = int(evidence.changes.applied_row[change])
    if last == NONE:
        return CutEntry(cut, Entry.NOT_LINKED)
    span_us = int(evidence.changes.dev_us[change] - evidence.applied.dev_us[last])
    entry, bound = evidence.clocks[Role.RECEIVER].span_ns(span_us, int(evidence.changes.segment[change]))
    what = Entry.ENGAGED if _long_enough(evidence, cut, limit_ns) else Entry.NOT_NEEDED
    if cut.way in DISTURBED and not cut.packets and entry + bound <= limit_ns:
        what = Entry.NOT_SENT
    frames = sorted((int(evidence.applied.frame[last]), int(evidence.changes.frame[change])))
    return CutEntry(
        cut=cut,
        entry=what,
        entry_ns=entry,
        bound_ns=bound,
        may_be_shorter=_lost_between(evidence, frames[0], frames[1]) > 0,
        change=change,
        last_applied=last,
    )


def why_not_held(cut: Cut) -> Entry:
    """Return what was seen of a cut that was ordered and did not happen."""
    if cut.is_outside:
        return Entry.NOT_SWITCHED
    return Entry.NOT_DEAF if cut.way == "deaf" else Entry.NOT_HELD


def _long_enough(evidence: Evidence, cut: Cut, limit_ns: int) -> bool:
    period = max(evidence.plan.link.packet_period_ns, packet_period_ns(evidence, cut))
    return cut.duration_ns >= limit_ns + period


def packet_period_ns(evidence: Evidence, cut: Cut) -> int:
    """Return the packet period before a cut: the median of the last few; the link's if too few were sent."""
    first = max(0, cut.last_sent - BEFORE)
    between = np.diff(np.sort(evidence.sent.at_ns[first : cut.last_sent + 1]))
    return int(np.median(between)) if len(between) >= 2 else evidence.plan.link.packet_period_ns


def _no_change(evidence: Evidence, cut: Cut, limit_ns: int) -> CutEntry:
    last = _last_own_row(evidence, cut)
    if last == NONE or _in_failsafe(evidence, last, cut.start_ns):
        return CutEntry(cut, Entry.NOT_LINKED)
    last_ns = int(evidence.applied.at_ns[last])
    watched_ns, delay_ns = watched_until_ns(evidence, cut), evidence.report_delay_ns
    restarted = watched_ns < cut.until_ns
    seen_until = min(watched_ns - delay_ns * restarted, evidence.data_end_ns - delay_ns)
    if not _long_enough(evidence, cut, limit_ns) or seen_until - last_ns <= limit_ns + evidence.slack_ns:
        return CutEntry(cut, Entry.NOT_NEEDED, last_applied=last)
    if restarted:  # what was still to be sent when it restarted is too late to matter
        due_ns = last_ns + limit_ns + evidence.slack_ns + delay_ns
        fell_silent = int(evidence.heard[Role.RECEIVER].at_ns[-1]) < due_ns
        hidden = fell_silent or receiver_missed(evidence, last_ns, watched_ns)
    else:
        hidden = receiver_lost(evidence, last_ns, cut.until_ns + delay_ns)
    return CutEntry(cut, Entry.UNKNOWN if hidden else Entry.NEVER, last_applied=last)


def watched_until_ns(evidence: Evidence, cut: Cut) -> int:
    """Return up to when a cut tells of failsafe: the return of packets, or a restart of the receiver."""
    restarts = (span.start_ns for span in evidence.restarts if span.role == Role.RECEIVER)
    return min([cut.until_ns, *(at_ns for at_ns in restarts if at_ns >= cut.command_ns)])


def _last_own_row(evidence: Evidence, cut: Cut) -> int:
    """Return the last row of a packet of the link's before it came back after a cut, -1 if there is none."""
    back, strange = cut.first_applied, evidence.applied.strange
    last = last_applied_row(evidence, cut.until_ns) if back == NONE else back - 1
    while last != NONE and strange[last]:
        last -= 1
    return last


def first_change(evidence: Evidence, cut: Cut) -> int:
    """Return the first change into failsafe between the cut's start and the first packet applied after it."""
    changes = evidence.changes
    fits = (changes.reason == OutputReason.FAILSAFE) & (changes.at_ns >= cut.start_ns - evidence.slack_ns)
    fits &= (changes.at_ns <= watched_until_ns(evidence, cut)) & ~changes.idle
    rows = np.flatnonzero(fits)
    return int(rows[0]) if len(rows) else NONE


def last_applied_row(evidence: Evidence, before_ns: int) -> int:
    """Return the last row applied at `before_ns` or earlier, -1 if there is none."""
    return int(np.searchsorted(evidence.applied.so_far_ns, before_ns, side="right")) - 1


def _in_failsafe(evidence: Evidence, last_applied: int, at_ns: int) -> bool:
    """Return whether the outputs were in failsafe at `at_ns`, with no packet applied since."""
    changes = evidence.changes
    safe = np.isin(changes.reason, (OutputReason.FAILSAFE, OutputReason.START))
    since = (changes.at_ns > evidence.applied.at_ns[last_applied]) & (changes.at_ns <= at_ns)
    return bool((safe & since).any())


def _lost_between(evidence: Evidence, first: int, last: int) -> int:
    return int(evidence.heard[Role.RECEIVER].lost_between(ints([first]), ints([last]))[0])


def receiver_lost(evidence: Evidence, start_ns: int, end_ns: int) -> bool:
    """Return whether messages of the receiver are missing between two times."""
    return bool(meeting(ints([start_ns]), ints([end_ns]), evidence.gaps(Role.RECEIVER)[:, :2])[0])


def receiver_missed(evidence: Evidence, start_ns: int, end_ns: int) -> bool:
    """Return whether messages of the receiver got lost among others between two times."""
    gaps = evidence.heard[Role.RECEIVER].gaps[:, :2]
    return bool(meeting(ints([start_ns]), ints([end_ns]), gaps)[0])


@dataclass(frozen=True, slots=True)
class FailsafeOutput:
    """One channel's output in one cut: the plan's channel number, what it had to be and what it was.

    `shown_us` is None if the receiver reported no such output. `held` says that it had to keep its last
    value.
    """

    cut: Cut
    channel: int
    wanted_us: int
    shown_us: int | None
    held: bool


def failsafe_outputs(evidence: Evidence) -> tuple[FailsafeOutput, ...]:
    """Return every channel's output from the change into failsafe up to the return of packets, over all cuts.

    What a receiver that is in failsafe takes of strange packets counts too. A held channel must keep the
    value of the last packet of the link's; it is left out where serial losses hide that.
    """
    found: list[FailsafeOutput] = []
    for entry in failsafe_entries(evidence, 0):
        if entry.change != NONE:
            for shown in _shown_until(evidence, entry):
                found.extend(_outputs_of(evidence, entry, shown))
    return tuple(found)


def _shown_until(evidence: Evidence, entry: CutEntry) -> list[Ints]:
    """Return the outputs of every report from the change into failsafe up to the return of packets."""
    changes, applied = evidence.changes, evidence.applied
    since, until = int(changes.at_ns[entry.change]), watched_until_ns(evidence, entry.cut)
    later = np.flatnonzero(~applied.strange[entry.last_applied + 1 :])
    if len(later):
        until = min(until, int(applied.at_ns[entry.last_applied + 1 + later[0]]))
    fits = (changes.at_ns >= since) & (changes.at_ns < until)
    fits[entry.change] = True
    fits &= changes.reason != OutputReason.START
    taken = applied.strange & (applied.at_ns >= since) & (applied.at_ns < until)
    return [
        table.outputs_us[row, : table.channels[row]]
        for table, chosen in ((changes, fits), (applied, taken))
        for row in np.flatnonzero(chosen).tolist()
    ]


def _outputs_of(evidence: Evidence, entry: CutEntry, shown: Ints) -> list[FailsafeOutput]:
    last = entry.last_applied
    before = evidence.applied.outputs_us[last, : evidence.applied.channels[last]]
    found = []
    for number, channel in enumerate(evidence.plan.link.channels):
        wanted = channel.failsafe_us
        held = wanted is None
        if wanted is None:
            if entry.may_be_shorter or number >= len(before):
                continue
            wanted = int(before[number])
        value = int(shown[number]) if number < len(shown) else None
        found.append(FailsafeOutput(entry.cut, number, wanted, value, held))
    return found


@dataclass(frozen=True, slots=True)
class FalseFailsafe:
    """A change of outputs to failsafe that nothing called for.

    `since_ns` is the time since the last applied packet, -1 if there was none before it. `restarted` if the
    receiver restarted by itself; otherwise the change came too soon after a packet, `in_cut` or not.
    """

    at_ns: int
    since_ns: int
    restarted: bool
    in_cut: bool


def false_failsafes(evidence: Evidence) -> tuple[FalseFailsafe, ...]:
    """Return every failsafe too soon after a packet, and every start of the receiver that nobody commanded.

    Failsafe after a long gap is right even where no cut made the gap: delivery and control gap tell of that.
    """
    changes = evidence.changes
    in_run = inside(changes.at_ns, evidence.spans())
    engaged = (changes.reason == OutputReason.FAILSAFE) & in_run & ~changes.idle
    started = (changes.reason == OutputReason.START) & in_run & ~_commanded(evidence)
    found = [_restart(evidence, row) for row in np.flatnonzero(started).tolist()]
    found += _too_soon(evidence, engaged)
    return tuple(sorted(found, key=lambda one: one.at_ns))


def _excused(evidence: Evidence) -> Ints:
    """Return the spans of cuts and restarts, widened by the clock bound."""
    spans = evidence.excused.copy()
    if len(spans):
        spans += ints([-evidence.slack_ns, evidence.slack_ns])
    return spans


def _commanded(evidence: Evidence) -> Flags:
    """Return which output changes belong to a start of the receiver that the harness commanded."""
    spans = [span for span in evidence.restarts if span.role == Role.RECEIVER]
    starts = evidence.heard[Role.RECEIVER].segment[[span.frame for span in spans if span.frame >= 0]]
    times = ints([(span.start_ns, span.end_ns) for span in spans]).reshape(-1, 2)
    return np.isin(evidence.changes.segment, starts) | inside(evidence.changes.at_ns, times)


def _restart(evidence: Evidence, row: int) -> FalseFailsafe:
    at_ns = int(evidence.changes.at_ns[row])
    last = int(evidence.changes.applied_row[row])
    since = at_ns - int(evidence.applied.at_ns[last]) if last != NONE else -1
    return FalseFailsafe(at_ns, since, restarted=True, in_cut=False)


def _too_soon(evidence: Evidence, engaged: Flags) -> list[FalseFailsafe]:
    """Return the changes that came sooner after the last applied packet than declared."""
    earliest = evidence.plan.link.failsafe.earliest_ns
    in_cut = inside(evidence.changes.at_ns, _excused(evidence))
    found = []
    for row in np.flatnonzero(engaged).tolist():
        last = int(evidence.changes.applied_row[row])
        if last == NONE:
            continue
        span_us = int(evidence.changes.dev_us[row] - evidence.applied.dev_us[last])
        since, bound = evidence.clocks[Role.RECEIVER].span_ns(span_us, int(evidence.changes.segment[row]))
        if since + bound < earliest:
            at_ns = int(evidence.changes.at_ns[row])
            found.append(FalseFailsafe(at_ns, since, restarted=False, in_cut=bool(in_cut[row])))
    return found

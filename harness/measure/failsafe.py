"""What happened at link loss? Entry into failsafe, outputs in it, return of control, false entries."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.clock import US, S
from harness.codec import messages as wire
from harness.codec.messages import OutputReason
from harness.measure.arrays import Flags, Ints, inside, ints, meeting
from harness.measure.evidence import Evidence
from harness.measure.rates import TAKES_NS, other_rate_spans
from harness.measure.spans import Cut

NONE: Final = -1
BEFORE: Final = 8
"""Packets before a cut whose spacing is the packet period."""
ANSWER_NS: Final = 5 * S
"""A reply later than this belongs to another command with the same counter."""


class Entry(StrEnum):
    """What one cut says about failsafe entry."""

    ENGAGED = "engaged"
    NEVER = "never engaged"
    UNKNOWN = "hidden by lost serial messages"
    NOT_NEEDED = "too short to need failsafe"
    NOT_HELD = "the transmitter kept sending"
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
    """Return for each cut when failsafe began: `OutputChange(FAILSAFE)` - last `Applied`.

    Both are on the receiver's own clock, which needs no map, only its rate; the uncertainty is 1 us and the
    rate's error. A cut that is not longer than `limit_ns` and one packet period expects nothing. A cut that
    was long enough without a change never engaged, unless lost serial messages could hide the change.

    The time since the cut is the failsafe's instant less that of the silence, each on its device's clock and
    mapped to the host's. The silence begins its delay after the transmitter carried out the command, by the
    stamp in its reply; without a reply it began somewhat later than the command allows at the soonest.
    """
    began = _silences(evidence)
    other = other_rate_spans(evidence)
    entries = [_entry(evidence, cut, limit_ns) for cut in evidence.cuts]
    times = ints([cut.start_ns for cut in evidence.cuts])
    return tuple(
        _since_cut(evidence, replace(entry, other_rate=rate), began.get(entry.cut.command_ns))
        for entry, rate in zip(entries, meeting(times, times, other).tolist(), strict=True)
    )


def _since_cut(evidence: Evidence, entry: CutEntry, began_ns: int | None) -> CutEntry:
    """Put in how long after the cut failsafe came."""
    if entry.change == NONE:
        return entry
    at_ns = int(evidence.changes.at_ns[entry.change])
    if began_ns is None:
        middle = at_ns - entry.cut.start_ns - TAKES_NS // 2
        return replace(entry, after_cut_ns=max(0, middle), cut_bound_ns=TAKES_NS // 2 + evidence.slack_ns)
    return replace(entry, after_cut_ns=max(0, at_ns - began_ns), cut_bound_ns=evidence.slack_ns)


def _silences(evidence: Evidence) -> dict[int, int]:
    """Return by the time of each `Silence` command when its silence began, where the transmitter told."""
    heard, clock = evidence.heard[Role.TRANSMITTER], evidence.clocks[Role.TRANSMITTER]
    replies = [
        (note.frame, note.at_ns, note.message)
        for note in heard.others
        if isinstance(note.message, wire.Reply) and note.message.command == wire.Silence.TYPE
    ]
    segment = heard.segment[[frame for frame, _, _ in replies]]
    came = ints([at_ns for _, at_ns, _ in replies])
    stamps = clock.unwrap(ints([reply.at_us for _, _, reply in replies]), came, segment)
    taken = clock.to_host_ns(stamps, segment).tolist()
    answers: dict[int, list[tuple[int, int, int]]] = {}
    for (_, heard_ns, reply), at_ns in zip(replies, taken, strict=True):
        answers.setdefault(reply.counter, []).append((heard_ns, at_ns, reply.result))
    found: dict[int, int] = {}
    for note in evidence.told[Role.TRANSMITTER].others:
        if isinstance(note.message, wire.Silence):
            own = [one for one in answers.get(note.counter, ()) if 0 < one[0] - note.at_ns <= ANSWER_NS]
            if own and own[0][2] == wire.Result.DONE:
                found[note.at_ns] = own[0][1] + note.message.delay_us * US
    return found


def _entry(evidence: Evidence, cut: Cut, limit_ns: int) -> CutEntry:
    if not cut.held:
        return CutEntry(cut, Entry.NOT_HELD)
    change = first_change(evidence, cut)
    if change == NONE:
        return _no_change(evidence, cut, limit_ns)
    last = int(evidence.changes.applied_row[change])
    if last == NONE:
        return CutEntry(cut, Entry.NOT_LINKED)
    span_us = int(evidence.changes.dev_us[change] - evidence.applied.dev_us[last])
    entry, bound = evidence.clocks[Role.RECEIVER].span_ns(span_us, int(evidence.changes.segment[change]))
    frames = sorted((int(evidence.applied.frame[last]), int(evidence.changes.frame[change])))
    return CutEntry(
        cut=cut,
        entry=Entry.ENGAGED if _long_enough(evidence, cut, limit_ns) else Entry.NOT_NEEDED,
        entry_ns=entry,
        bound_ns=bound,
        may_be_shorter=_lost_between(evidence, frames[0], frames[1]) > 0,
        change=change,
        last_applied=last,
    )


def _long_enough(evidence: Evidence, cut: Cut, limit_ns: int) -> bool:
    period = max(evidence.plan.link.packet_period_ns, packet_period_ns(evidence, cut))
    return cut.duration_ns >= limit_ns + period


def packet_period_ns(evidence: Evidence, cut: Cut) -> int:
    """Return the packet period before a cut: the median of the last few; the link's if too few were sent."""
    first = max(0, cut.last_sent - BEFORE)
    between = np.diff(np.sort(evidence.sent.at_ns[first : cut.last_sent + 1]))
    return int(np.median(between)) if len(between) >= 2 else evidence.plan.link.packet_period_ns


def _no_change(evidence: Evidence, cut: Cut, limit_ns: int) -> CutEntry:
    back = cut.first_applied
    last = last_applied_row(evidence, cut.until_ns) if back == NONE else back - 1
    if last == NONE or _in_failsafe(evidence, last, cut.start_ns):
        return CutEntry(cut, Entry.NOT_LINKED)
    last_ns = int(evidence.applied.at_ns[last])
    seen_until = min(cut.until_ns, evidence.data_end_ns - evidence.report_delay_ns)
    if not _long_enough(evidence, cut, limit_ns) or seen_until - last_ns <= limit_ns + evidence.slack_ns:
        return CutEntry(cut, Entry.NOT_NEEDED, last_applied=last)
    hidden = receiver_lost(evidence, last_ns, cut.until_ns + evidence.report_delay_ns)
    return CutEntry(cut, Entry.UNKNOWN if hidden else Entry.NEVER, last_applied=last)


def first_change(evidence: Evidence, cut: Cut) -> int:
    """Return the first change into failsafe between the cut's start and the first packet applied after it."""
    changes = evidence.changes
    fits = (changes.reason == OutputReason.FAILSAFE) & (changes.at_ns >= cut.start_ns - evidence.slack_ns)
    fits &= (changes.at_ns <= cut.until_ns) & ~changes.idle
    rows = np.flatnonzero(fits)
    return int(rows[0]) if len(rows) else NONE


def last_applied_row(evidence: Evidence, before_ns: int) -> int:
    """Return the last row applied at `before_ns` or earlier, -1 if there is none."""
    return int(np.searchsorted(evidence.applied.so_far_ns, before_ns, side="right")) - 1


def _in_failsafe(evidence: Evidence, last_applied: int, at_ns: int) -> bool:
    """Return whether the outputs were in failsafe at `at_ns`, with no packet applied since."""
    since = evidence.changes.at_ns[evidence.changes.at_ns <= at_ns]
    return bool((since > evidence.applied.at_ns[last_applied]).any())


def _lost_between(evidence: Evidence, first: int, last: int) -> int:
    return int(evidence.heard[Role.RECEIVER].lost_between(ints([first]), ints([last]))[0])


def receiver_lost(evidence: Evidence, start_ns: int, end_ns: int) -> bool:
    """Return whether messages of the receiver are missing between two times."""
    return bool(meeting(ints([start_ns]), ints([end_ns]), evidence.gaps(Role.RECEIVER)[:, :2])[0])


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

    A held channel must keep the value of the last applied packet; it is left out where serial losses hide
    that.
    """
    found: list[FailsafeOutput] = []
    for entry in failsafe_entries(evidence, 0):
        if entry.change != NONE:
            for row in _changes_until(evidence, entry):
                found.extend(_outputs_of(evidence, entry, row))
    return tuple(found)


def _changes_until(evidence: Evidence, entry: CutEntry) -> list[int]:
    changes, following = evidence.changes, entry.last_applied + 1
    until = entry.cut.until_ns
    if following < len(evidence.applied):
        until = min(until, int(evidence.applied.at_ns[following]))
    fits = (changes.at_ns >= changes.at_ns[entry.change]) & (changes.at_ns < until)
    fits[entry.change] = True
    fits &= changes.reason != OutputReason.START
    return [int(row) for row in np.flatnonzero(fits)]


def _outputs_of(evidence: Evidence, entry: CutEntry, row: int) -> list[FailsafeOutput]:
    shown = evidence.changes.outputs_us[row, : evidence.changes.channels[row]]
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

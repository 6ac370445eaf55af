"""Which packet became what? Every reported packet, command and output change, on the host's clock.

An applied packet belongs to the latest sent one with its number (16 bits, wrapping) that was sampled no
later than it was applied. Where messages of the transmitter are missing, the right one may be among them:
such a match is marked as doubtful, and no verdict may rest on it alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from harness.clock import MS, US, S
from harness.codec import messages as wire
from harness.measure.arrays import Flags, Ints, ints, meeting
from harness.measure.clockmap import ClockMap
from harness.measure.tables import MANY, Stream, Table
from harness.plan.model import Channel

TIME_BITS: Final = 47
"""A number and a time in ns share one sorted 63-bit key: 39 h of time above it."""
HALF_NUMBERS: Final = 1 << 15
"""A match more than half the number circle ago is none (RFC 1982 section 3.2)."""
REPORT_DELAY_LEAST_NS: Final = 50 * MS
REPORT_DELAY_MOST_NS: Final = 1 * S
REPEAT_NS: Final = 1 * S
FAR_NS: Final = 1 << 61


@dataclass(frozen=True, slots=True)
class SentPackets:
    """One row per `Sent` report, in the order of the reports.

    `at_ns` is when the sticks were sampled, `took_ns` the time from then to the acknowledgement or giving up.
    `sticks_row` is the row of `StickCommands` that the packet carried, -1 for the transmitter's own sticks.
    """

    frame: Ints
    heard_ns: Ints
    number: Ints
    set_number: Ints
    at_ns: Ints
    took_ns: Ints
    acked: Flags
    in_burst: Flags
    segment: Ints
    sticks_row: Ints

    def __len__(self) -> int:
        return len(self.frame)


@dataclass(frozen=True, slots=True)
class AppliedPackets:
    """One row per `Applied` report, in the order of the reports.

    `at_ns` is when the packet took effect in host time, `dev_us` in the receiver's own. `outputs_us` is (n,
    channels). `sent_row` is the matching row of `SentPackets`, -1 if there is none. `repeat` marks a packet
    that had been applied before, `doubtful` a match (or none) that a lost transmitter message could
    explain. `so_far_ns` is the largest
    `at_ns` up to each row: a sorted key to search by time. `strange` marks what a receiver took of packets
    that were sent to disturb it (`harness.measure.strangers`). Where packets are not `numbered`, by devices
    that tell no numbers, nothing is matched, and every match is in doubt.
    """

    frame: Ints
    heard_ns: Ints
    number: Ints
    at_ns: Ints
    dev_us: Ints
    segment: Ints
    outputs_us: Ints
    channels: Ints
    sent_row: Ints
    repeat: Flags
    doubtful: Flags
    so_far_ns: Ints
    strange: Flags
    numbered: bool = True

    def __len__(self) -> int:
        return len(self.frame)


@dataclass(frozen=True, slots=True)
class OutputChanges:
    """One row per `OutputChange` report, in the order of the reports; fields as in `AppliedPackets`.

    `applied_row` is the last packet applied before it, -1 if there is none since the receiver started; one
    that is `strange` does not count.
    `idle` marks reports that tell nothing new: failsafe again with no packet since, or the outputs as they
    were.
    """

    frame: Ints
    at_ns: Ints
    dev_us: Ints
    segment: Ints
    reason: Ints
    outputs_us: Ints
    channels: Ints
    applied_row: Ints
    idle: Flags

    def __len__(self) -> int:
        return len(self.frame)


@dataclass(frozen=True, slots=True)
class TelemetryReports:
    """One row per `Telemetry` report. `payload` is (n, longest), `size` its bytes; `sent_row` as above."""

    frame: Ints
    at_ns: Ints
    number: Ints
    payload: Ints
    size: Ints
    sent_row: Ints

    def __len__(self) -> int:
        return len(self.frame)


@dataclass(frozen=True, slots=True)
class StickCommands:
    """One row per `Sticks` frame sent to the transmitter: when, and its set number.

    `outputs_us` is (n, channels of the plan): what the outputs must become, -1 where the frame said nothing.
    """

    at_ns: Ints
    set_number: Ints
    outputs_us: Ints


def read_sent(heard: Stream, clock: ClockMap, sticks: StickCommands) -> SentPackets:
    """Return the transmitter's packets with their sampling times in host time."""
    table = heard.table(wire.Sent.TYPE)
    segment = heard.segment[table.frame]
    dev_us = clock.unwrap(_column(table, "at_us"), table.at_ns, segment)
    at_ns = clock.to_host_ns(dev_us, segment)
    flags, set_number = _column(table, "flags"), _column(table, "set_number")
    commanded = match(set_number, at_ns, sticks.set_number, sticks.at_ns, clock.bound_ns)
    return SentPackets(
        frame=table.frame,
        heard_ns=table.at_ns,
        number=_column(table, "packet"),
        set_number=set_number,
        at_ns=at_ns,
        took_ns=_column(table, "took_us") * US,
        acked=(flags & wire.SENT_ACKED) != 0,
        in_burst=(flags & wire.SENT_IN_BURST) != 0,
        segment=segment,
        sticks_row=np.where(set_number == wire.NO_SET, -1, commanded),
    )


def read_applied(
    heard: Stream,
    clock: ClockMap,
    sent: SentPackets,
    told_of: Stream,
    *,
    slack_ns: int,
    lost_after_ns: int,
    numbered: bool = True,
) -> AppliedPackets:
    """Return the receiver's packets, matched to those sent.

    `told_of` is the transmitter's stream, `slack_ns` how far apart the two clock maps may be.
    """
    packets = _unmatched(heard, clock)
    if not numbered:
        return packets
    at_ns, number = packets.at_ns, _column(heard.table(wire.Applied.TYPE), "packet")
    row = match(number, at_ns, sent.number, sent.at_ns, slack_ns)
    reach_ns = lost_after_ns + slack_ns
    doubtful = in_doubt(at_ns, row, sent, told_of, reach_ns)
    again = find_repeats(row, number, at_ns)
    row = np.where(doubtful & (_late(at_ns, row, sent, reach_ns) | again), -1, row)
    repeat = find_repeats(row, number, at_ns)
    return replace(packets, number=number, sent_row=row, repeat=repeat, doubtful=doubtful, numbered=True)


def _unmatched(heard: Stream, clock: ClockMap) -> AppliedPackets:
    """Return packets of which nobody can say which one each is."""
    table = heard.table(wire.Applied.TYPE)
    segment = heard.segment[table.frame]
    dev_us = clock.unwrap(_column(table, "at_us"), table.at_ns, segment)
    at_ns = clock.to_host_ns(dev_us, segment)
    unknown, never = np.full(len(table), -1, dtype=np.int64), np.zeros(len(table), dtype=np.bool_)
    return AppliedPackets(
        frame=table.frame,
        heard_ns=table.at_ns,
        number=unknown,
        at_ns=at_ns,
        dev_us=dev_us,
        segment=segment,
        outputs_us=table.tail,
        channels=table.tail_count,
        sent_row=unknown,
        repeat=never,
        doubtful=~never,
        so_far_ns=np.maximum.accumulate(at_ns),
        strange=never,
        numbered=False,
    )


def read_changes(heard: Stream, clock: ClockMap, applied: AppliedPackets) -> OutputChanges:
    """Return the output changes that no packet caused."""
    table = heard.table(wire.OutputChange.TYPE)
    segment = heard.segment[table.frame]
    dev_us = clock.unwrap(_column(table, "at_us"), table.at_ns, segment)
    at_ns = clock.to_host_ns(dev_us, segment)
    reason = _column(table, "reason")
    applied_row, before = _preceding(applied, table.frame, dev_us, segment)
    return OutputChanges(
        frame=table.frame,
        at_ns=at_ns,
        dev_us=dev_us,
        segment=segment,
        reason=reason,
        outputs_us=table.tail,
        channels=table.tail_count,
        applied_row=applied_row,
        idle=_idle(before, reason, table, applied, heard),
    )


def _preceding(applied: AppliedPackets, frame: Ints, dev_us: Ints, segment: Ints) -> tuple[Ints, Ints]:
    """Return for each change the last packet applied before it, and whatever report came just before it.

    In order of device time, then of report, within one start of the device; -1 if there is none. The second
    counts changes on from the number of applied packets.
    """
    keys = [(applied.frame, frame), (applied.dev_us, dev_us), (applied.segment, segment)]
    joined = [np.concatenate(pair) for pair in keys]
    order = np.lexsort(joined)
    is_change = order >= len(applied)
    place = np.flatnonzero(is_change)
    ours = ~is_change
    ours[ours] = ~applied.strange[order[ours]]
    packet = np.maximum.accumulate(np.where(ours, np.arange(len(order)), -1))[place]
    changed = order[place] - len(applied)
    applied_row, before = np.full((2, len(frame)), -1, dtype=np.int64)
    applied_row[changed] = np.where(packet >= 0, order[packet], -1)
    before[changed] = np.where(place > 0, order[place - 1], -1)
    for found in (applied_row, before):
        found[(found >= 0) & (joined[2][found] != segment)] = -1
    return applied_row, before


def _idle(before: Ints, reason: Ints, table: Table, applied: AppliedPackets, heard: Stream) -> Flags:
    """Return which changes only repeat the report before them; none after missing messages."""
    if not len(reason):
        return reason < 0
    frames = np.concatenate((applied.frame, table.frame))
    whole = (before >= 0) & (heard.lost[frames[before]] == heard.lost[table.frame])
    earlier = np.maximum(before - len(applied), 0)
    after_change = before >= len(applied)
    failsafe = np.isin(reason[earlier], (wire.OutputReason.FAILSAFE, wire.OutputReason.START)) & after_change
    width = max(table.tail.shape[1], applied.outputs_us.shape[1])
    shown = _padded(table.tail, width)
    outputs = np.concatenate((_padded(applied.outputs_us, width), shown))
    counts = np.concatenate((applied.channels, table.tail_count))
    same = (outputs[before] == shown).all(axis=1) & (counts[before] == table.tail_count)
    idle = np.where(reason == wire.OutputReason.FAILSAFE, failsafe, same)
    found: Flags = whole & idle & (reason != wire.OutputReason.START)
    return found


def _padded(pulses: Ints, width: int) -> Ints:
    return np.pad(pulses, ((0, 0), (0, width - pulses.shape[1])))


def read_telemetry(heard: Stream, clock: ClockMap, sent: SentPackets) -> TelemetryReports:
    """Return the acknowledgement payloads that the transmitter received."""
    table = heard.table(wire.Telemetry.TYPE)
    segment = heard.segment[table.frame]
    dev_us = clock.unwrap(_column(table, "at_us"), table.at_ns, segment)
    at_ns = clock.to_host_ns(dev_us, segment)
    number = _column(table, "packet")
    row = match(number, at_ns, sent.number, sent.at_ns, 2 * US)
    return TelemetryReports(table.frame, at_ns, number, table.tail, table.tail_count, row)


def read_sticks(told: Stream, channels: Sequence[Channel]) -> StickCommands:
    """Return every stick command as it was handed to the port, and what the outputs must become by it."""
    table = told.table(wire.Sticks.TYPE)
    outputs = np.full((len(table), len(channels)), -1, dtype=np.int64)
    for index, channel in enumerate(channels[: table.tail.shape[1]]):
        pulses = table.tail[:, index]
        wanted = (
            pulses if channel.direction == "normal" else channel.range.low_us + channel.range.high_us - pulses
        )
        outputs[:, index] = np.where(table.tail_count > index, wanted, -1)
    return StickCommands(table.at_ns, _column(table, "set_number"), outputs)


def match(number: Ints, at_ns: Ints, among: Ints, among_ns: Ints, slack_ns: int) -> Ints:
    """Return for each number the row of the latest equal one in `among` not later than `at_ns` + `slack_ns`.

    Numbers are 16 bits and wrap: a row from more than half the circle ago does not count. -1 where none fits.
    """
    if not len(number) or not len(among):
        return np.full(len(number), -1, dtype=np.int64)
    zero = min(int(at_ns.min()), int(among_ns.min()))
    latest = np.minimum(at_ns - zero + slack_ns, (1 << TIME_BITS) - 1)
    keys = (among << TIME_BITS) | np.minimum(among_ns - zero, (1 << TIME_BITS) - 1)
    order = np.argsort(keys, kind="stable")
    place = np.searchsorted(keys[order], (number << TIME_BITS) | latest, side="right") - 1
    row = order[np.maximum(place, 0)]
    by_time = np.argsort(among_ns, kind="stable")
    rank = np.empty(len(among), dtype=np.int64)
    rank[by_time] = np.arange(len(among))
    since = np.searchsorted(among_ns[by_time], at_ns + slack_ns, side="right") - rank[row]
    good = (place >= 0) & (among[row] == number) & (since <= HALF_NUMBERS)
    return np.where(good, row, -1)


def _column(table: Table, name: str) -> Ints:
    column: Ints = table.rows[name].astype(np.int64)
    return column


def find_repeats(row: Ints, number: Ints, at_ns: Ints) -> Flags:
    """Return which rows match a packet that an earlier row matched too.

    A row without a match repeats the row before it if it comes soon after with the same number.
    """
    repeat = np.zeros(len(row), dtype=np.bool_)
    matched = np.flatnonzero(row >= 0)
    firsts = np.unique(row[matched], return_index=True)[1]
    repeat[matched] = True
    repeat[matched[firsts]] = False
    again = (np.diff(number) == 0) & (np.diff(at_ns) < REPEAT_NS) & (row[1:] < 0)
    repeat[1:] |= again
    return repeat


def _late(at_ns: Ints, row: Ints, sent: SentPackets, reach_ns: int) -> Flags:
    if not len(sent):
        return row >= 0
    late: Flags = (row >= 0) & (at_ns - sent.at_ns[row] > reach_ns)
    return late


def in_doubt(at_ns: Ints, row: Ints, sent: SentPackets, told_of: Stream, reach_ns: int) -> Flags:
    """Return which matches a `Sent` report that never reached us could overturn."""
    early = at_ns - reach_ns - REPORT_DELAY_LEAST_NS
    if len(sent):
        early = np.where(row >= 0, sent.at_ns[row], early)
    late = at_ns + REPORT_DELAY_LEAST_NS
    return meeting(early, late, missing_spans(told_of)[:, :2])


def missing_spans(stream: Stream) -> Ints:
    """Return (n, 3) host times between which messages of a port are missing, and how many at most.

    Before a port's first message and after its last one nothing shows how many there were.
    """
    if not len(stream.at_ns):
        return ints([[-FAR_NS, FAR_NS, MANY]])
    first, last = int(stream.at_ns[0]), int(stream.at_ns[-1])
    return np.concatenate(
        (stream.gaps, stream.restarts, ints([[-FAR_NS, first, MANY], [last, FAR_NS, MANY]]))
    )

"""Do the pins do what the receiver says? A witness's pulses beside the receiver's reports.

A servo output is a train of pulses, about one in 20 ms: it shows a change late, and every pulse is a sample
of what was set some time before. So a pulse that rises at t and falls at u may have any value that the
reports gave its channel between t - after and u, both clocks' bounds allowed for. It is wrong if it is
further than `within` from all of them. Its width is told in the host's microseconds, not the witness's own.
Only widths are compared: the rate at which the pulses come is not judged, as long as they come.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from harness.bench.protocol import Role
from harness.clock import MS, US
from harness.codec import messages as wire
from harness.measure.arrays import Flags, Floats, Ints, inside, ints, meeting
from harness.measure.clockmap import RESOLUTION_NS, UNKNOWN_RATE, Rate
from harness.measure.evidence import SILENT_NS, Evidence
from harness.measure.packets import FAR_NS
from harness.plan import model as p

TENTHS: Final = 10
"""A witness gives widths in tenths of a microsecond (shared/protocol.md)."""
FRAME_NS: Final = 20 * MS
"""One servo frame (common practice, no source)."""
MISSING_NS: Final = 100 * MS
"""Five servo frames without a pulse: the output is dead. The witness reports at least this often."""
CLOSED_NS: Final = 50 * MS
"""A pulse is reported at most this long after it: 25 ms until its set is closed, and its way to the PC."""
MOST_REPORTS: Final = 256
"""Reports looked at for one pulse; a receiver sends a few. A pulse beside more of them is not judged."""
NOT_SAID: Final = -1


@dataclass(frozen=True, slots=True)
class Reported:
    """What the receiver said its outputs were, in order of time.

    From `at_ns` on, until the next row, they were `outputs_us` (n, channels), by its reports; the sticks or
    the plan's failsafe wanted `wanted_us`. -1 where nobody said.
    """

    at_ns: Ints
    heard_ns: Ints
    outputs_us: Ints
    wanted_us: Ints


@dataclass(frozen=True, slots=True)
class Pulses:
    """One row per pulse that the witness saw on an input of the plan's channels, in order of its reports.

    `width_us` is in host time, wrong by at most `doubt_us`. `inputs` says on how many channels it looked.
    """

    inputs: int
    channel: Ints
    rise_ns: Ints
    fall_ns: Ints
    width_us: Floats
    doubt_us: Floats

    def those(self, chosen: Flags) -> Pulses:
        """Return only the chosen pulses."""
        return Pulses(
            self.inputs,
            self.channel[chosen],
            self.rise_ns[chosen],
            self.fall_ns[chosen],
            self.width_us[chosen],
            self.doubt_us[chosen],
        )


class DeadPin(NamedTuple):
    """A stretch of host time without a pulse on a channel that should have had some."""

    channel: int
    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class PinsFound:
    """What came of the comparison; arrays have one entry for each of `pulses`, those that were compared.

    `off_us` is the distance to the nearest value that the pulse may have had, `said_us` that value. `wrong`
    is certain, `doubtful` could be either way. `pin_right` and `report_right` tell whether the pulse, or what
    was reported then, is what sticks or failsafe asked for. `left_out` counts the pulses of the run that lost
    messages or restarts left nothing to compare with.
    """

    pulses: Pulses
    said_us: Ints
    off_us: Floats
    wrong: Flags
    doubtful: Flags
    pin_right: Flags
    report_right: Flags
    dead: tuple[DeadPin, ...]
    left_out: int


def compare_pins(evidence: Evidence, rule: p.Pins) -> PinsFound:
    """Return how the witness's pulses of the run agree with the receiver's reports; needs a witness."""
    said, pulses = read_reported(evidence), read_pulses(evidence)
    unknown = _unknown(evidence, said, rule.after_ns)
    early, late = _window(evidence, rule, pulses)
    in_run = inside(pulses.rise_ns, evidence.spans())
    nearest = _nearest(said, pulses, early, late)
    good = in_run & nearest.known & ~meeting(early, late, unknown)
    off, doubt = nearest.off_us[good], pulses.doubt_us[good]
    wrong = off - doubt > rule.within_us
    return PinsFound(
        pulses=pulses.those(good),
        said_us=nearest.said_us[good],
        off_us=off,
        wrong=wrong,
        doubtful=~wrong & (off + doubt > rule.within_us),
        pin_right=nearest.pin_off_wanted_us[good] <= rule.within_us + doubt,
        report_right=nearest.said_off_wanted_us[good] <= rule.within_us,
        dead=_dead_pins(evidence, said, pulses, unknown),
        left_out=int((in_run & ~good).sum()),
    )


def does_as_another(evidence: Evidence, rule: p.Pins, found: PinsFound, channel: int, other: int) -> Flags:
    """Return for each wrong pulse of a channel whether it is what the receiver reported of another one."""
    mine = found.pulses.those(found.wrong & (found.pulses.channel == channel))
    as_other = replace(mine, channel=np.full(len(mine.channel), other))
    nearest = _nearest(read_reported(evidence), as_other, *_window(evidence, rule, mine))
    same: Flags = nearest.known & (nearest.off_us <= rule.within_us + mine.doubt_us)
    return same


def does_by_own_clock(evidence: Evidence, rule: p.Pins, found: PinsFound, channel: int) -> Flags:
    """Return for each wrong pulse of a channel whether the receiver's clock makes it wrong.

    It does if that clock is surely off, the width is as reported in the receiver's own microseconds, and at
    least half of what it is off is due to the clock.
    """
    chosen = found.wrong & (found.pulses.channel == channel)
    mine, rate = found.pulses.those(chosen), receiver_rate(evidence)
    own = replace(mine, width_us=mine.width_us / rate.rate)
    nearest = _nearest(read_reported(evidence), own, *_window(evidence, rule, mine))
    doubt_us = mine.doubt_us + mine.width_us * rate.error
    due = 2 * np.abs(mine.width_us - own.width_us) >= found.off_us[chosen]
    right: Flags = nearest.known & due & (nearest.off_us <= rule.within_us + doubt_us)
    return right & (abs(rate.rate - 1) > rate.error)


def receiver_rate(evidence: Evidence) -> Rate:
    """Return the receiver's clock rate to the host's where it is known best."""
    rates = [part.rate for part in evidence.clocks[Role.RECEIVER].segments]
    return min(rates, key=lambda rate: rate.error, default=UNKNOWN_RATE)


def _window(evidence: Evidence, rule: p.Pins, pulses: Pulses) -> tuple[Ints, Ints]:
    """Return the first and last time at which each pulse's width may have been set."""
    bound_ns = _bound_ns(evidence)
    return pulses.rise_ns - rule.after_ns - bound_ns, pulses.fall_ns + bound_ns


def read_reported(evidence: Evidence) -> Reported:
    """Return the receiver's outputs by its own reports, of packets and of other changes."""
    applied, changes = evidence.applied, evidence.changes
    channels = len(evidence.plan.link.channels)
    outputs = np.concatenate((
        _given(applied.outputs_us, applied.channels, channels),
        _given(changes.outputs_us, changes.channels, channels),
    ))  # fmt: skip
    wanted = np.concatenate((_wanted_by_sticks(evidence, channels), _wanted_in_failsafe(evidence)))
    frame = np.concatenate((applied.frame, changes.frame))
    at_ns = np.concatenate((applied.at_ns, changes.at_ns))
    order = np.lexsort((frame, at_ns))
    heard_ns = evidence.heard[Role.RECEIVER].at_ns[frame]
    return Reported(at_ns[order], heard_ns[order], outputs[order], wanted[order])


def _given(outputs_us: Ints, count: Ints, channels: int) -> Ints:
    """Return (n, channels) outputs, -1 for channels that a report left out."""
    given = np.full((len(outputs_us), channels), NOT_SAID, dtype=np.int64)
    width = min(channels, outputs_us.shape[1])
    given[:, :width] = np.where(np.arange(width) < count[:, None], outputs_us[:, :width], NOT_SAID)
    return given


def _wanted_by_sticks(evidence: Evidence, channels: int) -> Ints:
    """Return what the outputs of each applied packet should be by the sticks it was sent with."""
    wanted = np.full((len(evidence.applied), channels), NOT_SAID, dtype=np.int64)
    row = evidence.applied.sent_row
    matched = np.flatnonzero(row >= 0)
    sticks = evidence.sent.sticks_row[row[matched]]
    commanded = sticks >= 0
    wanted[matched[commanded]] = evidence.sticks.outputs_us[sticks[commanded]]
    return wanted


def _wanted_in_failsafe(evidence: Evidence) -> Ints:
    """Return what the plan demands after each change without a packet, -1 for what is held."""
    demanded = [channel.failsafe_us for channel in evidence.plan.link.channels]
    pulses = ints([NOT_SAID if pulse is None else pulse for pulse in demanded])
    changed = np.isin(evidence.changes.reason, (wire.OutputReason.FAILSAFE, wire.OutputReason.START))
    return np.where(changed[:, None], pulses, NOT_SAID)


def read_pulses(evidence: Evidence) -> Pulses:
    """Return every pulse on the inputs of the plan's channels, its edges in host time."""
    heard, clock = evidence.heard[Role.WITNESS], evidence.clocks[Role.WITNESS]
    table = heard.table(wire.Pulses.TYPE)
    inputs = min(table.tail.shape[1] // 2, len(evidence.plan.link.channels))
    ended_us, tenths = table.tail[:, 0 : 2 * inputs : 2], table.tail[:, 1 : 2 * inputs : 2]
    row, channel = np.nonzero(tenths)
    segment = heard.segment[table.frame]
    closed_us = clock.unwrap(table.rows["at_us"].astype(np.int64), table.at_ns, segment)
    fall_ns = clock.to_host_ns(closed_us[row] - ended_us[row, channel], segment[row])
    rates = [part.rate for part in clock.segments]
    rate = np.array([one.rate for one in rates])[segment[row]]
    error = np.array([one.error for one in rates])[segment[row]]
    width_us = tenths[row, channel] / TENTHS * rate
    return Pulses(
        inputs=inputs,
        channel=channel,
        rise_ns=fall_ns - np.rint(width_us * US).astype(np.int64),
        fall_ns=fall_ns,
        width_us=width_us,
        doubt_us=width_us * error + 1 / TENTHS,
    )


class _Nearest(NamedTuple):
    """For each pulse: the nearest allowed value, how far off it is, and whether all allowed are known.

    The last two: how far pulse and value are from what sticks or failsafe wanted in that time.
    """

    said_us: Ints
    off_us: Floats
    pin_off_wanted_us: Floats
    said_off_wanted_us: Floats
    known: Flags


def _nearest(said: Reported, pulses: Pulses, early_ns: Ints, late_ns: Ints) -> _Nearest:
    """Look through the reports in force between the two times, the k-th of every pulse at once."""
    first = np.searchsorted(said.at_ns, early_ns, side="right") - 1
    last = np.searchsorted(said.at_ns, late_ns, side="right") - 1
    count = len(pulses.channel)
    best, best_wanted, said_wanted = (np.full(count, np.inf) for _ in range(3))
    value = np.full(count, NOT_SAID, dtype=np.int64)
    known = (first >= 0) & (last - first < MOST_REPORTS)
    turns = int((last - first)[known].max()) + 1 if known.any() else 0
    for turn in range(turns):
        chosen = np.flatnonzero(known & (first + turn <= last))
        row, channel, width = first[chosen] + turn, pulses.channel[chosen], pulses.width_us[chosen]
        output, wanted = said.outputs_us[row, channel], said.wanted_us[row, channel]
        off = np.abs(width - output)
        nearer = chosen[off < best[chosen]]
        value[nearer] = output[off < best[chosen]]
        best[chosen] = np.minimum(best[chosen], off)
        meant = wanted >= 0
        place = chosen[meant]
        best_wanted[place] = np.minimum(best_wanted[place], np.abs(width - wanted)[meant])
        said_wanted[place] = np.minimum(said_wanted[place], np.abs(output - wanted)[meant])
        known[chosen[output < 0]] = False
    return _Nearest(value, best, best_wanted, said_wanted, known)


def _bound_ns(evidence: Evidence) -> int:
    """Return how far apart the two mapped clocks may be."""
    clocks = evidence.clocks
    return clocks[Role.WITNESS].bound_ns + clocks[Role.RECEIVER].bound_ns + 2 * RESOLUTION_NS


def _unknown(evidence: Evidence, said: Reported, after_ns: int) -> Ints:
    """Return (n, 2) host times in which nobody can say what the outputs were.

    From a lost report to the next one; before the first and after the last message; while the receiver
    starts anew, and until its pins have had time to follow.
    """
    heard = evidence.heard[Role.RECEIVER]
    delay_ns = evidence.report_delay_ns
    if not heard.messages or not len(said.at_ns):
        return ints([[-FAR_NS, FAR_NS]])
    first, last = int(said.at_ns[0]), int(heard.at_ns[-1])
    gaps, restarts = heard.gaps[:, :2], heard.restarts[:, :2]
    settled_ns = _next_report(said, restarts[:, 1]) + after_ns + FRAME_NS
    return np.concatenate((
        np.stack((gaps[:, 0] - delay_ns, _next_report(said, gaps[:, 1])), axis=1),
        np.stack((restarts[:, 0] - delay_ns, settled_ns), axis=1),
        ints([[-FAR_NS, first], [last, FAR_NS]]),
    ))  # fmt: skip


def _next_report(said: Reported, heard_ns: Ints) -> Ints:
    """Return the time of the first report of outputs that was heard at each time or later."""
    arrivals = np.maximum.accumulate(said.heard_ns)
    place = np.searchsorted(arrivals, heard_ns, side="left")
    times = np.append(said.at_ns, FAR_NS // 2)
    found: Ints = np.maximum(times[place], heard_ns)
    return found


def _dead_pins(evidence: Evidence, said: Reported, pulses: Pulses, unknown: Ints) -> tuple[DeadPin, ...]:
    """Return where a channel had no pulse for more than 100 ms, although the receiver reported one."""
    blind = np.concatenate((unknown, _witness_away(evidence)))
    patience_ns = MISSING_NS + _bound_ns(evidence)
    found: list[DeadPin] = []
    for channel in range(pulses.inputs):
        silent = np.concatenate((blind, _no_pulse_said(said, channel)))
        falls = np.sort(pulses.fall_ns[pulses.channel == channel])
        free = _free_stretches(evidence, falls, silent)
        long = free[free[:, 1] - free[:, 0] > patience_ns]
        found += [DeadPin(channel, start, end) for start, end in long.tolist()]
    return tuple(sorted(found, key=lambda pin: pin.start_ns))


def _free_stretches(evidence: Evidence, falls: Ints, silent: Ints) -> Ints:
    """Return (n, 2) times inside the run, outside `silent`, between one pulse and the next."""
    run = evidence.run
    starts = np.concatenate((falls, silent[:, 1] + 1, [run.start_ns]))
    stops = np.sort(np.concatenate((falls, silent[:, 0], [run.end_ns])))
    starts = starts[(starts >= run.start_ns) & (starts < run.end_ns)]
    starts = np.unique(starts[~meeting(starts, starts, silent)])
    place = np.minimum(np.searchsorted(stops, starts, side="right"), len(stops) - 1)
    return np.stack((starts, np.maximum(stops[place], starts)), axis=1)


def _no_pulse_said(said: Reported, channel: int) -> Ints:
    """Return (n, 2) times in which the receiver reported no pulse on a channel, or nothing about it."""
    none = np.flatnonzero(said.outputs_us[:, channel] <= 0)
    until = np.append(said.at_ns, FAR_NS)[none + 1] + FRAME_NS
    return np.stack((said.at_ns[none], until), axis=1)


def _witness_away(evidence: Evidence) -> Ints:
    """Return (n, 2) times in which the witness may have seen pulses that did not reach the PC."""
    heard = evidence.heard[Role.WITNESS]
    table = heard.table(wire.Pulses.TYPE)
    if not len(table):
        return ints([[-FAR_NS, FAR_NS]])
    pauses = np.flatnonzero(np.diff(table.at_ns) > SILENT_NS)
    quiet = np.stack((table.at_ns[pauses], table.at_ns[pauses + 1]), axis=1)
    ends = ints([[-FAR_NS, table.at_ns[0]], [table.at_ns[-1], FAR_NS]])
    away = np.concatenate((heard.gaps[:, :2], heard.restarts[:, :2], quiet, ends))
    away[:, 0] -= CLOSED_NS
    return away

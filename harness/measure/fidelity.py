"""Do the outputs equal the sticks? Deviations of every applied packet, and glitches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.codec.messages import OutputReason
from harness.measure.arrays import Ints, inside
from harness.measure.evidence import Evidence
from harness.measure.memo import remembered
from harness.measure.packets import AppliedPackets
from harness.plan.model import Fidelity, Plan

RARE: Final = 0.05
"""A channel that deviates in fewer packets than this glitches; in more, it is wrong altogether."""
MISSING_US: Final = 1 << 16
"""Deviation of an output that the receiver did not report: more than any pulse."""


@dataclass(frozen=True, slots=True)
class Deviations:
    """Outputs of applied packets against the sticks they were sent with.

    `row` is each packet's row in `AppliedPackets`; `wanted_us`, `shown_us` and `off_us` (shown - wanted) are
    (packets, channels). An output that was not reported is off by `MISSING_US`.
    """

    row: Ints
    wanted_us: Ints
    shown_us: Ints
    off_us: Ints


@remembered
def deviations(evidence: Evidence, during: tuple[str, ...] = ()) -> Deviations:
    """Return shown - wanted for every applied packet whose sticks the harness commanded.

    wanted = the stick pulse, mirrored in the channel's range if the output is reversed. Left out: packets
    with the transmitter's own sticks, and matches that a missing transmitter message could overturn when
    they are late.
    """
    applied, sent = evidence.applied, evidence.sent
    chosen = inside(applied.at_ns, evidence.spans(during)) & (applied.sent_row >= 0)
    rows = np.flatnonzero(chosen)
    rows = rows[sent.sticks_row[applied.sent_row[rows]] >= 0]
    late = applied.at_ns[rows] - sent.at_ns[applied.sent_row[rows]] > evidence.plan.link.lost_after_ns
    rows = rows[~(late & applied.doubtful[rows])]
    wanted = evidence.sticks.outputs_us[sent.sticks_row[applied.sent_row[rows]]]
    shown = _shown(applied, rows, wanted.shape[1])
    off = shown - wanted
    count = applied.channels[rows]
    if count.min(initial=wanted.shape[1]) < wanted.shape[1]:
        off[np.arange(wanted.shape[1]) >= count[:, None]] = MISSING_US
    unasked = wanted < 0
    if unasked.any():
        off[unasked] = 0
    return Deviations(rows, wanted, shown, off)


def _shown(applied: AppliedPackets, rows: Ints, width: int) -> Ints:
    """Return (rows, width) outputs of applied packets, -1 where no packet reported one."""
    told = applied.outputs_us.shape[1]
    if told == width:
        return applied.outputs_us[rows]
    shown = np.full((len(rows), width), -1, dtype=np.int64)
    shown[:, :told] = applied.outputs_us[rows, :width]
    return shown


def still_channels(found: Deviations) -> Ints:
    """Return the channels whose stick never moved in the looked-at packets."""
    return np.flatnonzero(np.ptp(found.wanted_us, axis=0) == 0) if len(found.row) else np.arange(0)


@dataclass(frozen=True, slots=True)
class Glitch:
    """An output that nothing explains: when, on which channel (-1: all), what it showed, what kind."""

    at_ns: int
    packet: int
    channel: int
    shown_us: int
    wanted_us: int
    kind: str


def glitches(evidence: Evidence) -> tuple[Glitch, ...]:
    """Return every output in the run that neither a sent packet nor failsafe nor start-up explains.

    Three kinds: an `OutputChange` for another reason; an applied packet whose number nobody sent (unless a
    missing transmitter message could be it); a packet in which a channel deviates although it is right in
    nearly all others.
    """
    found = _other_changes(evidence) + _from_nowhere(evidence) + _jumps(evidence)
    return tuple(sorted(found, key=lambda glitch: (glitch.at_ns, glitch.channel)))


def _other_changes(evidence: Evidence) -> list[Glitch]:
    changes = evidence.changes
    known = np.isin(changes.reason, (int(OutputReason.START), int(OutputReason.FAILSAFE)))
    rows = np.flatnonzero(~known & ~changes.idle & inside(changes.at_ns, evidence.spans()))
    return [Glitch(int(changes.at_ns[row]), -1, -1, -1, -1, "change") for row in rows.tolist()]


def _from_nowhere(evidence: Evidence) -> list[Glitch]:
    applied = evidence.applied
    lost = (applied.sent_row < 0) & ~applied.doubtful & inside(applied.at_ns, evidence.spans())
    return [
        Glitch(int(applied.at_ns[row]), int(applied.number[row]), -1, -1, -1, "nowhere")
        for row in np.flatnonzero(lost).tolist()
    ]


def glitch_tolerance_us(plan: Plan, channel: int) -> int:
    """Return how far off an output must be to count: a resolution step, or what fidelity tolerates."""
    given = [check.rule.tolerance_us for check in plan.checks if isinstance(check.rule, Fidelity)]
    return max([plan.link.channels[channel].resolution_us, *given])


def _jumps(evidence: Evidence) -> list[Glitch]:
    found = deviations(evidence)
    jumps: list[Glitch] = []
    for channel in range(found.off_us.shape[1]):
        off = np.abs(found.off_us[:, channel]) > glitch_tolerance_us(evidence.plan, channel)
        if not off.any() or off.mean() > RARE:
            continue
        for place in np.flatnonzero(off).tolist():
            row = int(found.row[place])
            shown, wanted = int(found.shown_us[place, channel]), int(found.wanted_us[place, channel])
            at_ns, packet = int(evidence.applied.at_ns[row]), int(evidence.applied.number[row])
            jumps.append(Glitch(at_ns, packet, channel, shown, wanted, "jump"))
    return jumps


@dataclass(frozen=True, slots=True)
class Report:
    """One report of outputs: when, the packet's number (None if no packet), what each channel showed."""

    at_ns: int
    packet: int | None
    outputs_us: tuple[int, ...]


def around(evidence: Evidence, glitch: Glitch) -> tuple[Report | None, Report | None, Report | None]:
    """Return the packet applied before a glitch, the glitch's own report, and the packet applied after it."""
    applied, changes = evidence.applied, evidence.changes
    if glitch.kind == "change":
        rows = np.flatnonzero(changes.at_ns == glitch.at_ns)
        shown = [
            _report(changes.at_ns[row], None, changes.outputs_us[row], changes.channels[row]) for row in rows
        ]
        after = int(np.searchsorted(applied.so_far_ns, glitch.at_ns, side="right"))
        before = after - 1
    else:
        rows = np.flatnonzero((applied.at_ns == glitch.at_ns) & (applied.number == glitch.packet))
        shown = [_applied(evidence, int(row)) for row in rows]
        before, after = (int(rows[0]) - 1, int(rows[0]) + 1) if len(rows) else (-1, len(applied))
    ends = [_applied(evidence, row) if 0 <= row < len(applied) else None for row in (before, after)]
    return ends[0], shown[0] if shown else None, ends[1]


def _applied(evidence: Evidence, row: int) -> Report:
    applied = evidence.applied
    return _report(applied.at_ns[row], applied.number[row], applied.outputs_us[row], applied.channels[row])


def _report(at_ns: int, packet: int | None, outputs_us: Ints, channels: int) -> Report:
    number = None if packet is None else int(packet)
    return Report(int(at_ns), number, tuple(outputs_us[:channels].tolist()))

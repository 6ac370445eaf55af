"""What do outputs show from a start of the receiver to its first packet? Each report of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.codec.messages import OutputReason, Started
from harness.measure.arrays import Flags, Ints
from harness.measure.evidence import Evidence
from harness.plan.model import Channel

MOST_STARTS: Final = 1_000
"""Starts looked at: message counters at random look like a start each."""


@dataclass(frozen=True, slots=True)
class StartOutput:
    """One output after a start: when, the plan's channel, what it showed (None: not reported), and ought to.

    `wanted_us` is None for a channel that holds its last pulse: it has none yet, and may be anywhere in its
    range, but not move.
    """

    at_ns: int
    channel: int
    shown_us: int | None
    wanted_us: int | None
    off_us: int


@dataclass(frozen=True, slots=True)
class Start:
    """One start of the receiver. `reports` counts what it said of its outputs before the first packet.

    `outputs` has every channel of every report. `hidden` says that a message of that time is missing, or one
    of the transmitter's that could tell whether a packet was the first.
    """

    at_ns: int
    reports: int
    hidden: bool
    outputs: tuple[StartOutput, ...]


def read_starts(evidence: Evidence) -> tuple[Start, ...]:
    """Return every start of the receiver in the recording, up to the first packet of the link's after it.

    A start is told by `Started`, by outputs that changed for that reason, or by a message counter that goes
    back; without `Started` itself something of it is hidden. A packet that is strange, was never sent, was
    applied before or was sampled longer ago than `lost_after` is no first one: what it does to outputs is
    told. One of which missing messages hide that ends what is told, and is hidden.
    """
    heard, changes = evidence.heard[Role.RECEIVER], evidence.changes
    told = {int(heard.segment[n.frame]): n.frame for n in heard.others if isinstance(n.message, Started)}
    lives = {*told, *range(1, int(heard.segment[-1]) + 1 if len(heard.segment) else 1)}
    lives |= set(changes.segment[changes.reason == OutputReason.START].tolist())
    return tuple(_start(evidence, life, told.get(life)) for life in sorted(lives)[:MOST_STARTS])


def _start(evidence: Evidence, life: int, started: int | None) -> Start:
    heard, applied, changes = evidence.heard[Role.RECEIVER], evidence.applied, evidence.changes
    frames = np.flatnonzero(heard.segment == life)
    mine, own = applied.segment == life, _own(evidence)
    ends = np.flatnonzero(mine & (own | (applied.doubtful & ~applied.strange)))
    end = int(ends[0]) if len(ends) else len(applied)
    last = int(applied.frame[end]) if len(ends) else int(frames[-1])
    unsure = bool(len(ends)) and not own[end]
    first = int(frames[0]) if started is None else started
    told = [
        (int(table.at_ns[row]), table.outputs_us[row, : table.channels[row]])
        for table, chosen in (
            (changes, (changes.segment == life) & (changes.applied_row < end)),
            (applied, mine & (np.arange(len(applied)) < end)),
        )
        for row in np.flatnonzero(chosen).tolist()
    ]
    told.sort(key=lambda one: one[0])
    missing = heard.counter[first] != 0 or bool(heard.lost[last] > heard.lost[first])
    return Start(
        at_ns=int(heard.at_ns[first]),
        reports=len(told),
        hidden=started is None or missing or unsure,
        outputs=tuple(
            _output(channel, number, at_ns, shown, told[0][1])
            for at_ns, shown in told
            for number, channel in enumerate(evidence.plan.link.channels)
        ),
    )


def _own(evidence: Evidence) -> Flags:
    """Return which packets are the link's own and fresh: sent, not applied before, and not old."""
    applied, sent = evidence.applied, evidence.sent
    own: Flags = (applied.sent_row >= 0) & ~applied.repeat & ~applied.strange
    rows = np.flatnonzero(own)
    age_ns = applied.at_ns[rows] - sent.at_ns[applied.sent_row[rows]]
    own[rows] = age_ns <= evidence.plan.link.lost_after_ns + evidence.slack_ns
    return own


def _output(channel: Channel, number: int, at_ns: int, shown: Ints, first: Ints) -> StartOutput:
    if number >= len(shown):
        return StartOutput(at_ns, number, None, channel.failsafe_us, 1 << 16)
    value, wanted = int(shown[number]), channel.failsafe_us
    if wanted is not None:
        return StartOutput(at_ns, number, value, wanted, abs(value - wanted))
    outside = max(channel.range.low_us - value, value - channel.range.high_us, 0)
    moved = abs(value - int(first[number])) if number < len(first) else 0
    return StartOutput(at_ns, number, value, None, max(outside, moved))


__all__ = ["Start", "StartOutput", "read_starts"]

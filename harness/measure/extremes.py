"""How far do outputs go? Beyond a channel's range, and at the throttle's low end against failsafe."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.codec.messages import NO_SET, OutputReason
from harness.measure.arrays import Flags, Ints, inside, ints
from harness.measure.evidence import Evidence
from harness.measure.packets import AppliedPackets, OutputChanges
from harness.plan.model import Channel, OwnSticks, every_step

STOP_US: Final = 10
"""An own stick is at its stop if it comes this near to the channel's low end (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Beyond:
    """Outputs of one channel beyond its range, in the order in which they were reported.

    `values` counts all outputs looked at, `farthest_us` is how far the farthest went beyond an end (0 if
    none did). `at_ns`, `shown_us` and `by_us` have one entry for each that went beyond by more than the
    tolerance.
    """

    channel: int
    values: int
    farthest_us: int
    at_ns: Ints
    shown_us: Ints
    by_us: Ints


def outputs_beyond(evidence: Evidence, tolerance_us: int) -> tuple[Beyond, ...]:
    """Return for each channel its reported outputs beyond low - tolerance .. high + tolerance.

    Looked at are all reports of the run, packets or not. An output within the tolerance of the channel's
    failsafe value is never beyond.
    """
    run = ints([[evidence.run.start_ns, evidence.run.end_ns]])
    tables = [
        (table, np.flatnonzero(inside(table.at_ns, run))) for table in (evidence.applied, evidence.changes)
    ]
    return tuple(
        _beyond(channel, number, tables, tolerance_us)
        for number, channel in enumerate(evidence.plan.link.channels)
    )


def _beyond(
    channel: Channel,
    number: int,
    tables: list[tuple[AppliedPackets | OutputChanges, Ints]],
    tolerance_us: int,
) -> Beyond:
    parts = [_shown(table, rows, number) for table, rows in tables]
    at_ns, shown = (np.concatenate(column) for column in zip(*parts, strict=True))
    by_us = np.maximum(channel.range.low_us - shown, shown - channel.range.high_us)
    if channel.failsafe_us is not None:
        by_us = np.where(np.abs(shown - channel.failsafe_us) <= tolerance_us, np.minimum(by_us, 0), by_us)
    wrong = np.flatnonzero(by_us > tolerance_us)
    wrong = wrong[np.argsort(at_ns[wrong], kind="stable")]
    farthest = max(0, int(by_us.max(initial=0)))
    return Beyond(number, len(shown), farthest, at_ns[wrong], shown[wrong], by_us[wrong])


def _shown(table: AppliedPackets | OutputChanges, rows: Ints, channel: int) -> tuple[Ints, Ints]:
    """Return times and pulses of one channel in these rows, where it was reported."""
    if channel >= table.outputs_us.shape[1]:
        return ints([]), ints([])
    told = rows[table.channels[rows] > channel]
    return table.at_ns[told], table.outputs_us[told, channel]


@dataclass(frozen=True, slots=True)
class ThrottleMargin:
    """One throttle channel: the pulse nearest to failsafe that a packet brought, and that failsafe showed.

    `margin_us` is how far the first stands above the second; of a reversed channel, whose closed end is the
    longer pulse, below it. `at_ns` is when the packet was applied. `own_us` is the pulse nearest to failsafe
    that the transmitter's own stick gave in an `own_sticks` step, `off_stop_us` how far that stayed away from
    the channel's closed end; None if no such packet brought this channel.
    """

    channel: int
    lowest_us: int
    failsafe_us: int
    margin_us: int
    at_ns: int
    own_us: int | None
    off_stop_us: int | None


@dataclass(frozen=True, slots=True)
class Margins:
    """Every throttle's margin, as far as packets and failsafe both showed it.

    `throttles` counts the throttle channels of the plan, `own` the packets with the transmitter's own sticks
    that were applied in `own_sticks` steps, `failsafes` the reports of failsafe outputs.
    """

    throttles: int
    own: int
    failsafes: int
    found: tuple[ThrottleMargin, ...]


def throttle_margins(evidence: Evidence) -> Margins:
    """Return the margins over all packets applied in the run, with commanded sticks and with own ones."""
    run = ints([[evidence.run.start_ns, evidence.run.end_ns]])
    applied, changes = evidence.applied, evidence.changes
    packets = inside(applied.at_ns, run) & (applied.sent_row >= 0) & ~applied.strange
    engaged = inside(changes.at_ns, run) & (changes.reason == OutputReason.FAILSAFE)
    throttles = [
        (number, channel)
        for number, channel in enumerate(evidence.plan.link.channels)
        if channel.role == "throttle"
    ]
    own = _own(evidence, packets)
    margins = (_margin(evidence, number, channel, packets, own, engaged) for number, channel in throttles)
    return Margins(
        throttles=len(throttles),
        own=int(own.sum()),
        failsafes=int(engaged.sum()),
        found=tuple(margin for margin in margins if margin is not None),
    )


def _margin(
    evidence: Evidence, number: int, channel: Channel, packets: Flags, own: Flags, engaged: Flags
) -> ThrottleMargin | None:
    at_ns, shown = _shown(evidence.applied, np.flatnonzero(packets), number)
    _, by_own = _shown(evidence.applied, np.flatnonzero(own), number)
    _, failsafe = _shown(evidence.changes, np.flatnonzero(engaged), number)
    if not len(shown) or not len(failsafe):
        return None
    sign = 1 if channel.direction == "normal" else -1
    lowest, nearest = int(np.argmin(sign * shown)), int(np.argmax(sign * failsafe))
    margin = sign * int(shown[lowest] - failsafe[nearest])
    own_us = sign * int((sign * by_own).min()) if len(by_own) else None
    closed_us = channel.output_us(channel.range.low_us)
    return ThrottleMargin(
        channel=number,
        lowest_us=int(shown[lowest]),
        failsafe_us=int(failsafe[nearest]),
        margin_us=margin,
        at_ns=int(at_ns[lowest]),
        own_us=own_us,
        off_stop_us=None if own_us is None else sign * (own_us - closed_us),
    )


def _own(evidence: Evidence, packets: Flags) -> Flags:
    """Return which of these applied packets carried the transmitter's own sticks in `own_sticks` steps."""
    steps = every_step(evidence.plan.steps)
    paths = {step.path for step in steps if isinstance(step.action, OwnSticks)}
    spans = ints([(one.start_ns, one.end_ns) for one in evidence.steps if one.path in paths]).reshape(-1, 2)
    row = evidence.applied.sent_row[packets]
    own = packets.copy()
    own[packets] = (evidence.sent.set_number[row] == NO_SET) & inside(evidence.sent.at_ns[row], spans)
    return own


__all__ = ["STOP_US", "Beyond", "Margins", "ThrottleMargin", "outputs_beyond", "throttle_margins"]

"""In which circumstances was a cut made? What stood by it, as far as the recording shows it.

The plan tells what to look for; what it asked for and the recording does not show is not told.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.clock import MS
from harness.codec import messages as wire
from harness.measure.cuts import Cut
from harness.measure.evidence import Evidence
from harness.measure.exchanges import WRAP_US
from harness.measure.packets import AppliedPackets
from harness.plan import model as p
from harness.plan.model import every_step

BURST: Final = "a burst under way"
ENDS: Final = "sticks at their ends"
HIGH: Final = "full throttle, every stick high"
ENDS_BUT: Final = "sticks at ends, throttle held to a part"
HIGH_BUT: Final = "sticks high, throttle held to a part"
IN_FAILSAFE: Final = "the receiver restarts in it"
AFTER_RECEIVER: Final = "right after the receiver's start"
AFTER_TRANSMITTER: Final = "right after the transmitter's start"
CLOCK_WRAP: Final = "a device's clock wraps in it"
NUMBER_WRAP: Final = "packet numbers wrap near it"
RIGHT_AFTER_NS: Final = 500 * MS
"""A cut is right after a start if its command comes this soon after the first packet."""
NEAR: Final = 50
"""Packets before and after a cut among which the wrap of packet numbers counts as near: a second at 50 Hz."""

AT_END_US: Final = 10
"""An output stands at an end if it is this near, or within a step of its channel (common practice, no
source)."""


def circumstances(evidence: Evidence, cut: Cut) -> str:
    """Return what stood by a cut, in words, joined by commas; "" for a plain one."""
    action = next((step.action for step in every_step(evidence.plan.steps) if step.path == cut.path), None)
    found = _as_planned(evidence, cut, action)
    found += _after_starts(evidence, cut)
    if _clock_wraps(evidence, cut):
        found.append(CLOCK_WRAP)
    if _numbers_wrap(evidence, cut):
        found.append(NUMBER_WRAP)
    return ", ".join(found)


def planned(plan: p.Plan) -> set[str]:
    """Return the circumstances of packets and sticks that steps of a plan ask for."""
    cuts = [step.action for step in every_step(plan.steps) if isinstance(step.action, p.Cut)]
    words = {"ends": ENDS, "high": HIGH}
    return {BURST for cut in cuts if cut.burst} | {words[cut.sticks] for cut in cuts if cut.sticks in words}


def _as_planned(evidence: Evidence, cut: Cut, action: object) -> list[str]:
    if isinstance(action, p.Restart):
        return [IN_FAILSAFE]
    if not isinstance(action, p.Cut):
        return []
    found = [BURST] if action.burst and _in_burst(evidence, cut) else []
    if action.sticks != "drawn":
        found += _at_ends(evidence, cut, high=action.sticks == "high")
    return found + ([f"at {action.packet_rate_mhz / 1000:g} Hz"] if action.packet_rate_mhz else [])


def _in_burst(evidence: Evidence, cut: Cut) -> bool:
    """Return whether a packet of a burst was sent less than a packet period before the cut's last one.

    While a receiver is deaf packets go on: there the cut's beginning counts.
    """
    if cut.last_sent < 0:
        return False
    begun_ns = cut.start_ns if cut.began_ns is None else cut.began_ns
    last_ns = begun_ns if cut.way == "deaf" else int(evidence.sent.at_ns[cut.last_sent])
    before_ns = last_ns - evidence.sent.at_ns
    near = (before_ns >= 0) & (before_ns < evidence.plan.link.packet_period_ns)
    return bool((evidence.sent.in_burst & near).any())


def _at_ends(evidence: Evidence, cut: Cut, *, high: bool) -> list[str]:
    """Return the words for outputs that stood at the ends at a cut; none if a control's did not."""
    applied, channels = evidence.applied, evidence.plan.link.channels
    rows = np.flatnonzero((applied.at_ns < cut.until_ns) & ~applied.strange)
    if not len(rows) or applied.channels[rows[-1]] < len(channels):
        return []
    at_end = [_at_end(applied, rows[-1], n, channel, high=high) for n, channel in enumerate(channels)]
    if all(at_end):
        return [HIGH if high else ENDS]
    controls = [is_at for is_at, channel in zip(at_end, channels, strict=True) if channel.role == "control"]
    return [HIGH_BUT if high else ENDS_BUT] if controls and all(controls) else []


def _at_end(applied: AppliedPackets, row: int, number: int, channel: p.Channel, *, high: bool) -> bool:
    near_us = max(AT_END_US, channel.resolution_us)
    ends = [channel.range.high_us] if high else [channel.range.low_us, channel.range.high_us]
    shown_us = int(applied.outputs_us[row, number])
    return any(abs(shown_us - channel.output_us(end)) <= near_us for end in ends)


def _after_starts(evidence: Evidence, cut: Cut) -> list[str]:
    words = {Role.RECEIVER: AFTER_RECEIVER, Role.TRANSMITTER: AFTER_TRANSMITTER}
    return [
        words[role]
        for role in words
        if any(
            span.role == role and not span.outage and 0 <= cut.command_ns - span.end_ns <= RIGHT_AFTER_NS
            for span in evidence.restarts
        )
    ]


def _clock_wraps(evidence: Evidence, cut: Cut) -> bool:
    """Return whether a device's 32-bit clock went through 0 between the packets on either side of a cut."""
    applied, heard = evidence.applied, evidence.heard[Role.TRANSMITTER]
    if cut.first_applied > 0:
        rows = applied.dev_us[[cut.first_applied - 1, cut.first_applied]]
        lives = applied.segment[[cut.first_applied - 1, cut.first_applied]]
        if lives[0] == lives[1] and rows[0] // WRAP_US != rows[1] // WRAP_US:
            return True
    if min(cut.last_sent, cut.first_sent) < 0 or cut.way == "deaf":
        return False
    stamps = heard.table(wire.Sent.TYPE).rows["at_us"]
    same = evidence.sent.segment[cut.last_sent] == evidence.sent.segment[cut.first_sent]
    return bool(same and stamps[cut.first_sent] < stamps[cut.last_sent])


def _numbers_wrap(evidence: Evidence, cut: Cut) -> bool:
    if cut.last_sent < 0:
        return False
    rows = slice(max(0, cut.last_sent - NEAR), cut.last_sent + NEAR)
    number, segment = evidence.sent.number[rows], evidence.sent.segment[rows]
    return bool(((np.diff(number) < -(1 << 15)) & (np.diff(segment) == 0)).any())


__all__ = [
    "AFTER_RECEIVER",
    "AFTER_TRANSMITTER",
    "BURST",
    "CLOCK_WRAP",
    "ENDS",
    "ENDS_BUT",
    "HIGH",
    "HIGH_BUT",
    "IN_FAILSAFE",
    "NUMBER_WRAP",
    "circumstances",
    "planned",
]

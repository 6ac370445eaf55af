"""In which circumstances was a cut made? What stood by it, as far as the plan and the recording tell."""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.clock import MS
from harness.codec import messages as wire
from harness.measure.cuts import Cut
from harness.measure.evidence import Evidence
from harness.measure.exchanges import WRAP_US
from harness.plan import model as p
from harness.plan.model import every_step

BURST: Final = "a burst under way"
ENDS: Final = "sticks at their ends"
HIGH: Final = "full throttle, every stick high"
IN_FAILSAFE: Final = "the receiver restarts in it"
AFTER_RECEIVER: Final = "right after the receiver's start"
AFTER_TRANSMITTER: Final = "right after the transmitter's start"
CLOCK_WRAP: Final = "a device's clock wraps in it"
NUMBER_WRAP: Final = "packet numbers wrap near it"
RIGHT_AFTER_NS: Final = 500 * MS
"""A cut is right after a start if its command comes this soon after the first packet."""
NEAR: Final = 50
"""Packets before and after a cut among which the wrap of packet numbers counts as near: a second at 50 Hz."""


def circumstances(evidence: Evidence, cut: Cut) -> str:
    """Return what stood by a cut, in words, joined by commas; "" for a plain one."""
    action = next((step.action for step in every_step(evidence.plan.steps) if step.path == cut.path), None)
    found = _planned(action)
    found += _after_starts(evidence, cut)
    if _clock_wraps(evidence, cut):
        found.append(CLOCK_WRAP)
    if _numbers_wrap(evidence, cut):
        found.append(NUMBER_WRAP)
    return ", ".join(found)


def _planned(action: object) -> list[str]:
    if isinstance(action, p.Restart):
        return [IN_FAILSAFE]
    if not isinstance(action, p.Cut):
        return []
    found = [BURST] if action.burst else []
    found += {"ends": [ENDS], "high": [HIGH]}.get(action.sticks, [])
    return found + ([f"at {action.packet_rate_mhz / 1000:g} Hz"] if action.packet_rate_mhz else [])


def _after_starts(evidence: Evidence, cut: Cut) -> list[str]:
    words = {Role.RECEIVER: AFTER_RECEIVER, Role.TRANSMITTER: AFTER_TRANSMITTER}
    return [
        words[role]
        for role in words
        if any(
            span.role == role and 0 <= cut.command_ns - span.end_ns <= RIGHT_AFTER_NS
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
    "HIGH",
    "IN_FAILSAFE",
    "NUMBER_WRAP",
    "circumstances",
]

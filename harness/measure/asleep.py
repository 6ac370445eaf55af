"""What does a recording show up to the PC's falling asleep? What came afterwards has times that mean nothing.

Bytes that waited for the PC all carry the time of its waking, and a clock that stood still meanwhile makes
the devices' clocks seem to jump. So the evidence ends at the last look before.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from harness.recording.model import Mark, PortPackets, Recording

ASLEEP: Final = "asleep"
"""Kind of the mark that the runner makes at waking; `passed_ns` is the time since its last look before."""


def until_asleep(recording: Recording) -> Recording:
    """Return the recording as it was at the last look before the PC fell asleep; the same if it never did."""
    since_ns = next(filter(None, map(_since_ns, recording.marks)), None)
    if since_ns is None:
        return recording
    return replace(
        recording,
        ports={role: _before(port, since_ns) for role, port in recording.ports.items()},
        marks=tuple(replace(mark, at_ns=min(mark.at_ns, since_ns)) for mark in recording.marks),
    )


def _since_ns(mark: Mark) -> int | None:
    passed_ns = mark.fields.get("passed_ns")
    if mark.kind != ASLEEP or type(passed_ns) is not int or not 0 <= passed_ns <= mark.at_ns:
        return None
    return mark.at_ns - passed_ns


def _before(port: PortPackets, at_ns: int) -> PortPackets:
    count = next((row for row, time in enumerate(port.at_ns) if time >= at_ns), len(port.at_ns))
    return PortPackets(port.at_ns[:count], port.direction[:count], port.data[:count])

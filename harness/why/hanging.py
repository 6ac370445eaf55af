"""Does a device hang? Its reports stop for good while the other one goes on, and its port is still there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.bench.protocol import DEVICES, Role
from harness.clock import S
from harness.codec import messages as wire
from harness.judge.words import plain
from harness.likely import Likely
from harness.measure.evidence import Evidence
from harness.verdict import CheckResult
from harness.why.words import CERTAIN, failed

SILENT_NS: Final = 4 * S
"""Devices send their counters each second (shared/protocol.md)."""
FEWEST: Final = 3


def hangs(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a device that does nothing more from some time on: no packet, no output, no counter."""
    names = failed(results)
    lasts = {role: _last_ns(evidence, role) for role in DEVICES}
    end_ns = evidence.run.end_ns
    stopped = [role for role, last in lasts.items() if last is not None and end_ns - last > SILENT_NS]
    if not names or len(stopped) != 1 or None in lasts.values():
        return None
    role = stopped[0]
    last = lasts[role]
    assert last is not None
    at, rest = (last - evidence.run.start_ns) / S, (end_ns - last) / S
    return Likely(
        key="device-hangs",
        title=f"The {role.value} does nothing more from {plain(at, 1)} s on: it hangs",
        explains=names,
        strength=CERTAIN,
        speaks_for=(
            f"Its last report of a packet, of outputs or of its counters came {plain(at, 1)} s into the run; "
            f"in the {plain(rest, 1)} s after that the other device went on.",
        ),
        next_step="Toggle a pin in its loop and look where it stops; look for waits without a time limit, "
        "then let a watchdog start it anew, with outputs in failsafe. Propellers off: a receiver that hangs "
        "holds its outputs.",
    )


def _last_ns(evidence: Evidence, role: Role) -> int | None:
    """Return when a device last told what it does; None where nobody knows that it would have told more.

    A receiver without packets has nothing to tell but its counters, so it must have sent some.
    """
    if role in evidence.quiet or evidence.end.why != "complete":
        return None
    notes = evidence.heard[role].others
    counted = [note.at_ns for note in notes if isinstance(note.message, wire.Counters)]
    if role is Role.TRANSMITTER:
        tables = [evidence.sent.at_ns]
    elif len(counted) >= FEWEST:
        tables = [evidence.applied.at_ns, evidence.changes.at_ns]
    else:
        return None
    return max([*counted, *(int(one.max()) for one in tables if len(one))], default=None)


__all__ = ["hangs"]

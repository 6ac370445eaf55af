"""When did nothing get through on a port for so long that its device let go? A network that stalls does that.

Nothing is lost then, and everything comes at once afterwards: first a silence, then reports long after the
times that they carry and answers long after their pings. The PC's keep-alives came as late, whatever the
recording says. A device that was itself silent shows no late report, a slow line no silence.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.clock import MS
from harness.codec import messages as wire
from harness.codec.codes import DEAD_MAN_MS
from harness.load import KEEP_ALIVE_NS
from harness.measure.arrays import Ints
from harness.measure.packets import AppliedPackets, SentPackets
from harness.measure.spans import Span
from harness.measure.tables import Stream

LATE_NS: Final = DEAD_MAN_MS * MS - KEEP_ALIVE_NS - 50 * MS
"""A device lets go when nothing came for 500 ms, and the last keep-alive may have come one period before. The
50 ms are for what a report takes as it is, and for the clock."""
AT_ONCE_NS: Final = 50 * MS
"""What was held up comes within this time of the end of the silence."""


def read_stalls(
    role: Role, heard: Stream, told: Stream, sent: SentPackets, applied: AppliedPackets
) -> tuple[Span, ...]:
    """Return the stretches in which nothing got through, from the last keep-alive that may have before."""
    breaks = np.flatnonzero(np.diff(heard.piece_ns) > LATE_NS)
    if not len(breaks):
        return ()
    due_ns, came_ns = _reports(role, heard, told, sent, applied)
    late = came_ns - due_ns > LATE_NS
    due_ns, came_ns = due_ns[late], came_ns[late]
    spans = []
    for before, after in zip(
        heard.piece_ns[breaks].tolist(), heard.piece_ns[breaks + 1].tolist(), strict=True
    ):
        held = (came_ns >= after) & (came_ns <= after + AT_ONCE_NS) & (due_ns <= after - LATE_NS)
        if bool(held.any()):
            spans.append(Span(before - KEEP_ALIVE_NS, after))
    return tuple(spans)


def _reports(
    role: Role, heard: Stream, told: Stream, sent: SentPackets, applied: AppliedPackets
) -> tuple[Ints, Ints]:
    """Return when each report of a packet, and each first answer to a ping, was due and when it came."""
    pings, pongs = told.table(wire.Ping.TYPE), heard.table(wire.Pong.TYPE)
    asked = dict(zip(pings.rows["nonce"].tolist(), pings.at_ns.tolist(), strict=True))
    answers = zip(pongs.rows["nonce"].tolist(), pongs.at_ns.tolist(), strict=True)
    pairs = [(asked.pop(nonce), at_ns) for nonce, at_ns in answers if nonce in asked]
    found = np.asarray(pairs, dtype=np.int64).reshape(-1, 2)
    due_ns, came_ns = (applied.at_ns, applied.heard_ns) if role is Role.RECEIVER else _sent(sent)
    return np.concatenate((found[:, 0], due_ns)), np.concatenate((found[:, 1], came_ns))


def _sent(sent: SentPackets) -> tuple[Ints, Ints]:
    return sent.at_ns + sent.took_ns, sent.heard_ns


__all__ = ["read_stalls"]

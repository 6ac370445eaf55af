"""When did the transmitter send at another packet rate? Spans in which the harness had set it to one."""

from __future__ import annotations

from typing import Final

from harness.bench.protocol import Role
from harness.clock import MS
from harness.codec import messages as wire
from harness.measure.arrays import Ints, ints
from harness.measure.evidence import Evidence

TAKES_NS: Final = 100 * MS
"""Time for a command to arrive and be carried out, adapter and loop included (common practice, no source)."""


def other_rate_spans(evidence: Evidence, *, slower: bool = False) -> Ints:
    """Return (n, 2) host times in which the transmitter sent, or may have sent, at another packet rate.

    From the command that set a rate other than `link.packet_rate` to the one that set it back, the time to
    obey and one packet period of either rate included; a start of the transmitter ends it too. With
    `slower` only those in which packets came less often.
    """
    own = evidence.plan.link.packet_rate_mhz
    told, heard = evidence.told[Role.TRANSMITTER], evidence.heard[Role.TRANSMITTER]
    turns = [
        (note.at_ns, note.message.value)
        for note in told.others
        if isinstance(note.message, wire.Setting) and note.message.setting == wire.SettingId.PACKET_RATE_MHZ
    ]
    turns += [(note.at_ns, own) for note in heard.others if isinstance(note.message, wire.Started)]
    spans: list[tuple[int, int]] = []
    since = slow = 0
    for at_ns, rate in [*sorted(turns, key=lambda turn: turn[0]), (evidence.data_end_ns, own)]:
        if rate < own or (rate > own and not slower):
            since, slow = since or at_ns, max(slow, 10**12 // max(1, rate))
        elif since:
            spans.append((since, at_ns + TAKES_NS + slow))
            since = slow = 0
    return ints(spans).reshape(-1, 2)

"""When did the transmitter send at another packet rate? Spans in which the harness had set it to one.

A command can get lost, so the transmitter's reply tells, not the command: only a reply DONE settles the rate.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from harness.bench.protocol import Role
from harness.clock import S
from harness.codec import messages as wire
from harness.measure.arrays import Ints, ints, meeting
from harness.measure.evidence import Evidence
from harness.measure.orders import ANSWER_NS, TAKES_NS

REPLIES_NS: Final = 1 * S
"""A device that obeys replies within this time (common practice, no source)."""
START: Final = -1


class _Turn(NamedTuple):
    """From `at_ns` on the transmitter may be at `rate`; with `sure` it was not left at one set before."""

    at_ns: int
    order: int
    rate: int
    sure: bool


def other_rate_spans(evidence: Evidence, *, slower: bool = False) -> Ints:
    """Return (n, 2) host times in which the transmitter sent, or may have sent, at another packet rate.

    From the command that set a rate other than `link.packet_rate` to the reply that confirmed that one again,
    one packet period of either rate included; a start of the transmitter ends it too, if it starts at that
    rate. A command that was refused, or has no reply although no message of the transmitter is missing, set
    nothing. With `slower` only those in which packets came less often.
    """
    own = evidence.plan.link.packet_rate_mhz
    may = {START: own}
    spans: list[tuple[int, int]] = []
    since = slow = 0
    for turn in sorted(_turns(evidence)):
        if turn.sure:
            may = {order: rate for order, rate in may.items() if order > turn.order}
        may[turn.order] = turn.rate
        others = [rate for rate in may.values() if rate < own or (rate > own and not slower)]
        if others:
            since, slow = since or turn.at_ns, max(slow, *(10**12 // max(1, rate) for rate in others))
        elif since:
            spans.append((since, turn.at_ns + slow))
            since = slow = 0
    if since:
        spans.append((since, evidence.data_end_ns + TAKES_NS + slow))
    return ints(spans).reshape(-1, 2)


def _turns(evidence: Evidence) -> list[_Turn]:
    """Return what may have set, and what surely set, the transmitter's packet rate."""
    heard = evidence.heard[Role.TRANSMITTER]
    orders = [
        (note.at_ns, note.counter, note.message.value)
        for note in evidence.told[Role.TRANSMITTER].others
        if isinstance(note.message, wire.Setting) and note.message.setting == wire.SettingId.PACKET_RATE_MHZ
    ]
    replies: dict[int, list[tuple[int, int]]] = {}
    starts_at = evidence.plan.link.packet_rate_mhz
    turns: list[_Turn] = []
    for note in heard.others:
        message = note.message
        if isinstance(message, wire.Started):
            turns.append(_Turn(note.at_ns, len(orders), starts_at, sure=True))
        elif isinstance(message, wire.Identity):
            starts_at = message.packet_rate_mhz or starts_at
        elif isinstance(message, wire.Reply) and message.command == wire.Setting.TYPE:
            replies.setdefault(message.counter, []).append((note.at_ns, message.result))
    for order, (at_ns, counter, rate) in enumerate(orders):
        answers = [one for one in replies.get(counter, ()) if 0 < one[0] - at_ns <= ANSWER_NS]
        if answers and answers[0][1] == wire.Result.DONE:
            turns.append(_Turn(at_ns, order, rate, sure=False))
            turns.append(_Turn(answers[0][0], order, rate, sure=True))
        elif not answers and _may_be_missing(evidence, at_ns):
            turns.append(_Turn(at_ns, order, rate, sure=False))
    return turns


def _may_be_missing(evidence: Evidence, at_ns: int) -> bool:
    """Return whether the reply to a command may have been sent and got lost."""
    missing = evidence.gaps(Role.TRANSMITTER)[:, :2]
    return bool(meeting(ints([at_ns]), ints([at_ns + REPLIES_NS]), missing)[0])

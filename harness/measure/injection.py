"""Which telemetry values did the receiver take on, when, and which packets could carry them."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from harness.bench.protocol import Role
from harness.clock import S
from harness.codec import messages as wire
from harness.load import KEEP_ALIVE_NS
from harness.measure.arrays import Ints, ints
from harness.measure.evidence import Evidence
from harness.measure.silences import DOUBTFUL_NS
from harness.measure.spans import Span
from harness.plan.model import FIELD_BYTES, TelemetryField

ANSWER_NS: Final = 5 * S
"""A reply later than this belongs to another command with the same counter."""


@dataclass(frozen=True, slots=True)
class Injection:
    """One set of values that the receiver took: when, in host time, and the raw bits by field number.

    `until_ns` is when the next set took over, or when injection ended.
    """

    at_ns: int
    until_ns: int
    values: tuple[tuple[int, int], ...]


def field_bits(value: int, field: TelemetryField) -> int:
    """Return a raw value as the unsigned bits of its field's width; floats are given as IEEE 754 bits."""
    return value & ((1 << (8 * FIELD_BYTES[field.type])) - 1)


def decode_fields(payload: Ints, size: Ints, fields: tuple[TelemetryField, ...]) -> Ints:
    """Return (n, fields) unsigned bits of each field; -1 where a payload is too short for it.

    `payload` is (n, longest) bytes, `size` how many of them count. Fields follow each other without padding.
    """
    bits = np.full((len(payload), len(fields)), -1, dtype=np.int64)
    at = 0
    for number, field in enumerate(fields):
        width = FIELD_BYTES[field.type]
        if at + width <= payload.shape[1]:
            order = range(width) if field.byte_order == "little" else range(width - 1, -1, -1)
            value = sum(
                (payload[:, at + byte] << (8 * place) for place, byte in enumerate(order)), start=ints(0)
            )
            bits[:, number] = np.where(size >= at + width, value, -1)
        at += width
    return bits


def payload_size(fields: tuple[TelemetryField, ...]) -> int:
    """Return how many bytes the declared fields take together."""
    return sum(FIELD_BYTES[field.type] for field in fields)


def injections(evidence: Evidence) -> tuple[Injection, ...]:
    """Return what the receiver took on, in order: an `Inject` counts from the device time of its `Reply`.

    Injection ends with a release, a silence of the PC, a restart (the last message before a `Started`), an
    outage of the port, or an `Inject` that got no answer: what holds after it is unknown. A field that an
    `Inject` leaves out keeps its value.
    """
    told, heard = evidence.told[Role.RECEIVER], evidence.heard[Role.RECEIVER]
    enders = (wire.Release, wire.Restart, wire.RestartAt)
    ends = [note.at_ns for note in told.others if isinstance(note.message, enders)]
    starts = [note.frame for note in heard.others if isinstance(note.message, wire.Started)]
    ends += heard.at_ns[[max(0, frame - 1) for frame in starts]].tolist()
    ends += [one.start_ns + DOUBTFUL_NS for role, one in _alone(evidence) if role is Role.RECEIVER]
    ends += [one.start_ns for one in evidence.restarts if one.outage and one.role is Role.RECEIVER]
    if evidence.end.why == "port gone" and told.messages:  # from then on nobody keeps the receiver alive
        ends.append(int(told.at_ns[-1]) + DOUBTFUL_NS - KEEP_ALIVE_NS)
    answers = _replies(evidence)
    taken: list[tuple[int, int, dict[int, int]]] = []
    for note in told.others:
        if isinstance(note.message, wire.Inject):
            answer = _answer(answers.get(note.counter, []), note.at_ns)
            if answer is None:
                ends.append(note.at_ns)
            elif answer.done:
                taken.append((answer.at_ns, note.at_ns, _bits(evidence, note.message)))
    ends = [*sorted(ends), evidence.data_end_ns]
    taken.sort(key=lambda one: one[0])
    return _lasting(
        [(at, ends[min(bisect_right(ends, sent), len(ends) - 1)], bits) for at, sent, bits in taken]
    )


def _alone(evidence: Evidence) -> tuple[tuple[Role, Span], ...]:
    """Return when a device heard nothing for so long that it let go."""
    return evidence.silences + evidence.stalls


class _Answer(NamedTuple):
    """A reply to an `Inject`: when it came, when the command took effect, and whether it did."""

    heard_ns: int
    at_ns: int
    done: bool


def _lasting(begun: list[tuple[int, int, dict[int, int]]]) -> tuple[Injection, ...]:
    """Return injections with what each took over from the one before, and until when each was in force."""
    found: list[Injection] = []
    values: dict[int, int] = {}
    for place, (at_ns, end_ns, new) in enumerate(begun):
        lasting = bool(found) and found[-1].until_ns == at_ns
        values = {**values, **new} if lasting else new
        follows = place + 1 < len(begun) and begun[place + 1][0] <= end_ns
        until = begun[place + 1][0] if follows else end_ns
        found.append(Injection(at_ns, until, tuple(sorted(values.items()))))
    return tuple(found)


def _answer(replies: list[_Answer], sent_ns: int) -> _Answer | None:
    """Return the first of a counter's replies after `sent_ns`."""
    place = bisect_left(replies, sent_ns, key=lambda reply: reply.heard_ns)
    return replies[place] if place < len(replies) and replies[place].heard_ns < sent_ns + ANSWER_NS else None


def _bits(evidence: Evidence, inject: wire.Inject) -> dict[int, int]:
    fields = evidence.plan.link.telemetry
    return {number: field_bits(raw, fields[number]) for number, raw in inject.values if number < len(fields)}


def _replies(evidence: Evidence) -> dict[int, list[_Answer]]:
    """Return by command counter the replies to every `Inject`, in order."""
    heard, clock = evidence.heard[Role.RECEIVER], evidence.clocks[Role.RECEIVER]
    replies = [
        (note.frame, note.at_ns, note.message)
        for note in heard.others
        if isinstance(note.message, wire.Reply) and note.message.command == wire.Inject.TYPE
    ]
    segment = heard.segment[[frame for frame, _, _ in replies]]
    came = ints([at_ns for _, at_ns, _ in replies])
    dev_us = clock.unwrap(ints([reply.at_us for _, _, reply in replies]), came, segment)
    effect = clock.to_host_ns(dev_us, segment).tolist()
    found: dict[int, list[_Answer]] = {}
    for (_, heard_ns, reply), at_ns in zip(replies, effect, strict=True):
        answer = _Answer(heard_ns, at_ns, reply.result == wire.Result.DONE)
        found.setdefault(reply.counter, []).append(answer)
    return found


def value_table(given: tuple[Injection, ...], fields: int) -> Ints:
    """Return (injections, fields) bits in force; -1 for a field that was not injected."""
    table = np.full((len(given), fields), -1, dtype=np.int64)
    for place, one in enumerate(given):
        for number, bits in one.values:
            table[place, number] = bits
    return table


@dataclass(frozen=True, slots=True)
class Received:
    """Packets newly received, in order: when sampled, latest time of reception, when applied, sent row."""

    sampled_ns: Ints
    by_ns: Ints
    at_ns: Ints
    sent_row: Ints


def newly_received(evidence: Evidence) -> Received:
    """Return the packets that the receiver took in for the first time, in the order of sampling."""
    applied, sent = evidence.applied, evidence.sent
    rows = np.flatnonzero((applied.sent_row >= 0) & ~applied.repeat)
    sent_row = applied.sent_row[rows]
    order = np.argsort(sent.at_ns[sent_row], kind="stable")
    rows, sent_row = rows[order], sent_row[order]
    by_ns = np.minimum(sent.at_ns[sent_row] + sent.took_ns[sent_row], applied.at_ns[rows])
    return Received(
        sent.at_ns[sent_row],
        np.maximum.accumulate(by_ns),
        np.maximum.accumulate(applied.at_ns[rows]),
        sent_row,
    )

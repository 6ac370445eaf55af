"""Is telemetry true? Injected values against what the transmitter received."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.measure.arrays import Flags, Ints, ints
from harness.measure.evidence import Evidence
from harness.measure.injection import (
    Injection,
    decode_fields,
    injections,
    newly_received,
    payload_size,
    value_table,
)
from harness.measure.packets import FAR_NS

OLD_PACKETS: Final = 4
"""A value may be this many packets old and still be a true one; its age is judged apart."""


@dataclass(frozen=True, slots=True)
class WrongValue:
    """One telemetry value that was never injected: when, which field, its bits, and the bits in force."""

    at_ns: int
    packet: int
    field: int
    shown: int
    injected: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class TelemetryValues:
    """Telemetry values against injected ones: how many were compared and wrong, by field.

    `reports` counts acknowledgement payloads in the time of injection, `acknowledged` the packets
    acknowledged in it; `too_short` the payloads that cannot hold every declared field.
    """

    compared: tuple[int, ...]
    wrong: tuple[WrongValue, ...]
    reports: int
    acknowledged: int
    too_short: int


@dataclass(frozen=True, slots=True)
class Comparison:
    """Every report that can be compared, in order: what it showed and what may have been in force.

    `row` is its row in `Evidence.telemetry`. `shown` is (n, fields) unsigned bits, -1 where the payload is
    too short. `first` and `last` are the injections that it may show. `values` is (injections, fields) bits
    in force, -1 where nothing was injected. `rank` is how many packets were newly received up to it, at the
    times `received_ns`; `starts_ns` is when each injection took effect, `slack_ns` how well that is known.
    """

    row: Ints
    shown: Ints
    first: Ints
    last: Ints
    values: Ints
    rank: Ints
    received_ns: Ints
    starts_ns: Ints
    slack_ns: int

    def __len__(self) -> int:
        return len(self.row)


def comparison(evidence: Evidence) -> Comparison:
    """Line up received telemetry with injected values.

    Fields read from the device's own sensors have no injected values.
    """
    fields = evidence.plan.link.telemetry
    given = injections(evidence)
    rows = evidence.telemetry
    first, last = _in_force(evidence, given)
    judged = np.flatnonzero(first >= 0)
    table = value_table(given, len(fields))
    table[:, [field.source != "injected" for field in fields]] = -1
    received = newly_received(evidence).at_ns
    return Comparison(
        row=judged,
        shown=decode_fields(rows.payload[judged], rows.size[judged], fields),
        first=first[judged],
        last=last[judged],
        values=table,
        rank=np.searchsorted(received, rows.at_ns[judged], side="right") - 1,
        received_ns=received,
        starts_ns=ints([one.at_ns for one in given]),
        slack_ns=evidence.slack_ns,
    )


def telemetry_values(evidence: Evidence, compared: Comparison | None = None) -> TelemetryValues:
    """Compare each received field, bit by bit, with the values that could be in force when it was preloaded.

    That is any value in force from `OLD_PACKETS` packets before the acknowledged one up to it: how old a
    value is, is judged apart. `compared` saves lining them up again.
    """
    fields = evidence.plan.link.telemetry
    lined = compared or comparison(evidence)
    counts, wrong = [], []
    for number in range(len(fields)):
        count, places = _compare(lined.shown[:, number], lined.values[:, number], lined.first, lined.last)
        counts.append(count)
        wrong.extend(_wrong(evidence, lined, number, places))
    acked = evidence.sent.acked & _within(evidence.sent.at_ns, injections(evidence))
    short = int((evidence.telemetry.size[lined.row] < payload_size(fields)).sum())
    return TelemetryValues(tuple(counts), tuple(wrong), len(lined), int(acked.sum()), short)


def _within(at_ns: Ints, given: tuple[Injection, ...]) -> Flags:
    starts, ends = ints([one.at_ns for one in given]), ints([one.until_ns for one in given])
    place = np.searchsorted(starts, at_ns, side="right") - 1
    return (place >= 0) & (at_ns <= ends[np.maximum(place, 0)]) if len(given) else place >= 0


def _in_force(evidence: Evidence, given: tuple[Injection, ...]) -> tuple[Ints, Ints]:
    """Return for each telemetry row the first and last injection that it may show; -1 if it may show more."""
    rows = evidence.telemetry
    none = np.full(len(rows), -1, dtype=np.int64)
    received = newly_received(evidence).at_ns
    if not given or not len(received):
        return none, none
    place = np.searchsorted(received, rows.at_ns, side="right") - 1 - OLD_PACKETS
    earliest = np.where(place >= 0, received[np.maximum(place, 0)], -FAR_NS) - evidence.slack_ns
    latest = rows.at_ns + evidence.slack_ns
    starts, ends = ints([one.at_ns for one in given]), ints([one.until_ns for one in given])
    first = np.searchsorted(starts, earliest, side="right") - 1
    last = np.searchsorted(starts, latest, side="right") - 1
    broken = np.concatenate(([0], np.cumsum(ends[:-1] != starts[1:])))
    whole = (first >= 0) & (latest <= ends[last]) & (broken[np.maximum(first, 0)] == broken[last])
    return np.where(whole, first, -1), np.where(whole, last, -1)


def _compare(bits: Ints, values: Ints, first: Ints, last: Ints) -> tuple[int, Ints]:
    """Return how many of a field's values could be compared, and the places of the wrong ones."""
    if not len(bits):
        return 0, ints([])
    right = np.zeros(len(bits), dtype=np.bool_)
    known = np.ones(len(bits), dtype=np.bool_)
    for step in range(int((last - first).max()) + 1):
        place = np.minimum(first + step, last)
        right |= bits == values[place]
        known &= values[place] >= 0
    return int(known.sum()), np.flatnonzero(known & ~right)


def _wrong(evidence: Evidence, lined: Comparison, field: int, places: Ints) -> list[WrongValue]:
    rows = evidence.telemetry
    return [
        WrongValue(
            at_ns=int(rows.at_ns[lined.row[place]]),
            packet=int(rows.number[lined.row[place]]),
            field=field,
            shown=int(lined.shown[place, field]),
            injected=tuple(lined.values[lined.first[place] : lined.last[place] + 1, field].tolist()),
        )
        for place in places.tolist()
    ]

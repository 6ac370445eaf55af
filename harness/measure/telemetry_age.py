"""Is telemetry fresh? How old injected values were when the transmitter had them, in packets and in time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.measure.arrays import Ints, ints, meeting
from harness.measure.evidence import Evidence
from harness.measure.injection import (
    Injection,
    Received,
    decode_fields,
    injections,
    newly_received,
    value_table,
)

EARLIER: Final = 50
"""Sets before the newest one that a stale value is compared with."""
FOLLOWED: Final = 2000
"""Payloads looked at for one set: more than any limit on its age in packets."""


@dataclass(frozen=True, slots=True)
class TelemetryAge:
    """How old one injected set of values was when the transmitter had it.

    `packets_least` counts the packets newly received after the injection whose acknowledgement still showed
    the old values; `packets_most` those up to the one whose acknowledgement first showed the new, less one.
    They differ where acknowledgements were lost. `time_least_ns` and `time_most_ns` are from injection to
    reception. None: not shown before the next set took over.
    """

    at_ns: int
    packets_least: int
    packets_most: int | None
    time_least_ns: int
    time_most_ns: int | None


def telemetry_ages(evidence: Evidence) -> tuple[TelemetryAge, ...]:
    """Return the age of every injected set that changed a value and can be told from the set before.

    Packets: newly received (applied, less repeats) after the injection took effect, up to and including the
    one whose acknowledgement first shows the values, minus 1; a preloaded acknowledgement payload makes
    that 1 by design. Time: `Telemetry.at_us` in host time - time of effect. Left out: sets with
    missing receiver messages in their time, and sets whose value met a cut, a restart or a time without
    acknowledgements, as ordered, on its way.
    """
    given = injections(evidence)
    fields = evidence.plan.link.telemetry
    table = value_table(given, len(fields))
    table[:, [field.source != "injected" for field in fields]] = -1
    bits = decode_fields(evidence.telemetry.payload, evidence.telemetry.size, fields)
    case = _Case(evidence, given, table, bits, newly_received(evidence))
    ages = (_age(case, place) for place in range(len(given)))
    return tuple(age for age in ages if age is not None)


@dataclass(frozen=True, slots=True)
class _Case:
    """All injected sets, what was in force in each (-1 unknown), and the bits of every telemetry row."""

    evidence: Evidence
    given: tuple[Injection, ...]
    table: Ints
    bits: Ints
    received: Received


def _age(case: _Case, place: int) -> TelemetryAge | None:
    one, evidence = case.given[place], case.evidence
    before = case.table[max(0, place - EARLIER) : place]
    changed = np.flatnonzero(
        (case.table[place] >= 0) & ((case.table[place] != before[-1]) if len(before) else True)
    )
    at_ns = evidence.telemetry.at_ns
    start, end = np.searchsorted(at_ns, (one.at_ns, one.until_ns)).tolist()
    end = min(end, start + FOLLOWED)
    shown = case.bits[start:end, changed]
    new = (shown == case.table[place, changed]).all(axis=1)
    old = (shown[:, None] == before[:, changed]).all(axis=2).any(axis=1) & ~new
    shows = np.flatnonzero(new)
    if not len(changed) or not (len(shows) or old.any()):
        return None
    until = int(at_ns[start + int(shows[0])]) if len(shows) else int(at_ns[end - 1])
    away = np.concatenate((evidence.excused, evidence.muted_spans, evidence.gaps(Role.RECEIVER)[:, :2]))
    if _meets(one.at_ns, until, away):
        return None
    stale = np.flatnonzero(old if len(before) else ~new)
    return _aged(case, one, start, shows, stale[stale < shows[0]] if len(shows) else stale)


def _aged(case: _Case, one: Injection, start: int, shows: Ints, stale: Ints) -> TelemetryAge:
    evidence, received = case.evidence, case.received
    at_ns = evidence.telemetry.at_ns
    least, least_ns, most, most_ns = 0, 0, None, None
    if len(stale):
        row = start + int(stale[-1])
        least = _rank(evidence, received, received.sampled_ns, row, one.at_ns + evidence.slack_ns)
        least_ns = int(at_ns[row]) - one.at_ns
    if len(shows):
        row = start + int(shows[0])
        most = _rank(evidence, received, received.by_ns, row, one.at_ns - evidence.slack_ns) - 1
        most_ns = int(at_ns[row]) - one.at_ns
        hidden = _meets(one.at_ns + least_ns, one.at_ns + most_ns, evidence.gaps(Role.TRANSMITTER))
        least_ns = least_ns if hidden else most_ns
    return TelemetryAge(one.at_ns, max(0, least), most if most is None else max(0, most), least_ns, most_ns)


def _meets(start_ns: int, end_ns: int, spans: Ints) -> bool:
    return bool(meeting(ints([start_ns]), ints([end_ns]), spans[:, :2])[0])


def _rank(evidence: Evidence, received: Received, times: Ints, row: int, after_ns: int) -> int:
    """Return how many packets were received from `after_ns` up to the one that row `row` acknowledges."""
    sent_row = int(evidence.telemetry.sent_row[row])
    sampled = int(evidence.sent.at_ns[sent_row]) if sent_row >= 0 else int(evidence.telemetry.at_ns[row])
    up_to = int(np.searchsorted(received.sampled_ns, sampled, side="right"))
    return up_to - int(np.searchsorted(times, after_ns, side="left"))

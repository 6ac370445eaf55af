"""Was telemetry true and fresh? A table of the fields and one of the ages, beside the telemetry checks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.clock import MS
from harness.findings import Cell, Grid, Section, percent
from harness.measure.evidence import Evidence
from harness.measure.misread import explain_field
from harness.measure.telemetry import Comparison, comparison, telemetry_values
from harness.measure.telemetry_age import TelemetryAge, telemetry_ages
from harness.plan.model import FIELD_BYTES, TelemetryField
from harness.stats.binomial import quantile_rank_lower, quantile_rank_upper

CONFIDENCE: Final = 0.95
BY_DESIGN: Final = 1
"""Packets that a preloaded acknowledgement payload is old (shared/protocol.md, section 6)."""


def account(evidence: Evidence) -> Section | None:
    """Return the section, or None if nothing was injected."""
    lined = comparison(evidence)
    if not len(lined.values):
        return None
    ages = telemetry_ages(evidence)
    grids = (_fields(evidence, lined), *_ages(ages))
    notes = _notes(ages)
    return Section("telemetry", "Telemetry", grids=grids, notes=notes)


def _fields(evidence: Evidence, lined: Comparison) -> Grid:
    fields = evidence.plan.link.telemetry
    found = telemetry_values(evidence, lined)
    rows: list[tuple[Cell, ...]] = []
    for number, field in enumerate(fields):
        if field.source != "injected":
            rows.append(
                (field.name, field.type, None, None, None, None, None, "the device's own, not compared")
            )
            continue
        wrong = sum(one.field == number for one in found.wrong)
        explained = explain_field(lined, fields, number) if wrong else None
        least, most, count = _injected(lined, number, field)
        words = explained.words if explained is not None else None
        rows.append((field.name, field.type, count, least, most, found.compared[number], wrong, words))
    heads = ("field", "type", "values injected", "least", "largest", "reports", "wrong", "explanation")
    return Grid("Fields", heads, tuple(rows), "raw values; those of a floating-point field are its numbers")


def _injected(lined: Comparison, number: int, field: TelemetryField) -> tuple[Cell, Cell, int]:
    """Return the least and the largest value injected, and how many different ones."""
    bits = np.unique(lined.values[:, number])
    bits = bits[bits >= 0]
    if not len(bits):
        return None, None, 0
    if field.type == "f32":
        numbers = bits.astype(np.uint32).view(np.float32)
        numbers = numbers[np.isfinite(numbers)]
        if not len(numbers):
            return None, None, len(bits)
        return f"{float(numbers.min()):g}", f"{float(numbers.max()):g}", len(bits)
    width = 8 * FIELD_BYTES[field.type]
    values = np.where(bits >> (width - 1) == 1, bits - (1 << width), bits) if field.type[0] == "i" else bits
    return int(values.min()), int(values.max()), len(bits)


def _ages(ages: Sequence[TelemetryAge]) -> list[Grid]:
    if not ages:
        return []
    times = [age.time_most_ns / MS for age in ages if age.time_most_ns is not None]
    rows = (
        ("packets, at least", *_spread([age.packets_least for age in ages])),
        ("packets, at most", *_spread([age.packets_most for age in ages if age.packets_most is not None])),
        ("ms", *_spread(times)),
    )
    heads = ("age in", "sets", "least", "median", "from", "to", "95 %", "from", "to", "most")
    notes = [
        f"from, to: distribution-free, each end one-sided at {percent(CONFIDENCE)}",
        "one packet is by design, for a preloaded acknowledgement payload",
        "at least and at most differ where the injection met a packet on its way",
    ]
    if len(times) < len(ages):
        notes.append(f"{len(ages) - len(times)} sets never came before the next one")
    return [Grid("Age of injected sets", heads, rows, "; ".join(notes))]


def _spread(values: Sequence[float]) -> tuple[Cell, ...]:
    """Return count, least, median with its interval, 95th percentile with its interval, most."""
    ordered = sorted(values)
    count = len(ordered)
    if not count:
        return (0, *(None,) * 8)

    def at(rank: int) -> Cell:
        return round(ordered[rank - 1], 3) if 1 <= rank <= count else None

    cells: list[Cell] = [count, at(1)]
    for share in (0.5, 0.95):
        cells.append(at(max(1, int(np.ceil(share * count)))))
        cells.append(at(quantile_rank_lower(count, share, CONFIDENCE)))
        cells.append(at(quantile_rank_upper(count, share, CONFIDENCE)))
    return (*cells, at(count))


def _notes(ages: Sequence[TelemetryAge]) -> tuple[str, ...]:
    told = [age.packets_least for age in ages]
    if not told:
        return ()
    oldest = max(told)
    if oldest <= BY_DESIGN:
        return ("No value was older than the one packet that a preloaded acknowledgement payload makes it.",)
    more = oldest - BY_DESIGN
    return (f"The oldest value was {oldest} packets old: one by design, {more} more.",)

"""How much came through, and how sure is that? Limits that allow for bursts beside those that do not."""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.findings import Cell, Figure, Grid, Section
from harness.measure.arrays import Ints
from harness.measure.delivery import DeliveryCounts, Fates, count_delivery, packet_fates
from harness.measure.evidence import Evidence
from harness.measure.spans import losing_spans
from harness.stats.binomial import clopper_pearson_lower, clopper_pearson_upper
from harness.stats.bursts import ASSUMED_BURST, FEWEST_BURSTS, ShareLimits, limits_of, share_limits, tallies

CONFIDENCES: Final = (0.90, 0.95, 0.99)
SHOWN: Final = 0.95
MOST_STEPS: Final = 40
FEWEST_PACKETS: Final = 10
"""A step with fewer packets says nothing of its own."""


def account(evidence: Evidence) -> Section | None:
    """Return the delivery of the whole run with its limits, or None without any packet."""
    fates = packet_fates(evidence)
    counts = count_delivery(evidence, fates)
    if not counts.sent:
        return None
    best, worst = tallies(fates.lost, unknown=fates.unknown, unplaced=fates.unreported)
    found = {confidence: limits_of(best, confidence, worst=worst) for confidence in CONFIDENCES}
    return Section(
        key="delivery",
        title="Delivery",
        figures=_figures(counts, found[SHOWN]),
        grids=(_side_by_side(found, counts), *_by_step(evidence, fates)),
        notes=(*_on_purpose(evidence), *_notes(counts, found[SHOWN])),
    )


def _figures(counts: DeliveryCounts, found: ShareLimits) -> tuple[Figure, ...]:
    known = counts.applied + counts.lost
    value = 100 * counts.applied / known if known else None
    ends = 100 * found.lower, 100 * found.upper
    length = counts.lost / counts.bursts if counts.bursts else None
    return (
        Figure("applied in time", value, "%", ends, SHOWN, f"of {counts.sent} packets; RFC 7680"),
        Figure("lost or late", float(counts.lost), "packets"),
        Figure("of unknown fate", float(counts.unknown), "packets"),
        Figure("bursts of lost packets", float(counts.bursts), "bursts", note="loss periods of RFC 3357"),
        Figure("mean burst length", length, "packets"),
        Figure("longest burst", float(counts.longest_burst) if counts.bursts else None, "packets"),
        Figure(
            "effective packets", found.effective, "packets", note="independent ones that would tell as much"
        ),
    )


def _side_by_side(limits: dict[float, ShareLimits], counts: DeliveryCounts) -> Grid:
    """Return the one-sided limits in per cent: by bursts, and as if each packet were lost independently."""
    rows = []
    for confidence, found in limits.items():
        lower = clopper_pearson_lower(counts.applied, counts.sent, confidence)
        upper = clopper_pearson_upper(counts.applied + counts.unknown, counts.sent, confidence)
        shares = (confidence, found.lower, found.upper, lower, upper)
        rows.append(tuple(100 * share for share in shares))
    return Grid(
        "Limits of delivery, each one-sided",
        (
            "confidence %", "at least %", "at most %",
            "if packets were independent: at least %", "if packets were independent: at most %",
        ),
        tuple(rows),
        "Verdicts rest on the first two; the others are Clopper and Pearson's.",
    )  # fmt: skip


def _by_step(evidence: Evidence, fates: Fates) -> tuple[Grid, ...]:
    """Return a table of the steps with packets in them; none for a plan of one such step."""
    names = tuple(dict.fromkeys(step.name for step in evidence.steps if step.name))
    at_ns = evidence.sent.at_ns[fates.row]
    rows, few = [], 0
    for name in names[:MOST_STEPS]:
        chosen = np.searchsorted(at_ns, np.add(evidence.spans((name,)), (0, 1))).tolist()
        places = [np.arange(first, end) for first, end in chosen if end > first]
        if sum(map(len, places)) >= FEWEST_PACKETS:
            rows.append(_step(name, fates, np.concatenate(places)))
        else:
            few += bool(places)
    if len(rows) < 2:
        return ()
    heads = ("step", "sent", "applied in time", "lost", "unknown", "bursts", "at least %", "at most %")
    note = f"Each limit with {100 * SHOWN:g} % confidence; packets without any report are left out."
    if any(row[5] == 0 for row in rows):
        note += f" Where no loss was seen, bursts of {ASSUMED_BURST:g} packets are assumed."
    if few:
        note += f" Steps with fewer than {FEWEST_PACKETS} packets are left out: {few}."
    return (Grid("By step", heads, tuple(rows), note),)


def _step(name: str, fates: Fates, places: Ints) -> tuple[Cell, ...]:
    lost, unknown = fates.lost[places], fates.unknown[places]
    found = share_limits(lost, SHOWN, unknown=unknown)
    whole = (len(places), int(fates.delivered[places].sum()), int(lost.sum()), int(unknown.sum()))
    return (name, *whole, found.bursts, 100 * found.lower, 100 * found.upper)


def _on_purpose(evidence: Evidence) -> tuple[str, ...]:
    pushed = len(losing_spans(evidence.plan, evidence.steps)) > 0
    return ("Steps that lose packets on purpose are left out.",) if pushed else ()


def _notes(counts: DeliveryCounts, found: ShareLimits) -> tuple[str, ...]:
    if not counts.bursts:
        assumed = f"{found.burst_length:g} packets are assumed"
        return (f"No loss was seen, so the length of bursts is unknown: {assumed}.",)
    if counts.bursts < FEWEST_BURSTS:
        return (f"Fewer than {FEWEST_BURSTS} bursts were seen: their length is known poorly.",)
    return ()

"""How old was control? The age of the newest applied sticks over the whole run."""

from __future__ import annotations

from typing import Final

from harness.clock import MS, S
from harness.findings import Cell, Figure, Grid, Section
from harness.measure.age import (
    AgeTimes,
    age_pieces,
    mean_age_limits_ns,
    mean_age_ns,
    peak_ages_ns,
    sampled_ages,
    times_of_ages,
)
from harness.measure.delivery import LOST_NS
from harness.measure.evidence import Evidence
from harness.measure.percentiles import percentile_limits

CONFIDENCE: Final = 0.95
PERCENTILES: Final = (0.5, 0.95, 0.99)
PERIODS: Final = (2, 5)
"""Time above so many packet periods: one packet lost, and control that a pilot feels to lag."""


def account(evidence: Evidence) -> Section | None:
    """Return control age over the whole run, less what was done on purpose; None if nothing was sent."""
    pieces = age_pieces(evidence)
    mean = mean_age_ns(pieces)
    if mean is None:
        return None
    times, period = times_of_ages(evidence), evidence.plan.link.packet_period_ns
    limits = mean_age_limits_ns(pieces, period, CONFIDENCE)
    interval = (max(0.0, limits[0]) / MS, limits[1] / MS) if limits else None
    peaks = peak_ages_ns(pieces)
    figures = [Figure("mean", mean / MS, "ms", interval, CONFIDENCE if interval else None)]
    figures += _percentiles(evidence, times, pieces.bound_ns)
    figures.append(Figure("most", int(pieces.high_ns.max()) / MS, "ms"))
    if len(peaks):
        figures.append(Figure("mean peak", float(peaks.mean()) / MS, "ms", note="just before newer sticks"))
    notes = ["Cuts, commanded restarts and steps that lose packets on purpose are left out."]
    if pieces.unlinked_ns:
        notes.append(f"{pieces.unlinked_ns / S:.3g} s of waiting before the link came up are left out.")
    if pieces.untold_ns:
        notes.append(f"The receiver's port tells nothing of the last {pieces.untold_ns / S:.3g} s.")
    if pieces.doubtful_ns:
        share = 100 * pieces.doubtful_ns / pieces.total_ns
        notes.append(f"For {share:.3g} % of the time reports are missing: control may have been younger.")
    return Section("age", "Control age", tuple(figures), (_above(times, period),), tuple(notes))


def _percentiles(evidence: Evidence, times: AgeTimes, bound_ns: int) -> list[Figure]:
    figures = []
    limits = percentile_limits(sampled_ages(evidence), PERCENTILES, CONFIDENCE)
    for share, (lower, upper) in zip(PERCENTILES, limits, strict=True):
        value = times.percentile_ns(share)
        ms = None if value is None else value / MS
        high = (upper + bound_ns) / MS if upper < LOST_NS else None
        ends = (max(0, lower - bound_ns) / MS, high)
        figures.append(Figure(f"p{100 * share:g} of the time", ms, "ms", ends, CONFIDENCE))
    return figures


def _above(times: AgeTimes, period_ns: int) -> Grid:
    rows: list[tuple[Cell, ...]] = []
    for count in PERIODS:
        above = times.above_ns(count * period_ns)
        rows.append((count, count * period_ns / MS, above / S, 100 * above / times.total_ns))
    heads = ("packet periods", "ms", "time above s", "share of time %")
    return Grid("Time above", heads, tuple(rows))

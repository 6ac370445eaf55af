"""How did the hours go? Every round in a line, the trend of each figure, and the longest gaps of all."""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.clock import MS, US
from harness.findings import Cell, Figure, Grid, Section
from harness.measure.evidence import Evidence
from harness.measure.hours import HOUR_NS, RoundFigures
from harness.measure.pacing import control_gaps
from harness.stats.trend import Trend, trend

CONFIDENCE: Final = 0.95
MOST_ROWS: Final = 48
"""Rows of rounds shown; more rounds are put together, neighbours with neighbours."""
LONGEST: Final = 5
PERIODS: Final = (3, 5, 10, 25)
"""Gaps are counted beyond so many packet periods."""
RANKS: Final = ("none", "pass", "inconclusive", "fail", "error")


class Hours:
    """What is kept of every round's gaps: how many were long, and the longest of all."""

    def __init__(self, period_ns: int) -> None:
        self.period_ns = period_ns
        self.beyond = [0] * len(PERIODS)
        self.longest: list[tuple[int, int, str]] = []

    def take(self, where: str, evidence: Evidence) -> None:
        """Take in the gaps of the round called `where`."""
        gaps = control_gaps(evidence)
        sure = ~gaps.doubtful
        gap_ns, start_ns = gaps.gap_ns[sure], gaps.start_ns[sure]
        for place, periods in enumerate(PERIODS):
            self.beyond[place] += int((gap_ns > periods * self.period_ns).sum())
        for row in np.argsort(-gap_ns, kind="stable")[:LONGEST].tolist():
            since = int(start_ns[row]) - evidence.run.start_ns
            heapq.heappush(self.longest, (int(gap_ns[row]), -since, where))
        self.longest = heapq.nlargest(LONGEST, self.longest)


def account(rounds: Sequence[RoundFigures], verdicts: Sequence[str], hours: Hours) -> Section:
    """Return the section of a soak; `verdicts` has a word for each round."""
    link_h = sum(one.end_ns - one.start_ns for one in rounds if one.end_ns > one.start_ns) / HOUR_NS
    figures = (Figure("rounds", len(rounds)), Figure("link time", link_h, "h"))
    notes = (
        "A round passes where no fault was seen in it; shares of packets and of time, link cuts and trends "
        "are judged over all rounds together.",
        "Slopes are Theil-Sen's, their intervals hold at 95 % each; rounds count as independent.",
    )
    grids = (_rounds(rounds, verdicts), _trends(rounds), _beyond(hours, link_h), _longest(hours))
    return Section("soak", "Hours", figures, grids, notes)


def _rounds(rounds: Sequence[RoundFigures], verdicts: Sequence[str]) -> Grid:
    each = max(1, -(-len(rounds) // MOST_ROWS))
    first = rounds[0].start_ns if rounds else 0
    rows = [
        _row(rounds[at : at + each], verdicts[at : at + each], first) for at in range(0, len(rounds), each)
    ]
    heads = (
        "round", "from h", "sent", "lost", "median latency ms", "longest gap ms", "free memory bytes",
        "verdict",
    )  # fmt: skip
    note = f"{each} rounds in each line: sums, medians, longest, least, worst" if each > 1 else ""
    return Grid("Round by round", heads, tuple(rows), note)


def _row(group: Sequence[RoundFigures], verdicts: Sequence[str], first_ns: int) -> tuple[Cell, ...]:
    name = str(group[0].number) if len(group) == 1 else f"{group[0].number}-{group[-1].number}"
    latency = [one.latency_ns for one in group if one.latency_ns is not None]
    gaps = [one.gap_ns for one in group if one.gap_ns is not None]
    memory = [one.free_memory for one in group if one.free_memory is not None]
    return (
        name,
        round((group[0].start_ns - first_ns) / HOUR_NS, 3),
        sum(one.sent for one in group),
        sum(one.lost for one in group),
        float(np.median(latency)) / MS if latency else None,
        max(gaps) / MS if gaps else None,
        min(memory, default=None),
        max(verdicts, key=RANKS.index),
    )


def _trends(rounds: Sequence[RoundFigures]) -> Grid:
    series: tuple[tuple[str, list[float | None]], ...] = (
        ("median latency us", [_part(one.latency_ns, US) for one in rounds]),
        ("delivery %", [None if one.delivery is None else 100 * one.delivery for one in rounds]),
        ("free memory bytes", [_part(one.free_memory, 1) for one in rounds]),
        ("longest gap ms", [_part(one.gap_ns, MS) for one in rounds]),
        ("age of telemetry ms", [_part(one.age_ns, MS) for one in rounds]),
        ("difference of the clocks ppm", [one.skew_ppm for one in rounds]),
    )
    times = [(one.start_ns + one.end_ns) / 2 / HOUR_NS for one in rounds]
    rows = [_trend_row(name, times, values) for name, values in series]
    heads = ("figure", "slope an hour", "from", "to", "Kendall's tau", "p", "rounds")
    return Grid("Trends", heads, tuple(rows))


def _part(value: int | None, unit: int) -> float | None:
    return None if value is None else value / unit


def _trend_row(name: str, times: Sequence[float], values: Sequence[float | None]) -> tuple[Cell, ...]:
    told = [(at, value) for at, value in zip(times, values, strict=True) if value is not None]
    seen: Trend = trend(
        np.asarray([at for at, _ in told], dtype=np.float64),
        np.asarray([value for _, value in told], dtype=np.float64),
        CONFIDENCE,
    )
    low, high = seen.interval or (None, None)
    known = seen.slope is not None
    return (
        name,
        seen.slope,
        low,
        high,
        seen.tau if known else None,
        seen.p_value if known else None,
        seen.count,
    )


def _beyond(hours: Hours, link_h: float) -> Grid:
    rows = [
        (periods, periods * hours.period_ns / MS, count, count / link_h if link_h else None)
        for periods, count in zip(PERIODS, hours.beyond, strict=True)
    ]
    return Grid("Gaps longer than", ("packet periods", "ms", "gaps", "an hour"), tuple(rows))


def _longest(hours: Hours) -> Grid:
    rows = [(gap / MS, where, -since / (1000 * MS)) for gap, since, where in hours.longest]
    return Grid("Longest gaps", ("ms", "in", "s into the round"), tuple(rows))


__all__ = ["Hours", "account"]

"""How do packets get lost: singly, in runs, in step with a period? The series of fates, and what it shows.

Link cuts and restarts are excused: packets in them are left out, and no run goes across them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from harness.measure.arrays import Flags, Ints, meeting
from harness.measure.delivery import NUMBERS, breaks_before, packet_fates
from harness.measure.evidence import Evidence
from harness.measure.memo import remembered
from harness.stats.periods import SHORTEST, PeriodSearch, burst_starts, find_period
from harness.stats.runs import loss_periods

MOST_MISSING: Final = 1_000
"""A step in packet numbers that is longer than this is no row of missing reports."""
CLEARLY: Final = 1e-3
"""Without pauses a rhythm in packets is one in time too, and is then told in time."""
NONE: Final = -1


@dataclass(frozen=True, slots=True)
class LossSeries:
    """Every packet whose loss counts, in order of sampling; all arrays have one length.

    `lost` ones never took effect in time, `unknown` ones may have: reports are missing. Packets that nobody
    reported at all stand among them at the time of the next one. `breaks` marks packets
    that do not follow the one before: a cut, a restart or a step lies between. `at_ns` is the sampling
    time, `applied_ns` when it took effect (`NONE` unless in time), `ordered` whether a burst asked for it,
    `row` its row in `SentPackets` or `NONE`.
    """

    at_ns: Ints
    applied_ns: Ints
    lost: Flags
    unknown: Flags
    breaks: Flags
    ordered: Flags
    row: Ints

    def __len__(self) -> int:
        return len(self.at_ns)

    @property
    def known(self) -> Flags:
        """Which fates are known."""
        return ~self.unknown

    @property
    def joined(self) -> Flags:
        """Which known packets, all but the first, follow the known one before directly."""
        joined: Flags = np.diff(np.cumsum(self.breaks | self.unknown)[self.known]) == 0
        return joined


@remembered
def loss_series(evidence: Evidence, during: tuple[str, ...] = ()) -> LossSeries:
    """Return the packets sampled in the steps `during`, outside cuts and restarts, with their fates.

    Fates are those of `packet_fates`: late is lost (RFC 7680 section 2.5).
    """
    fates = packet_fates(evidence, during)
    sent = evidence.sent
    times = sent.at_ns[fates.row]
    kept = ~meeting(times, times, evidence.excused)
    row, at_ns = fates.row[kept], times[kept]
    breaks = breaks_before(evidence, row, during)
    missing = (np.diff(sent.number[row], prepend=sent.number[row][:1] - 1) % NUMBERS) - 1
    missing = np.where(breaks | (missing > MOST_MISSING) | (missing < 0), 0, missing)
    delivered = fates.delivered[kept]
    bare = LossSeries(
        at_ns=at_ns,
        applied_ns=np.where(delivered, at_ns + np.where(delivered, fates.latency_ns[kept], 0), NONE),
        lost=fates.lost[kept],
        unknown=fates.unknown[kept],
        breaks=breaks,
        ordered=sent.in_burst[row],
        row=row,
    )
    return _filled(bare, missing) if missing.any() else bare


def _filled(series: LossSeries, missing: Ints) -> LossSeries:
    """Put unknown packets where `missing` reports are absent before each packet."""
    source = np.repeat(np.arange(len(series)), missing + 1)
    real = np.zeros(len(source), dtype=np.bool_)
    real[np.cumsum(missing + 1) - 1] = True
    return LossSeries(
        at_ns=series.at_ns[source],
        applied_ns=np.where(real, series.applied_ns[source], NONE),
        lost=series.lost[source] & real,
        unknown=series.unknown[source] | ~real,
        breaks=series.breaks[source] & real,
        ordered=series.ordered[source],
        row=np.where(real, series.row[source], NONE),
    )


@dataclass(frozen=True, slots=True)
class LossRuns:
    """Packets lost in a row: where each run starts in the series, its length, and the time over it.

    `gap_ns` is from the last packet applied before the run to the first one after (`NONE` where one is
    missing). `longest_possible` is the longest run if every unknown packet was lost.
    """

    start: Ints
    length: Ints
    gap_ns: Ints
    longest_possible: int


def loss_runs(series: LossSeries) -> LossRuns:
    """Return the loss periods (RFC 3357 section 4): runs of certain losses, none across a break."""
    start, end = _runs(series.lost, series.breaks)
    maybe_start, maybe_end = _runs(series.lost | series.unknown, series.breaks)
    places = np.arange(len(series))
    arrived = series.applied_ns != NONE
    before = np.maximum.accumulate(np.where(arrived, places, NONE)) if len(series) else places
    after = np.minimum.accumulate(np.where(arrived, places, len(series))[::-1])[::-1]
    left, right = before[start], after[end]
    wall = np.cumsum(series.breaks)
    sound = (left != NONE) & (right < len(series))
    left, right = np.where(sound, left, 0), np.where(sound, right, 0)
    sound &= wall[left] == wall[right] if len(series) else sound
    gap = series.applied_ns[right] - series.applied_ns[left] if len(series) else left
    return LossRuns(
        start=start,
        length=end - start + 1,
        gap_ns=np.where(sound, gap, NONE),
        longest_possible=int((maybe_end - maybe_start).max()) + 1 if len(maybe_start) else 0,
    )


def _runs(bad: Flags, breaks: Flags) -> tuple[Ints, Ints]:
    """Return the first and the last place of each run of `bad`."""
    first, length = loss_periods(bad, breaks).T
    return first, first + length - 1


@dataclass(frozen=True, slots=True)
class LossPeriod:
    """The strongest rhythm of the losses: `of` tells whether it is kept in ms or in packets.

    `found.p_value` is corrected for both. `period_ns` and `period_packets` are the same period by the packet
    period in use, `phase` (in ns or packets, as `of` says) counts from the first step, or packet.
    `looked_ns` is the link time in which a burst of losses could have begun.
    """

    of: Literal["time", "packets"]
    found: PeriodSearch
    period_ns: float
    period_packets: float
    phase: float
    looked_ns: int


def loss_period(evidence: Evidence, series: LossSeries) -> LossPeriod:
    """Search the starts of loss bursts for a rhythm, in time and in packets; see `find_period`.

    Packets that a burst step ordered and those right after them are left out: their rhythm is the plan's.
    The p-value is doubled for the two searches (Bonferroni).
    """
    tick = evidence.plan.link.packet_period_ns
    chance, start = burst_starts(series.lost, series.unknown | series.ordered, series.breaks)
    places = np.flatnonzero(chance)
    times = series.at_ns[chance] - evidence.run.start_ns
    in_time = find_period(times, start[chance], SHORTEST * tick)
    steady = int(series.breaks.sum()) <= 1  # without pauses packets keep time
    in_packets = in_time if steady else find_period(places, start[chance], SHORTEST)
    better = in_packets.p_value < CLEARLY * in_time.p_value
    of: Literal["time", "packets"] = "packets" if better else "time"
    best, unit = (in_packets, tick) if of == "packets" else (in_time, 1)
    period_ns = best.period * unit
    return LossPeriod(
        of=of,
        found=replace(best, p_value=min(1.0, 2 * best.p_value)),
        period_ns=period_ns,
        period_packets=period_ns / tick,
        phase=best.phase,
        looked_ns=len(places) * tick,
    )

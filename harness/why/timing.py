"""By what does the receiver time failsafe? A count of frames or packets, a timer that is seldom looked at.

What `harness.measure.failsafe_timing` tells, and the report's section on failsafe timing shows, is told as
the cause of a failed check, or by the way where nothing failed. One thing more is looked for here: bursts,
in which a count of packet periods runs out within milliseconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, cast

import numpy as np

from harness.clock import MS, US
from harness.judge.words import ms, plain
from harness.likely import Likely
from harness.measure.arrays import ints
from harness.measure.evidence import Evidence
from harness.measure.failsafe import Entry, failsafe_entries
from harness.measure.failsafe_timing import Keeping, Timekeeping, failsafe_timing, tell_timekeeping
from harness.verdict import CheckResult, Verdict
from harness.why.devices import CAUTION, CLEAR, STRONG, failed, within_ns
from harness.why.engaging import bears_gaps, engagements, find_origin

CHECKS: Final = ("failsafe_entry", "no_false_failsafe")
PERIODS: Final = 5
"""Packets over which a receiver may average its packet period (common practice, no source)."""
FEWEST: Final = 3
BY_THE_WAY: Final = 0.3
COARSE_NS: Final = 5 * MS
"""A tick that is finer adds no more to failsafe than the packet's own wait for the loop."""


def timekeeping(evidence: Evidence) -> Timekeeping:
    """Return by what the receiver goes, from cuts by silence as the account has it; once measured."""
    key = (__name__, "timekeeping", ())
    if key not in evidence.memo:
        every = failsafe_entries(evidence, evidence.plan.link.failsafe.within_ns)
        entries = [one for one in every if one.cut.way == "silence"]
        period_us = evidence.plan.link.packet_period_ns / US
        evidence.memo[key] = tell_timekeeping(failsafe_timing(evidence, entries), period_us)
    return cast("Timekeeping", evidence.memo[key])


def counts_packets(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """The receiver counts the periods of its packets: another packet rate changes its failsafe."""
    names = failed(results, *CHECKS)
    if not names or find_origin(evidence):
        return None
    told, bursts = timekeeping(evidence), read_bursts(evidence)
    by_rate = told.keeping is Keeping.PACKETS
    if not by_rate and bursts is None:
        return None
    return Likely(
        key="counts-packets",
        title="The receiver times failsafe by a count of packet periods"
        + (f": {told.why}" if by_rate else f", about {bursts.count} of them" if bursts else ""),
        explains=names,
        strength=STRONG,
        speaks_for=(*_by_rate(told), *_by_bursts(evidence, bursts)),
        next_step="Time failsafe by a clock; then cut the link at half the packet rate and after a burst: it "
        f"must take the same time. {CAUTION}",
    )


def _by_rate(told: Timekeeping) -> tuple[str, ...]:
    if told.keeping is not Keeping.PACKETS:
        return ()
    return (f"A timer would take the same time at any packet rate, and it took {told.why}.",)


@dataclass(frozen=True, slots=True)
class Bursts:
    """False failsafes behind packets close together: how many, so many spacings after the last packet."""

    events: int
    count: int
    after_us: int
    spacing_us: int


def read_bursts(evidence: Evidence) -> Bursts | None:
    """Return the first false failsafe of each life, after a burst, if a count of periods makes it."""
    found, applied = engagements(evidence), evidence.applied
    period_us, link = evidence.plan.link.packet_period_ns / US, evidence.plan.link
    counts, times, spacings = [], [], []
    for life in np.unique(found.life[found.false]).tolist():
        place = int(np.flatnonzero(found.false & (found.life == life))[0])
        last = int(found.last[place])
        rows = np.arange(max(0, last - PERIODS), last + 1)
        rows = rows[applied.segment[rows] == life]
        if len(rows) <= PERIODS:
            continue
        spacing = float(np.median(np.diff(applied.dev_us[rows])))
        if 0 < spacing < period_us / 2:
            counts.append(found.since_us[place] / spacing)
            times.append(int(found.since_us[place]))
            spacings.append(round(spacing))
    due = [count * period_us * US for count in counts]
    if not due or not all(link.failsafe.earliest_ns / 2 <= time <= 2 * within_ns(evidence) for time in due):
        return None
    if not bears_gaps(evidence, max(times)):
        return None
    return Bursts(len(counts), round(float(np.median(counts))), max(times), max(spacings))


def _by_bursts(evidence: Evidence, bursts: Bursts | None) -> tuple[str, ...]:
    if bursts is None:
        return ()
    period = ms(evidence.plan.link.packet_period_ns)
    return (
        f"It came {ms(bursts.after_us * US)} after the last packet where packets had come "
        f"{ms(bursts.spacing_us * US)} apart: {bursts.count} of those spacings; packets {period} apart, "
        "further than that, had not brought it before.",
    )


def counts_frames(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """The receiver counts its own frames: failsafe scatters over one packet period."""
    told = timekeeping(evidence)
    if told.keeping is not Keeping.FRAMES or told.tick_us is None or find_origin(evidence):
        return None
    return _scatter(
        evidence, results, "counts-frames",
        f"The receiver counts its own frames of {_tick(told)}, or looks once in each: "
        "failsafe scatters by one",
        "Cut the link at half the packet rate: a count of frames takes the same time, one of packets twice "
        "that.",
    )  # fmt: skip


def seldom_looked_at(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """The receiver looks at its failsafe timer only every so often: failsafe scatters over that tick."""
    told = timekeeping(evidence)
    if told.keeping is not Keeping.TASK or told.tick_us is None or told.tick_us * US < COARSE_NS:
        return None
    return _scatter(
        evidence, results, "timer-tick",
        f"The receiver looks at its failsafe timer every {_tick(told)} only: failsafe scatters by as much",
        f"Look at the timer each time the loop comes round, or set it {_tick(told)} shorter.",
    )  # fmt: skip


def _tick(told: Timekeeping) -> str:
    assert told.tick_us is not None
    return f"{plain(told.tick_us / 1000, 2)} ms"


def _scatter(
    evidence: Evidence, results: Sequence[CheckResult], key: str, title: str, next_step: str
) -> Likely | None:
    """Return the cause of a failsafe that is late by the scatter, or a remark where all is in time."""
    told = timekeeping(evidence)
    names = failed(results, "failsafe_entry") if _late_by_it(evidence, told) else ()
    if not names and any(one.verdict is Verdict.FAIL and one.kind in CHECKS for one in results):
        return None
    return Likely(
        key=key,
        title=f"{title}",
        explains=names,
        strength=CLEAR if names else BY_THE_WAY,
        speaks_for=(
            f"{told.why[0].upper()}{told.why[1:]}.",
            *(f"As if by {one.name}: {one.shows} ({one.word})." for one in told.tested),
        ),
        next_step=f"{next_step} {CAUTION}" if names else "None: it is in time all the same.",
        by_design=not names,
    )


def _late_by_it(evidence: Evidence, told: Timekeeping) -> bool:
    """Return whether the latest failsafe is late, and would not be without the scatter."""
    limit, every = within_ns(evidence), evidence.plan.link.failsafe.within_ns
    entries = [one for one in failsafe_entries(evidence, every) if one.cut.way == "silence"]
    times = ints([one.entry_ns for one in entries if one.entry is Entry.ENGAGED and not one.other_rate])
    assert told.tick_us is not None
    return bool(len(times)) and int(times.min()) <= limit < int(times.max())


SUSPECTS: Final = (counts_packets, counts_frames, seldom_looked_at)

"""What is one round of a soak like, in a few figures? They are what may drift over the hours."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import Final

from harness.bench.protocol import Role
from harness.clock import S
from harness.codec.messages import Counters
from harness.measure.delivery import LOST_NS, packet_fates
from harness.measure.evidence import Evidence
from harness.measure.latency import delay_median, packet_delays
from harness.measure.pacing import control_gaps
from harness.measure.telemetry_age import telemetry_ages

UNKNOWN_MEMORY: Final = 65_535
HOUR_NS: Final = 3600 * S


@dataclass(frozen=True, slots=True)
class RoundFigures:
    """One round: when it ran, in host ns, and what it was like. None is a figure that it has not got.

    `latency_ns` is the median packet latency, `gap_ns` the longest time without a new packet, `age_ns` the
    median age of telemetry, `free_memory` the least that the receiver told of, in bytes, `skew_ppm` how much
    faster the transmitter's clock runs than the receiver's, in millionths. `slack_ns` is how far times
    that both clocks tell may be out.
    """

    number: int
    start_ns: int
    end_ns: int
    sent: int
    applied: int
    lost: int
    latency_ns: int | None
    gap_ns: int | None
    age_ns: int | None
    free_memory: int | None
    skew_ppm: float | None
    slack_ns: int = 0

    @property
    def delivery(self) -> float | None:
        """Share of the packets of known fate that were applied in time."""
        known = self.applied + self.lost
        return self.applied / known if known else None


def round_figures(number: int, evidence: Evidence) -> RoundFigures:
    """Return the figures of the round that `evidence` is about."""
    fates = packet_fates(evidence)
    middle = delay_median(packet_delays(evidence).samples.ordered_ns)
    gaps = control_gaps(evidence)
    free = gaps.gap_ns[~gaps.doubtful]
    ages = [age.time_most_ns for age in telemetry_ages(evidence) if age.time_most_ns is not None]
    return RoundFigures(
        number=number,
        start_ns=evidence.run.start_ns,
        end_ns=evidence.run.end_ns,
        sent=len(fates.row) + fates.unreported,
        applied=int(fates.delivered.sum()),
        lost=int(fates.lost.sum()),
        latency_ns=None if middle == LOST_NS else middle,
        gap_ns=int(free.max()) if len(free) else None,
        age_ns=round(median(ages)) if ages else None,
        free_memory=_free_memory(evidence),
        skew_ppm=_skew_ppm(evidence),
        slack_ns=evidence.slack_ns,
    )


def _free_memory(evidence: Evidence) -> int | None:
    told = [
        note.message.free_memory
        for note in evidence.heard[Role.RECEIVER].others
        if isinstance(note.message, Counters)
        and evidence.run.start_ns <= note.at_ns <= evidence.run.end_ns
        and note.message.free_memory != UNKNOWN_MEMORY
    ]
    return min(told, default=None)


def _skew_ppm(evidence: Evidence) -> float | None:
    """Return the difference of both clocks, where pings tell both: the host's own clock cancels out."""
    clocks = [evidence.clocks[role] for role in (Role.TRANSMITTER, Role.RECEIVER)]
    if any(clock.how != "pings" or not clock.ticks for clock in clocks):
        return None
    transmitter, receiver = (clock.segments[-1].skew_ppm for clock in clocks)
    return transmitter - receiver


__all__ = ["HOUR_NS", "RoundFigures", "round_figures"]

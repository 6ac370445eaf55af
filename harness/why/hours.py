"""What changes over hours? Suspects about a soak: trends from round to round, and what comes round seldom."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from harness.clock import US, S
from harness.judge.drift import Drifting, drifts
from harness.judge.words import plain
from harness.likely import Likely
from harness.measure.arrays import Ints, ints
from harness.measure.evidence import Evidence
from harness.measure.hours import HOUR_NS, RoundFigures
from harness.plan import model as p
from harness.plan.model import Plan
from harness.plan.wording import many
from harness.stats.grids import fit_grid
from harness.verdict import CheckResult, Verdict
from harness.why.ranking import ranked
from harness.why.stalls import stalls_of
from harness.why.words import CERTAIN, CLEAR, STRONG, SURE, about, chance, failed, in_order

FEW: Final = 3
STALLS_MOST: Final = 1_000
SHORTEST_NS: Final = 60 * S


@dataclass(slots=True)
class Watch:
    """What is kept of each round for the suspects: its figures, and when the receiver stood still in it."""

    plan: Plan
    rounds: list[RoundFigures] = field(default_factory=list)
    stalls: list[tuple[int, int]] = field(default_factory=list)

    def take(self, evidence: Evidence, figures: RoundFigures) -> None:
        """Take in one round."""
        self.rounds.append(figures)
        found = None if evidence.tells else stalls_of(evidence)
        if found is not None and len(self.stalls) < STALLS_MOST:
            ends, begins = found.end_ns.tolist(), found.begin_ns.tolist()
            self.stalls += list(
                zip(ends, (end - begin for end, begin in zip(ends, begins, strict=True)), strict=True)
            )

    def causes(self, results: Sequence[CheckResult]) -> tuple[Likely, ...]:
        """Return the causes that all rounds together speak for, the likeliest first."""
        names = failed(results, "drift")
        found: list[Likely | None] = [self._seldom(results)]
        rules = [check.rule for check in self.plan.checks if isinstance(check.rule, p.Drift)]
        if names and rules:
            found += [
                WORDS[one.figure.key](one, names, self.rounds)
                for one in drifts(self.rounds, rules[0])
                if one.verdict is Verdict.FAIL and one.figure.key in WORDS
            ]
        return ranked((one for one in found if one is not None), results)

    def _seldom(self, results: Sequence[CheckResult]) -> Likely | None:
        """Suspect what comes round every so many minutes and holds the receiver up."""
        names = failed(results, "control_gap", "loss_pattern", "delivery", "control_age", "latency")
        if not names or not self.stalls:
            return None
        ends, lengths = ints(self.stalls).reshape(-1, 2).T
        every_ns, p_value = _period(ends)
        told = p_value < SURE
        often = (
            f"every {plain(every_ns / (60 * S), 1)} min" if told else f"{many(len(ends), 'time')} in the soak"
        )
        against = () if told else ("Too few, or without a period: what sets it off is not in the recording.",)
        return Likely(
            key="blocking-routine" if told else "receiver-stalls",
            title=f"The receiver stands still for about {about(float(lengths.max()))} {often}",
            explains=in_order(results, names),
            strength=CERTAIN if told else CLEAR,
            speaks_for=(
                f"{many(len(ends), 'time')} packets that the radio had acknowledged were used up to "
                f"{about(float(lengths.max()))} later, those that waited together at one instant."
                + (
                    f" The times lie on a grid of {plain(every_ns / S, 1)} s ({chance(p_value)})."
                    if told
                    else ""
                ),
            ),
            speaks_against=against,
            next_step="Look for what the receiver does that seldom (a clock that is set, a log that is "
            "written, a radio that is tuned anew); make its interval a tenth as long and run the "
            "acceptance plan: the standstills must come ten times as often.",
        )


def _period(ends: Ints) -> tuple[float, float]:
    """Return the period that the times keep, in ns, and its p-value; (0, 1) with too few."""
    if len(ends) < FEW:
        return 0.0, 1.0
    times = np.sort(ends) // US
    apart = float(np.median(np.diff(times)))
    if apart * US < SHORTEST_NS:
        return 0.0, 1.0
    found = fit_grid(times, np.zeros(len(times), dtype=np.int64), 0.6 * apart, 1.4 * apart)
    return (0.0, 1.0) if found is None else (found.tick * US, found.p_value)


def _hours(rounds: Sequence[RoundFigures]) -> str:
    span = (rounds[-1].end_ns - rounds[0].start_ns) / HOUR_NS if rounds else 0.0
    return f"over {many(len(rounds), 'round')} in {plain(span, 1)} h"


def _trend(one: Drifting, rounds: Sequence[RoundFigures]) -> str:
    ends = one.trend.interval
    between = "" if ends is None else f" ({plain(ends[0], 2)} to {plain(ends[1], 2)})"
    slope = one.trend.slope or 0.0
    changes = f"{plain(slope, 2)}{between} {one.figure.unit} an hour"
    return f"The {one.figure.name} changes by {changes}, {_hours(rounds)}."


def _memory(one: Drifting, names: tuple[str, ...], rounds: Sequence[RoundFigures]) -> Likely:
    told = [each.free_memory for each in rounds if each.free_memory is not None]
    slope = abs(one.trend.slope or 0.0)
    left = (
        f" At that pace the last {told[-1]} bytes are gone in {plain(told[-1] / slope, 0)} h."
        if slope
        else ""
    )
    return Likely(
        key="memory-leak",
        title=f"The receiver loses {plain(slope, 0)} bytes of free memory an hour",
        explains=names,
        strength=CERTAIN,
        speaks_for=(_trend(one, rounds) + left,),
        next_step="Count what is allocated and freed in each routine (texts that are put together, lists "
        "that only grow); do without allocation after start-up where you can.",
    )


def _losses(one: Drifting, names: tuple[str, ...], rounds: Sequence[RoundFigures]) -> Likely:
    return Likely(
        key="loss-drift",
        title=f"Each hour {plain(abs(one.trend.slope or 0.0), 2)} % more of the packets are lost",
        explains=names,
        strength=STRONG,
        speaks_for=(_trend(one, rounds),),
        speaks_against=("Heat, a battery that runs down and a supply that sags look the same.",),
        next_step="Log temperature and supply of both devices beside a second soak, one with a fan on the "
        "modules, one from a bench supply: which of the two stops it is the cause.",
    )


def _latency(one: Drifting, names: tuple[str, ...], rounds: Sequence[RoundFigures]) -> Likely:
    return Likely(
        key="latency-drift",
        title=f"Each hour a packet takes {plain(abs(one.trend.slope or 0.0), 0)} us longer",
        explains=names,
        strength=STRONG,
        speaks_for=(_trend(one, rounds),),
        next_step="Look for what grows with each packet and is gone through for each (a list, a log, a "
        "string); restart the receiver in mid-soak: the latency must fall back.",
    )


def _telemetry(one: Drifting, names: tuple[str, ...], rounds: Sequence[RoundFigures]) -> Likely:
    return Likely(
        key="telemetry-drift",
        title=f"Each hour telemetry is {plain(abs(one.trend.slope or 0.0), 1)} ms older",
        explains=names,
        strength=STRONG,
        speaks_for=(_trend(one, rounds),),
        next_step="Look for a queue of telemetry frames that fills faster than it is emptied.",
    )


Told = Callable[[Drifting, tuple[str, ...], Sequence[RoundFigures]], Likely]
WORDS: Final[dict[str, Told]] = {
    "free_memory": _memory,
    "delivery": _losses,
    "latency": _latency,
    "telemetry_age": _telemetry,
}

__all__ = ["Watch"]

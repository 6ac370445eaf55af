"""Is the candidate as good as the base? One answer for each figure, and one for all.

With w the difference in the bad direction, its interval from all figures' shared risk (Bonferroni), and
`most` its upper limit at the confidence asked for, by itself:

    better        the whole interval is on the good side of 0
    no worse      most is under the margin
    worse         the whole interval is on the bad side of 0, and most is not under the margin
    cannot tell   anything else

Tried in this order, so that exactly one holds. A sure worsening inside the margin is `no worse`: that is what
a margin is for; it is told as slight. If nothing differs, any better or worse at all comes up in at most
1 - confidence of comparisons (Bonferroni: the risk of all intervals together is at most the sum of theirs).
No worse in all figures needs no such sharing: it is claimed only if every single test says so, and then its
risk is that of one (intersection-union test: Berger 1982, Technometrics 24:295-300, cited from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from harness.compare.between import between_runs
from harness.compare.figures import Fault, Figure
from harness.compare.samples import Sample
from harness.errors import ExitCode
from harness.stats.difference import more_events_chance

RUNS_MOST: Final = 1000
"""More runs than this are not worth asking for."""
FEW_CHANCES: Final = 0.5
"""With fewer chances a run than this part of the base's, no fault is no evidence: our choice, no source."""
FEW: Final = "the base's runs had more than twice as many chances each"


class Answer(StrEnum):
    """The answers, from the best."""

    BETTER = "better"
    NO_WORSE = "no worse"
    CANNOT_TELL = "cannot tell"
    WORSE = "worse"

    @property
    def exit_code(self) -> ExitCode:
        """What the command returns."""
        return {
            Answer.BETTER: ExitCode.PASS,
            Answer.NO_WORSE: ExitCode.PASS,
            Answer.CANNOT_TELL: ExitCode.INCONCLUSIVE,
            Answer.WORSE: ExitCode.FAIL,
        }[self]


def overall(answers: Iterable[Answer]) -> Answer:
    """Return the answer for all: worse if any is, else cannot tell if any is, else better if any is."""
    found = set(answers)
    for answer in (Answer.WORSE, Answer.CANNOT_TELL, Answer.BETTER, Answer.NO_WORSE):
        if answer in found:
            return answer
    return Answer.CANNOT_TELL


@dataclass(frozen=True, slots=True)
class Compared:
    """One figure of both sides, in its unit.

    `difference` is candidate less base with the `interval` of the shared risk; `most` is how much worse it is
    at most by the single test, negative where it is surely better, infinite where nothing bounds it.
    `bounds` is what clocks leave open of the difference, already in both. `more_runs` is about how many runs
    a side like these would show no worse, if both are as they look; None where no number would, or none is
    needed. `slight` marks a sure worsening inside the margin, `beyond` one surely beyond it.
    """

    figure: Figure
    base: float
    candidate: float
    difference: float
    interval: tuple[float, float]
    most: float
    margin: float
    answer: Answer
    counts: tuple[int, int]
    bounds: float
    more_runs: int | None = None
    slight: bool = False
    beyond: bool = False
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Counted:
    """One fault that sound links do not have: counts of both sides, of so many chances each.

    `trouble` says why nothing is claimed, "" if something is.
    """

    fault: Fault
    base: tuple[int, int]
    candidate: tuple[int, int]
    answer: Answer
    trouble: str = ""


def compare_figure(
    figure: Figure,
    base: Sequence[Sample],
    candidate: Sequence[Sample],
    margin: float,
    confidence: float,
    shared: int,
    trouble: str = "",
) -> Compared:
    """Return the answer for one figure from the runs of both sides.

    `shared` is how many figures share the risk. With `trouble` on the bench nothing is claimed.
    """
    one, other = (side[0] if len(side) == 1 else type(side[0]).pooled(side) for side in (base, candidate))
    difference, bounds = other.value - one.value, one.bound + other.bound
    runs = between_runs(base, candidate)
    each = 1 - (1 - confidence) / (2 * shared)
    ends = [runs.widened(difference, other.beyond(one, level), level) for level in (each, confidence)]
    interval = ends[0][0] - bounds, ends[0][1] + bounds
    worst = ends[1][1] if figure.sign > 0 else -ends[1][0]
    most = worst + bounds
    worsening = interval if figure.sign > 0 else (-interval[1], -interval[0])
    answer = decide(worsening, most, margin)
    if trouble:
        answer = Answer.CANNOT_TELL
    looks = figure.sign * difference
    return Compared(
        figure=figure,
        base=one.value,
        candidate=other.value,
        difference=difference,
        interval=interval,
        most=most,
        margin=margin,
        answer=answer,
        counts=(one.count, other.count),
        bounds=bounds,
        more_runs=runs_needed(worst - looks, margin - looks - bounds, max(len(base), len(candidate)))
        if answer is Answer.CANNOT_TELL and not trouble
        else None,
        slight=answer is Answer.NO_WORSE and worsening[0] > 0,
        beyond=answer is Answer.WORSE and worsening[0] > margin,
        trouble=trouble,
    )


def decide(worsening: tuple[float, float], most: float, margin: float) -> Answer:
    """Return the answer for a worsening in `worsening`, at most `most` by the single test."""
    if worsening[1] < 0:
        return Answer.BETTER
    if most < margin:
        return Answer.NO_WORSE
    if worsening[0] > 0:
        return Answer.WORSE
    return Answer.CANNOT_TELL


def runs_needed(wide: float, room: float, runs: int) -> int | None:
    """Return how many runs make a limit that is `wide` fit into `room`: its width falls with their root."""
    if not math.isfinite(wide) or room <= 0 or wide <= 0:
        return None
    needed = max(runs + 1, math.ceil(runs * (wide / room) ** 2))
    return needed if needed <= RUNS_MOST else None


def compare_faults(
    base: Sequence[Mapping[str, Fault]], candidate: Sequence[Mapping[str, Fault]], risk: float, trouble: str
) -> tuple[Counted, ...]:
    """Return the answer for every fault that every run of both sides could have shown.

    None in the candidate is no worse, unless it had far fewer chances (`FEW_CHANCES`). Any in the candidate
    and none in the base is worse, by what was seen: sound links have none. Where both have some, worse and
    better need more than chance explains at `risk`.
    """
    keys = [key for key in base[0] if all(key in run for run in (*base, *candidate))]
    found = []
    for key in keys:
        one, other = _summed(base, key), _summed(candidate, key)
        answer = count_answer(one, other, risk)
        few = other[1] * len(base) < FEW_CHANCES * one[1] * len(candidate)
        why = trouble or (FEW if few and answer is Answer.NO_WORSE else "")
        found.append(Counted(base[0][key], one, other, Answer.CANNOT_TELL if why else answer, why))
    return tuple(found)


def _summed(runs: Sequence[Mapping[str, Fault]], key: str) -> tuple[int, int]:
    return sum(run[key].counted for run in runs), sum(run[key].chances for run in runs)


def count_answer(base: tuple[int, int], candidate: tuple[int, int], risk: float) -> Answer:
    """Return the answer for (counted, chances) of both sides."""
    share = candidate[1] / (base[1] + candidate[1])
    if candidate[0] and not base[0]:
        return Answer.WORSE
    if base[0] and more_events_chance(candidate[0], base[0], 1 - share) <= risk:
        return Answer.BETTER
    if not candidate[0]:
        return Answer.NO_WORSE
    if more_events_chance(base[0], candidate[0], share) <= risk:
        return Answer.WORSE
    return Answer.CANNOT_TELL

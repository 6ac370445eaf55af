"""How much do runs of one side differ from each other, beyond their own scatter? By a variance.

Modules warm up, phases of clocks differ from start to start: packets of one run resemble each other more
than those of another. One run a side cannot tell, so an answer from it holds for these two runs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.compare.samples import Sample


@dataclass(frozen=True, slots=True)
class Between:
    """The variance between runs beyond what their samples explain; `freedom` is how many runs can tell."""

    variance: float
    within: float
    freedom: int
    runs: tuple[int, int]

    def widened(
        self, difference: float, limits: tuple[float, float], confidence: float
    ) -> tuple[float, float]:
        """Return limits of the difference moved away from it by what runs differ.

        Their distances grow by square-and-add with t sqrt(v / runs of the base + v / runs of the candidate);
        t is Student's quantile for as many degrees of freedom as the mix of known and estimated variance
        comes to (Satterthwaite 1946, cited from memory). The interval always holds the difference: limits of
        a shift between samples of two shapes may leave that of their medians out.
        """
        down, up = difference - limits[0], limits[1] - difference
        if not math.isfinite(difference):
            return limits
        return (
            difference - self._reach(max(0.0, down), confidence),
            difference + self._reach(max(0.0, up), confidence),
        )

    def _reach(self, distance: float, confidence: float) -> float:
        from scipy.special import ndtri, stdtrit

        if not self.variance or not math.isfinite(distance):
            return distance
        between = self.variance * (1 / self.runs[0] + 1 / self.runs[1])
        whole = between + self.within
        freedom = self.freedom * (whole / between) ** 2
        t = float(stdtrit(freedom, confidence))
        return math.hypot(distance * t / float(ndtri(confidence)), t * math.sqrt(between))


def between_runs(base: Sequence[Sample], candidate: Sequence[Sample]) -> Between:
    """Return by how much runs differ, from the runs of both sides together; nothing from one run a side.

    The variance of the runs' locations about their side's mean, less the mean of their squared errors
    (method of moments, as DerSimonian and Laird 1986, cited from memory), at least 0. A run too short to know
    its own error lends none: less is then taken off, and more left to what runs differ.
    """
    runs = len(base), len(candidate)
    freedom = sum(runs) - 2
    if freedom < 1:
        return Between(0.0, 0.0, freedom, runs)
    errors = [error for one in (*base, *candidate) if math.isfinite(error := one.error)]
    squares = 0.0
    for side in (base, candidate):
        places = [one.location for one in side]
        mean = math.fsum(places) / len(places)
        squares += math.fsum((place - mean) ** 2 for place in places)
    own = math.fsum(error**2 for error in errors) / max(1, len(errors))
    within = own * (1 / runs[0] + 1 / runs[1])
    return Between(max(0.0, squares / freedom - own), within, freedom, runs)

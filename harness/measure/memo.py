"""Has this been measured already? Checks and accounts ask for the same measurements: each is made once."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Protocol, TypeVar, cast

from harness.measure.evidence import Evidence

T_co = TypeVar("T_co", covariant=True)


class Measurement(Protocol[T_co]):
    """Something that is measured in the steps called `during`, or in the whole run."""

    def __call__(self, evidence: Evidence, during: tuple[str, ...] = ()) -> T_co:
        """Return what was measured; others get the same arrays, so that nobody may change them."""


def remembered(measure: Callable[[Evidence, tuple[str, ...]], T_co]) -> Measurement[T_co]:
    """Return `measure` with its results kept beside the evidence, for as long as that is kept."""

    @wraps(measure)
    def once(evidence: Evidence, during: tuple[str, ...] = ()) -> T_co:
        key = (measure.__module__, measure.__name__, during)
        if key not in evidence.memo:
            evidence.memo[key] = measure(evidence, during)
        return cast("T_co", evidence.memo[key])

    return once

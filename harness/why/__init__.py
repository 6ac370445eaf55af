"""Why is a figure bad, or odd? Causes that the recording speaks for, the likeliest first.

Each suspect is a test on the recording: a function that looks for the traces one kind of cause leaves, and
returns nothing where it finds none. No suspect guesses from a verdict alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from harness.likely import Likely
from harness.measure.evidence import Evidence
from harness.verdict import CheckResult

Suspect = Callable[[Evidence, Sequence[CheckResult]], Likely | None]
SUSPECTS: Final[tuple[Suspect, ...]] = ()
"""Every suspect there is; their order matters only between equal strengths."""


def likely_causes(evidence: Evidence, results: Sequence[CheckResult]) -> tuple[Likely, ...]:
    """Return the causes that the evidence speaks for, the strongest first. Pure; odd data never raise."""
    found = [likely for suspect in SUSPECTS if (likely := suspect(evidence, results)) is not None]
    return tuple(sorted(found, key=lambda likely: -likely.strength))


__all__ = ["SUSPECTS", "Suspect", "likely_causes"]

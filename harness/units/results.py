"""What came of holding units against each other? One value for report, page and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.kept import KeptRun
from harness.units.decision import Asked, Decision, decide
from harness.units.lots import Lot, make_lot
from harness.units.odd import Look, look_for_odd
from harness.units.ranking import Ranking, rank


@dataclass(frozen=True, slots=True)
class Results:
    """The lot, its order, looks for units that stand out, and what became of it."""

    lot: Lot
    ranking: Ranking
    looks: tuple[Look, ...]
    decision: Decision


def compare_units(runs: Sequence[KeptRun], asked: Asked | None = None, plan: str | None = None) -> Results:
    """Return what runs of several units show; raises UserError where they cannot be compared."""
    lot = make_lot(runs, plan)
    decision = decide(lot, asked or Asked())
    return Results(lot, rank(lot), look_for_odd(lot), decision)

"""What does `--json` hold? A lot's results as plain JSON, the same bytes for the same runs."""

from __future__ import annotations

from typing import Final

from harness.stats.sampling import SamplingPlan
from harness.units import wording
from harness.units.decision import CONFIDENCE, Decision
from harness.units.lots import Joined, Unit
from harness.units.odd import Look
from harness.units.ranking import RISK, Place
from harness.units.results import Results

FORMAT: Final = 1
"""Changes when a key is renamed or removed."""


def units_document(results: Results) -> dict[str, object]:
    """Return the document; shares and risks are of 1, figures in the unit beside them."""
    lot = results.lot
    return {
        "format": FORMAT,
        "decision": wording.HEADLINES[results.decision.verdict].lower(),
        "exit_code": int(results.decision.verdict.exit_code),
        "plan": lot.plan,
        "devices": lot.kind,
        "packet_rate": lot.packet_rate,
        "runs": lot.runs,
        "risk": RISK,
        "lot": _decision(results.decision),
        "units": [_place(place) for place in results.ranking.places],
        "figures": [_look(look, lot.units) for look in results.looks],
        "left_out": list(lot.left_out),
        "notes": list(lot.notes),
    }


def _decision(decision: Decision) -> dict[str, object]:
    asked, curve = decision.asked, decision.curve
    return {
        "tested": decision.tested,
        "unacceptable": decision.unacceptable,
        "unclear": decision.unclear,
        "not_tested": decision.missing,
        "sampling_plan": _plan(decision.plan) if decision.plan else None,
        "limiting_quality": asked.limit,
        "acceptance_quality_limit": asked.aql,
        "consumers_risk": asked.consumer,
        "producers_risk": asked.producer,
        "let_through": curve.let_through if curve else None,
        "kept": curve.kept if curve else None,
        "operating_characteristic": [
            {"bad": bad, "accepted": accepted} for bad, accepted in (curve.points if curve else ())
        ],
        "bad_at_most": {"share": decision.bad_at_most, "confidence": CONFIDENCE},
        "plans_that_keep_it": [_plan(plan) for plan in decision.wanted],
    }


def _plan(plan: SamplingPlan) -> dict[str, object]:
    return {"n": plan.sample, "c": plan.acceptance, "lot_size": plan.lot}


def _place(place: Place) -> dict[str, object]:
    unit = place.unit
    return {
        "name": unit.name,
        "place": [place.first, place.last],
        "verdict": unit.verdict.value,
        "failed": list(unit.failed),
        "tightest": place.tightest.title if place.tightest else None,
        "room": place.room,
        "runs": list(unit.folders),
    }


def _look(look: Look, units: tuple[Unit, ...]) -> dict[str, object]:
    subject = look.subject
    return {
        "name": subject.title,
        "kind": subject.kind,
        "unit": subject.unit,
        "limit": subject.limit,
        "side": subject.side,
        "test": look.test or None,
        "critical": look.critical,
        "not_tested_because": look.why or None,
        "stand_out": [
            {"unit": odd.unit.name, "statistic": odd.statistic, "worse": odd.is_worse} for odd in look.odd
        ],
        "doubted": [unit.name for unit in look.doubted],
        "values": {
            unit.name: _joined(unit.figures[subject.key]) for unit in units if subject.key in unit.figures
        },
    }


def _joined(found: Joined) -> dict[str, object]:
    low = None if found.below is None else found.value - found.below
    high = None if found.above is None else found.value + found.above
    return {"value": found.value, "interval": [low, high], "uncertainty": found.uncertainty}

"""Which defects can the mock have? The catalogue, in the order in which `propsoff defects` lists it."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

from harness.errors import UserError
from mocks.defects import (
    conditions,
    delays,
    delivery,
    failsafe,
    fidelity,
    hours,
    identity,
    interplay,
    latency,
    limits,
    moments,
    motion,
    numbering,
    oneway,
    pairs,
    payloads,
    pins,
    radio,
    reach,
    readings,
    returning,
    sticks,
    strangers,
    supply,
    telemetry,
    timers,
)
from mocks.defects.model import HEALTHY, Defect, Felt, Patch, Severity, chosen

_BY_FILE: tuple[Defect, ...] = (
    failsafe.DEFECTS
    + conditions.DEFECTS
    + timers.DEFECTS
    + moments.DEFECTS
    + strangers.DEFECTS
    + oneway.DEFECTS
    + returning.DEFECTS
    + sticks.DEFECTS
    + delays.DEFECTS
    + latency.DEFECTS
    + delivery.DEFECTS
    + hours.DEFECTS
    + numbering.DEFECTS
    + telemetry.DEFECTS
    + radio.DEFECTS
    + reach.DEFECTS
    + supply.DEFECTS
    + identity.DEFECTS
    + limits.DEFECTS
    + pins.DEFECTS
    + fidelity.DEFECTS
    + motion.DEFECTS
    + interplay.DEFECTS
    + readings.DEFECTS
    + payloads.DEFECTS
    + pairs.DEFECTS
)
CATALOGUE: tuple[Defect, ...] = tuple(sorted(_BY_FILE, key=lambda defect: list(Felt).index(defect.felt)))


def find_defect(name: str) -> Defect:
    """Return the defect called `name`; raises UserError with the nearest name."""
    by_name = {defect.name: defect for defect in CATALOGUE}
    if name in by_name:
        return by_name[name]
    raise UserError(nearest_defect(name, list(by_name), "mock"))


def nearest_defect(name: str, names: Sequence[str], kind: str) -> str:
    """Return the error for a defect that a bench of this kind has not got."""
    near = get_close_matches(name, names, 1)
    listed = "propsoff defects" + ("" if kind == "mock" else f" --rig {kind}")
    hint = f"did you mean {near[0]}?" if near else f"`{listed}` lists them"
    return f"there is no defect called {name!r}; {hint}"


__all__ = [
    "CATALOGUE",
    "HEALTHY",
    "Defect",
    "Felt",
    "Patch",
    "Severity",
    "chosen",
    "find_defect",
    "nearest_defect",
]

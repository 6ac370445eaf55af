"""Which defects can the mock have? The catalogue, in the order in which `propsoff defects` lists it."""

from __future__ import annotations

from difflib import get_close_matches

from harness.errors import UserError
from mocks.defects import failsafe, radio, sticks, telemetry
from mocks.defects.model import HEALTHY, Defect, Patch, chosen

CATALOGUE: tuple[Defect, ...] = failsafe.DEFECTS + sticks.DEFECTS + telemetry.DEFECTS + radio.DEFECTS


def find_defect(name: str) -> Defect:
    """Return the defect called `name`; raises UserError with the nearest name."""
    by_name = {defect.name: defect for defect in CATALOGUE}
    if name in by_name:
        return by_name[name]
    near = get_close_matches(name, by_name, 1)
    hint = f"did you mean {near[0]}?" if near else "`propsoff defects` lists them"
    raise UserError(f"there is no defect called {name!r}; {hint}")


__all__ = ["CATALOGUE", "HEALTHY", "Defect", "Patch", "chosen", "find_defect"]

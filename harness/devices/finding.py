"""Which device kinds are installed? Looked up by the entry point group `propsoff.devices`."""

from __future__ import annotations

from importlib.metadata import EntryPoint, entry_points
from typing import Final

from harness.codec import messages as m
from harness.devices.keys import OURS
from harness.devices.kind import GROUP, Device, Setup
from harness.devices.telling import Telling, fact_key, from_facts, to_fact
from harness.errors import UserError

BUILT_IN: Final = (OURS, "text", "records")


def installed() -> dict[str, EntryPoint]:
    """Return the installed device kinds by name; names of built-in kinds cannot be taken."""
    found = sorted(entry_points(group=GROUP), key=lambda point: point.name)
    return {point.name: point for point in found if point.name not in BUILT_IN}


def _look_at(made: Device) -> None:
    """Raise what is wrong with a device before it is used, rather than in the middle of a run."""
    if not isinstance(made.telling, Telling):
        raise TypeError("`telling` is no harness.devices.telling.Telling")
    numbers = made.channels, made.packet_rate_mhz, int(made.abilities)
    m.encode(m.Identity(m.PROTOCOL_VERSION, 0, *numbers, made.name, "", ""), 0)
    from_facts({fact_key(""): to_fact(made.telling)}, "")


def make_installed(name: str, setup: Setup) -> Device:
    """Return a device of an installed kind. Raises UserError if the kind is not there or does not start."""
    point = installed().get(name)
    if point is None:
        raise UserError(
            f"no device kind is called {name!r:.60}; installed: {', '.join(installed()) or 'none'}"
        )
    try:
        made: Device = point.load()(setup)
        _look_at(made)
    except Exception as error:  # another's code: whatever it raises is told by its name
        raise UserError(
            f"the device kind {name} ({point.value}) does not start: {type(error).__name__}: {error!s:.200}; "
            "look at the rig's `options`, or ask whoever wrote it"
        ) from error
    return made

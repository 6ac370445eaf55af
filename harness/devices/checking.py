"""What is wrong with a rig's description of a device? Each mistake with its place."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from harness.bench.protocol import Role
from harness.devices.finding import BUILT_IN, installed
from harness.devices.keys import OURS, DeviceKeys
from harness.devices.making import mistakes
from harness.plan.fields import keys_of
from harness.plan.reading import Reading
from harness.plan.wording import listed, nearest, quoted

_DESCRIBED: Final = ("tell", "scale", "scales", "clock_bits", "count_bits", "packet_rate")
USED: Final[Mapping[str, tuple[str, ...]]] = {
    OURS: ("speaks",),
    "text": ("speaks", "lines", *_DESCRIBED),
    "records": ("speaks", "records", *_DESCRIBED),
}
"""Keys that mean something to each built-in kind; installed ones take options."""
INSTALLED: Final = ("speaks", "options")


def check_device(role: Role, keys: DeviceKeys, reading: Reading) -> None:
    """Note everything in a device's keys that does not go together or cannot be used."""
    here = reading.places[role]
    if keys.speaks not in BUILT_IN and keys.speaks not in installed():
        known, path = [*BUILT_IN, *installed()], f"{role}.speaks"
        found = f"no device kind is called {quoted(keys.speaks)}"
        allowed = f"kinds here: {listed(known)}"
        reading.problem(reading.places.get(path, here), path, found, allowed, nearest(keys.speaks, known))
        return
    _refuse_others(role, keys, reading)
    if keys.speaks not in ("text", "records"):
        return
    if role is Role.WITNESS:
        found = f"a witness cannot speak {keys.speaks}: it times pulses, more than lines or records say"
        reading.problem(here, role, found, "build it with the bench protocol, or install a kind for it")
        return
    for mistake in mistakes(role, keys):
        path = f"{role}.{mistake.path}" if mistake.path else str(role)
        reading.problem(reading.places.get(path, here), path, str(mistake))


def _refuse_others(role: Role, keys: DeviceKeys, reading: Reading) -> None:
    """Note keys that mean nothing to the kind that is spoken."""
    used = USED.get(keys.speaks, INSTALLED)
    for name in keys_of(DeviceKeys):
        path = f"{role}.{name}"
        if name not in used and path in reading.places:
            allowed = (
                "take this out, or say with `speaks` what it speaks: text, records, or an installed kind"
            )
            reading.problem(reading.places[path], path, f"`speaks: {keys.speaks}` does not use this", allowed)

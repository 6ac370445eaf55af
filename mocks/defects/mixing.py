"""How do two changes of the mock become one? One class for their firmware, and their settings in turn."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from types import FunctionType
from typing import Any, TypeVar

from mocks.defects.model import Patch
from mocks.device import Device
from mocks.receiver import Receiver
from mocks.settings import MockSettings
from mocks.transmitter import Transmitter

D = TypeVar("D", bound=Device)


def combined(*patches: Patch) -> Patch:
    """Return one patch that does what all of them do; the first one's firmware decides last.

    Settings are changed in the order given. Raises ValueError where one would silence another: both decide
    the same thing, and the earlier one does not ask further.
    """

    def changed(settings: MockSettings) -> MockSettings:
        return reduce(lambda so_far, patch: patch.settings(so_far), patches, settings)

    return Patch(
        settings=changed,
        transmitter=mixed(Transmitter, [patch.transmitter for patch in patches]),
        receiver=mixed(Receiver, [patch.receiver for patch in patches]),
        needs_channels=max(patch.needs_channels for patch in patches),
        needs_throttle=any(patch.needs_throttle for patch in patches),
        needs_telemetry=any(patch.needs_telemetry for patch in patches),
    )


def mixed(healthy: type[D], firmware: Sequence[type[D]]) -> type[D]:
    """Return a class with every change that these classes make to the healthy one, the first outermost."""
    changes = [one for one in dict.fromkeys(firmware) if one is not healthy]
    if len(changes) < 2:
        return changes[0] if changes else healthy
    for place, outer in enumerate(changes):
        for inner in changes[place + 1 :]:
            _require_room(outer, inner, healthy)
    name = "And".join(one.__name__ for one in changes)
    return type(name, tuple(changes), {"__doc__": f"{name}: each does its part."})


def _require_room(outer: type, inner: type, healthy: type) -> None:
    """Raise ValueError if `outer` decides something by itself that `inner` decides too."""
    first, second = (_decisions(one, healthy) for one in (outer, inner))
    for name in sorted(first.keys() & second.keys()):
        if not _asks_further(first[name]):
            raise ValueError(f"{outer.__name__} leaves nothing of what {inner.__name__} does in {name}")


def _decisions(one: type, healthy: type) -> dict[str, Any]:
    """Return what a class and its own bases define beyond the healthy one, by name."""
    found: dict[str, Any] = {}
    for base in reversed([base for base in one.__mro__ if base not in healthy.__mro__]):
        found |= {
            name: value
            for name, value in vars(base).items()
            if name == "__init__" or not name.startswith("__")
        }
    return found


def _asks_further(value: object) -> bool:
    return isinstance(value, FunctionType) and "super" in value.__code__.co_names

"""What was switched from outside, and when? Power and antenna path, as the marks in the recording tell.

Every mark bounds its own moment: host time around a call and the time that a relay takes, a command and its
answer, or a prompt and what the data showed. Odd marks tell nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Final

from harness.bench.protocol import BOOTS_NS, TARGETS, Means, Role, Target
from harness.measure.arrays import Ints, ints
from harness.recording.model import Mark

MEANS: Final[tuple[Means, ...]] = ("line", "device", "hand")
FED: Final[dict[Target, Role]] = {
    "transmitter power": Role.TRANSMITTER,
    "receiver power": Role.RECEIVER,
}
"""Which device's power each target is."""
NEVER_NS: Final = 1 << 61


@dataclass(frozen=True, slots=True)
class Outage:
    """One time without power, or with an open antenna path, in host ns.

    It began no sooner than `off_ns[0]` and no later than `off_ns[1]`, and ended between the two of `on_ns`,
    which are `NEVER_NS` if it was not seen to end. `step` is the word of the step, `path` its key path.
    """

    what: Target
    means: Means
    step: str
    path: str
    off_ns: tuple[int, int]
    on_ns: tuple[int, int]
    boots_ns: int

    @property
    def role(self) -> Role | None:
        """The device without power, None for the antenna path."""
        return FED.get(self.what)


def read_switched(marks: Iterable[Mark]) -> tuple[Outage, ...]:
    """Return every outage in order of its beginning."""
    running: dict[Target, Outage] = {}
    found: list[Outage] = []
    for mark in marks:
        read = _read(mark) if mark.kind == "switched" else None
        if read is None:
            continue
        if mark.fields["on"] is not True:
            found.extend([running.pop(read.what)] if read.what in running else [])
            running[read.what] = read
        elif read.what in running:
            began = running.pop(read.what)
            found.append(replace(began, on_ns=read.off_ns))
    return tuple(sorted([*found, *running.values()], key=lambda one: one.off_ns))


def _read(mark: Mark) -> Outage | None:
    """Return a mark's moment as the beginning of an outage, None if it is odd."""
    fields = mark.fields
    what, means = fields.get("what"), fields.get("means")
    if what not in TARGETS or means not in MEANS or not isinstance(fields.get("on"), bool):
        return None
    ago = _whole(fields.get("earliest_ago_ns")), _whole(fields.get("latest_ago_ns"))
    moment = (mark.at_ns - max(ago), mark.at_ns - min(ago))
    boots_ns = _whole(fields.get("boots_ns"), BOOTS_NS)
    step, path = str(fields.get("step", "")), str(fields.get("path", ""))
    return Outage(what, means, step, path, moment, (NEVER_NS, NEVER_NS), boots_ns)


def _whole(value: Any, otherwise: int = 0) -> int:
    return value if isinstance(value, int) and 0 <= value < NEVER_NS else otherwise


def outages_of(outages: Iterable[Outage], role: Role) -> list[Outage]:
    """Return the outages in which a device had no power."""
    return [one for one in outages if one.role is role]


def power_losses(outages: Iterable[Outage], role: Role) -> Ints:
    """Return when a device lost its power, in host ns, at the soonest."""
    return ints([one.off_ns[0] for one in outages_of(outages, role)])


__all__ = ["NEVER_NS", "Outage", "outages_of", "power_losses", "read_switched"]

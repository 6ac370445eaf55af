"""What is a defect? A small named change to a healthy mock, the check to catch it, and its near-miss."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from harness.errors import UnfitError
from harness.plan.model import Link
from mocks.receiver import Receiver
from mocks.settings import MockSettings
from mocks.transmitter import Transmitter


def _unchanged(settings: MockSettings) -> MockSettings:
    return settings


@dataclass(frozen=True, slots=True)
class Patch:
    """How the mock is changed: its settings or a device's firmware; and what the link must have for it."""

    settings: Callable[[MockSettings], MockSettings] = _unchanged
    transmitter: type[Transmitter] = Transmitter
    receiver: type[Receiver] = Receiver
    needs_channels: int = 1
    needs_throttle: bool = False
    needs_telemetry: bool = False

    def check(self, link: Link, defect: str) -> None:
        """Raise UnfitError if the link has not got what this patch, called `defect`, changes."""
        lacks = ""
        if len(link.channels) < self.needs_channels:
            lacks = f"a link with {self.needs_channels} channels or more"
        if self.needs_throttle and not any(channel.role == "throttle" for channel in link.channels):
            lacks = "a channel with `role: throttle`"
        if self.needs_telemetry and not any(field.source == "injected" for field in link.telemetry):
            lacks = "a telemetry field that can be injected"
        if lacks:
            raise UnfitError(
                f"the defect {defect} needs {lacks}, and the plan's link has none; "
                f"`propsoff defects {defect.partition(' ')[0]}` names a plan that shows it"
            )


HEALTHY = Patch()


class Felt(StrEnum):
    """What the pilot would feel: the groups of the catalogue, in its order."""

    MOTORS = "a motor runs on, or starts by itself"
    CONTROL = "control is lost, or comes back wrong"
    WRONG = "the model does something else than the stick"
    MISSING = "commands go missing"
    LATE = "the model answers late"
    TELEMETRY = "the display tells something wrong"
    REACH = "the link has less reserve than it seems"
    STRANGER = "a device is not what it says, or listens to others"


Severity = Literal["dangerous", "serious", "nuisance"]
"""dangerous: somebody can get hurt or the model is lost; serious: flying gets worse; nuisance: the rest."""


@dataclass(frozen=True, slots=True)
class Defect:
    """One entry of the catalogue.

    `caught_by` is the word of the check that must fail on it, `plan` the shipped plan that holds this check;
    for a dangerous one `failsafe` or `acceptance`. `bench` stands for bench trouble: the run is refused, or
    the check `bench` calls it an error, so that it never passes, whatever else fails. `near_patch` behaves as
    `near_miss` says: close to the limit, and right.
    """

    name: str
    felt: Felt
    severity: Severity
    wrong: str
    cause: str
    caught_by: str
    plan: str
    near_miss: str
    patch: Patch
    near_patch: Patch


def chosen(defect: Defect | None, *, near_miss: bool) -> tuple[str, Patch]:
    """Return the name, for the record, and the patch of a defect or of its near-miss; None is healthy."""
    if defect is None:
        return "none", HEALTHY
    if near_miss:
        return f"near-miss of {defect.name}", defect.near_patch
    return defect.name, defect.patch

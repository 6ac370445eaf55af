"""Defects of a failsafe that is right as a rule, and fails on some condition."""

from __future__ import annotations

from typing import ClassVar

from harness.clock import MS
from harness.codec.messages import OutputReason
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver

A_BIT_LATE_NS = 10 * MS
"""Within what a healthy mock leaves of 500 ms: 20 ms."""
FULL_US = 10
"""A throttle within so much of its high end is full."""
PHASE_OF = 256
PHASE_FROM = 224
IN_BURST_NS = 5 * MS


class Doubtful(Receiver):
    """On some condition its failsafe never engages, or `LATER_NS` later than it should."""

    LATER_NS: ClassVar[int | None] = None

    def doubtful(self) -> bool:
        """Return whether the condition is met for the link loss that may be beginning."""
        raise NotImplementedError

    def failsafe_due_ns(self) -> int | None:
        """Return when failsafe begins, if it does."""
        due_ns = super().failsafe_due_ns()
        if due_ns is None or not self.doubtful():
            return due_ns
        return None if self.LATER_NS is None else due_ns + self.LATER_NS


class EngagesOnce(Doubtful):
    """Engages failsafe only once."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._engaged = False

    def doubtful(self) -> bool:
        """Return whether failsafe has been in."""
        return self._engaged

    def change_outputs(self, outputs: Pulses, reason: OutputReason) -> None:
        """Remember failsafe."""
        self._engaged |= reason is OutputReason.FAILSAFE
        super().change_outputs(outputs, reason)


class EngagesOnceInTime(EngagesOnce):
    """Engages the second time and later a bit late."""

    LATER_NS = A_BIT_LATE_NS


class MissesPhase(Doubtful):
    """Loses a link loss that begins while the low byte of its milliseconds is 224 or more."""

    def doubtful(self) -> bool:
        """Return whether the last packet came at such a time."""
        return self.us_at(self.refreshed_ns) // 1_000 % PHASE_OF >= PHASE_FROM


class LateInPhase(MissesPhase):
    """Engages a bit late at such a time."""

    LATER_NS = A_BIT_LATE_NS


class LostInBurst(Doubtful):
    """Loses a link loss that begins while packets come back to back."""

    def doubtful(self) -> bool:
        """Return whether the last packet came right after the one before it."""
        return bool(self._periods) and self._periods[-1] < IN_BURST_NS


class LateInBurst(LostInBurst):
    """Engages a bit late at such a time."""

    LATER_NS = A_BIT_LATE_NS


class HoldsFullThrottle(Doubtful):
    """Does not engage while a throttle is at its high end."""

    def doubtful(self) -> bool:
        """Return whether a throttle is full."""
        pairs = zip(self.link.channels, self.outputs, strict=True)
        return any(one.role == "throttle" and us > one.range.high_us - FULL_US for one, us in pairs)


class LateAtFullThrottle(HoldsFullThrottle):
    """Engages a bit late then."""

    LATER_NS = A_BIT_LATE_NS


DEFECTS = (
    Defect(
        name="failsafe-only-once",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe engages the first time, and never again",
        cause="the flag that failsafe is in is not cleared when the link comes back",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="from the second time on it engages 10 ms later, within the declared time",
        patch=Patch(receiver=EngagesOnce),
        near_patch=Patch(receiver=EngagesOnceInTime),
    ),
    Defect(
        name="failsafe-misses-phase",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe never engages if the link is lost in the last eighth of each 256 ms",
        cause="the age of the last packet is compared in one byte of the millisecond counter",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="it engages 10 ms later then, within the declared time",
        patch=Patch(receiver=MissesPhase),
        near_patch=Patch(receiver=LateInPhase),
    ),
    Defect(
        name="failsafe-lost-in-burst",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe never engages if the link is lost while packets come back to back",
        cause="the interrupt for the second packet is missed, and its timer stays stopped",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="it engages 10 ms later then, within the declared time",
        patch=Patch(receiver=LostInBurst),
        near_patch=Patch(receiver=LateInBurst),
    ),
    Defect(
        name="failsafe-not-at-full-throttle",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe never engages while a throttle is at its high end",
        cause="a pulse at the end of its table is taken for not set, and no channel is touched",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="it engages 10 ms later then, within the declared time",
        patch=Patch(receiver=HoldsFullThrottle, needs_throttle=True),
        near_patch=Patch(receiver=LateAtFullThrottle, needs_throttle=True),
    ),
)

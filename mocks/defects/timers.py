"""Defects in how a receiver counts time and packets up to failsafe, and of what a restart leaves of that."""

from __future__ import annotations

from typing import ClassVar

from harness.clock import MS
from harness.codec.messages import OutputReason
from mocks.air import Packet
from mocks.defects.conditions import A_BIT_LATE_NS, Doubtful
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver

LOOP_NS = MS
UNARMED = 50
"""A second of packets at 50 Hz."""
AWAY = 1_000
"""No link loses so many packets between two that it applies: the number jumped."""
MISSED = 24
"""480 ms of packets at 50 Hz, 96 % of half a second."""


class StopsAtClockWrap(Doubtful):
    """Works out the due time without the wrap of its clock, which therefore never gets there."""

    def doubtful(self) -> bool:
        """Return whether the clock wraps before failsafe is due."""
        return self.us_at(self.refreshed_ns + self.failsafe_ns) < self.us_at(self.refreshed_ns)


class SubtractsMilliseconds(Receiver):
    """Subtracts 16-bit milliseconds, which wrap every 65.5 s and do no harm: up to 1 ms late."""

    def failsafe_due_ns(self) -> int | None:
        """Return when a whole number of milliseconds is over."""
        due_ns = self.refreshed_ns + self.failsafe_ns
        return due_ns + (self.started_ns - due_ns) % MS


class AlarmsAtClockWrap(StopsAtClockWrap):
    """Works out the due time with the wrap, and then it is less than the time now: failsafe at once."""

    def failsafe_due_ns(self) -> int | None:
        """Return the next turn of the loop if the clock wraps before failsafe is due."""
        if self.doubtful():
            return self.refreshed_ns + LOOP_NS
        return Receiver.failsafe_due_ns(self)

    def refresh(self) -> None:
        """Restart the timer; it may be due sooner than it was."""
        super().refresh()
        if self.doubtful():
            self.world.at(self.refreshed_ns + LOOP_NS, self._look_for_loss, None)


class ArmedByNumber(Doubtful):
    """Arms its failsafe by the packet number: not among the first fifty."""

    def doubtful(self) -> bool:
        """Return whether the number is that of a transmitter that has just started."""
        return self._last_number is not None and self._last_number <= UNARMED


class ArmedByFirst(Doubtful):
    """Arms its failsafe by the first packet of its own life."""

    def doubtful(self) -> bool:
        """Return whether no packet has come."""
        return self.packets < 1


class LostAfterOwnRestart(Doubtful):
    """Has its failsafe only after it was switched on, not after a restart."""

    def doubtful(self) -> bool:
        """Return whether this life began with a restart."""
        return self.life.restarts > 0


class LateAfterOwnRestart(LostAfterOwnRestart):
    """Engages a bit late after a restart."""

    LATER_NS = A_BIT_LATE_NS


class AfterJump(Doubtful):
    """Is doubtful about its failsafe when packet numbers jump, as they do when the transmitter restarts."""

    FORGETS: ClassVar[int] = 1 << 30
    """Packets until a jump is forgotten."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._before = 0
        self._since_jump = self.FORGETS

    def doubtful(self) -> bool:
        """Return whether the numbers have jumped."""
        return self._since_jump < self.FORGETS

    def _apply(self, packet: Packet) -> None:
        jumped = self.packets > 0 and not 0 < (packet.number - self._before) & 0xFFFF < AWAY
        self._before = packet.number
        self._since_jump = 0 if jumped else self._since_jump + 1
        super()._apply(packet)


class LostAfterRestart(AfterJump):
    """Loses its failsafe from then on."""


class LateAfterRestart(LostAfterRestart):
    """Engages a bit late from then on."""

    LATER_NS = A_BIT_LATE_NS


class AddsUpMissed(Receiver):
    """Counts missed packets, and does not begin anew when one comes."""

    FORGETS: ClassVar[int] = 1
    """What a good packet divides the count by."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._missed = 0
        self._period_ns = self.span_ns(self.link.packet_period_ns)

    def failsafe_due_ns(self) -> int | None:
        """Return when the count is full if nothing comes any more."""
        return self.refreshed_ns + max(1, MISSED - self._missed) * self._period_ns

    def refresh(self) -> None:
        """Add what was missed before this packet; the count may be full sooner than it was."""
        if not self.in_failsafe:
            missed = round((self.world.now_ns - self.refreshed_ns) / self._period_ns) - 1
            self._missed = (self._missed + max(0, missed)) // self.FORGETS
        super().refresh()
        if self._missed:
            due_ns = self.failsafe_due_ns()
            assert due_ns is not None
            self.world.at(due_ns, self._look_for_loss, None)

    def change_outputs(self, outputs: Pulses, reason: OutputReason) -> None:
        """Begin to count anew with failsafe."""
        self._missed = 0
        super().change_outputs(outputs, reason)


class ForgetsMissed(AddsUpMissed):
    """Takes most of the count away when a packet comes."""

    FORGETS = 4


DEFECTS = (
    Defect(
        name="failsafe-stops-at-clock-wrap",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe never engages if its clock wraps, after 71.6 min, while the link is lost",
        cause="the time when it is due is kept in more bits than the clock has",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="16-bit milliseconds are subtracted: wraps do no harm, and it is up to 1 ms late",
        patch=Patch(receiver=StopsAtClockWrap),
        near_patch=Patch(receiver=SubtractsMilliseconds),
    ),
    Defect(
        name="failsafe-at-clock-wrap",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="the failsafe engages between packets in the half second before the clock wraps (71.6 min)",
        cause="the time now is compared with the time when it is due, which has wrapped already",
        caught_by="no_false_failsafe",
        plan="failsafe",
        near_miss="16-bit milliseconds are subtracted: wraps do no harm, and it is up to 1 ms late",
        patch=Patch(receiver=AlarmsAtClockWrap),
        near_patch=Patch(receiver=SubtractsMilliseconds),
    ),
    Defect(
        name="failsafe-stops-at-packet-wrap",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe does not engage for the second after packet 0, which comes again every 22 min",
        cause="it is armed by the packet number, so that it is quiet while a transmitter starts",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="it is armed by the first packet that the receiver gets, whatever its number",
        patch=Patch(receiver=ArmedByNumber),
        near_patch=Patch(receiver=ArmedByFirst),
    ),
    Defect(
        name="failsafe-lost-after-receiver-restart",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe never engages after the receiver restarted in flight",
        cause="the timer is set up only where the cause of the start is power",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="it engages 10 ms later after a restart, within the declared time",
        patch=Patch(receiver=LostAfterOwnRestart),
        near_patch=Patch(receiver=LateAfterOwnRestart),
    ),
    Defect(
        name="failsafe-lost-after-transmitter-restart",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe never engages after the transmitter restarted",
        cause="packet numbers that jump put the link in a state for binding, where failsafe is off",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="it engages 10 ms later after that, within the declared time",
        patch=Patch(receiver=LostAfterRestart),
        near_patch=Patch(receiver=LateAfterRestart),
    ),
    Defect(
        name="failsafe-adds-up-gaps",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="the failsafe engages in a marginal link as soon as 24 packets were missed, however spread",
        cause="the count of missed packets is not cleared by a good one",
        caught_by="no_false_failsafe",
        plan="failsafe",
        near_miss="a good packet takes three quarters off the count",
        patch=Patch(receiver=AddsUpMissed),
        near_patch=Patch(receiver=ForgetsMissed),
    ),
)

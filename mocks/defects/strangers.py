"""Defects of a receiver that takes notice of packets which are damaged, repeated, or not for it."""

from __future__ import annotations

from typing import ClassVar

from harness.codec.messages import OutputReason
from mocks.air import OWN, Packet
from mocks.defects.conditions import A_BIT_LATE_NS, Doubtful
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver


class Fed(Receiver):
    """Restarts its failsafe timer by packets that should not do that.

    With `HOLDS_UP` they only make work, once after each good packet.
    """

    HOLDS_UP: ClassVar[bool] = False

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._works = False

    def feeds(self, packet: Packet) -> bool:
        """Return whether the timer is restarted by this packet."""
        raise NotImplementedError

    def fed(self) -> None:
        """Restart the timer, or hold it up."""
        if self.HOLDS_UP:
            self._works = True
        elif not self.in_failsafe:
            self.refresh()

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet, with what it does to the timer."""
        feeds = self.alive and self.feeds(packet)
        answer = super().hear(packet)
        if feeds:
            self.fed()
        return answer

    def failsafe_due_ns(self) -> int | None:
        """Return when failsafe begins, after the work that a packet made."""
        due_ns = super().failsafe_due_ns()
        return due_ns if due_ns is None or not self._works else due_ns + A_BIT_LATE_NS

    def refresh(self) -> None:
        """Restart the timer; whatever work there was is done."""
        self._works = False
        super().refresh()


class FedByCorrupted(Fed):
    """Restarts the timer before it looks at the packet's check."""

    def feeds(self, packet: Packet) -> bool:
        """Return whether the check is wrong, unless the firmware is deaf."""
        return not packet.sound and not self._deaf()


class HeldUpByCorrupted(FedByCorrupted):
    """Logs such a packet meanwhile."""

    HOLDS_UP = True


class FedByStrangers(Fed):
    """Restarts the timer before it looks whose the packet is."""

    def feeds(self, packet: Packet) -> bool:
        """Return whether it is another transmitter's, unless the firmware is deaf."""
        return packet.sound and packet.sender != OWN and not self._deaf()


class HeldUpByStrangers(FedByStrangers):
    """Logs such a packet meanwhile."""

    HOLDS_UP = True


class FedByRepeats(Fed):
    """Restarts the timer by a packet that it had before."""

    def feeds(self, packet: Packet) -> bool:
        """Return whether the number is the last one again."""
        return self.believed(packet) and packet.number == self._last_number and not self._deaf()


class HeldUpByRepeats(FedByRepeats):
    """Looks through its log for the packet meanwhile."""

    HOLDS_UP = True


class FedByAnswers(Fed):
    """Restarts the timer whenever its radio has sent an acknowledgement."""

    def feeds(self, packet: Packet) -> bool:  # noqa: ARG002
        """Return False: the answer counts, not the packet."""
        return False

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet, and see whether it was acknowledged."""
        answer = super().hear(packet)
        if answer is not None:
            self.fed()
        return answer


class HeldUpByAnswers(FedByAnswers):
    """Reads out the radio's registers meanwhile."""

    HOLDS_UP = True


class NeedsAnswers(Receiver):
    """Restarts the timer only where its radio also acknowledged the packet."""

    def refreshes(self, outputs: Pulses) -> bool:  # noqa: ARG002
        """Return whether acknowledgements go out."""
        return not self._muted()

    def _muted(self) -> bool:
        begin_ns, end_ns = self._muted_ns
        return begin_ns <= self.world.now_ns < end_ns


class SlowWithoutAnswers(Doubtful):
    """Restarts the timer by every packet, and is a bit late if the last one was not acknowledged."""

    LATER_NS = A_BIT_LATE_NS

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._answered = True

    def doubtful(self) -> bool:
        """Return whether the last packet went without an acknowledgement."""
        return not self._answered

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet, and see whether it was acknowledged."""
        answer = super().hear(packet)
        self._answered = answer is not None
        return answer


class LeavesForStray(Receiver):
    """Leaves failsafe when any packet comes, and puts the outputs back where they were."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._before = self.outputs

    def change_outputs(self, outputs: Pulses, reason: OutputReason) -> None:
        """Keep what the outputs were before failsafe."""
        if not self.in_failsafe or reason is not OutputReason.FAILSAFE or self.outputs != outputs:
            self._before = self.outputs
        super().change_outputs(outputs, reason)

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet, and wake up for one that is not believed."""
        answer = super().hear(packet)
        stray = not self.believed(packet) and not self._deaf()
        if stray and self.alive and self.in_failsafe and self.packets:
            self.woken()
        return answer

    def woken(self) -> None:
        """Leave failsafe, and wait for the next link loss."""
        self.in_failsafe = False
        self.refreshed_ns = self.world.now_ns
        self.change_outputs(self._before, OutputReason.OTHER)
        if not self._timing:
            self._time_failsafe()


class ConfirmsForStray(LeavesForStray):
    """Writes the failsafe outputs again when any packet comes."""

    def woken(self) -> None:
        """Stay where it is."""
        self.change_outputs(self.outputs, OutputReason.FAILSAFE)


class AppliesCorrupted(Receiver):
    """Does not look at the check inside a packet."""

    def believed(self, packet: Packet) -> bool:
        """Return whether the link's own transmitter seems to have sent it."""
        return packet.sender == OWN


class FollowsStrangers(Receiver):
    """Does not look whose a packet is."""

    def believed(self, packet: Packet) -> bool:
        """Return whether it is whole."""
        return packet.sound


class ShowsStrangers(Receiver):
    """Writes its outputs again when a packet comes that it does not believe."""

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet."""
        answer = super().hear(packet)
        if self.alive and not self.believed(packet) and not self._deaf() and not self.in_failsafe:
            self.change_outputs(self.outputs, OutputReason.OTHER)
        return answer


DEFECTS = (
    Defect(
        name="failsafe-fed-by-corrupted",
        felt=Felt.STRANGER,
        severity="dangerous",
        wrong="packets with a wrong check keep the failsafe out",
        cause="the timer is restarted in the radio's interrupt, before the check is made",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="they are logged, and the failsafe engages 10 ms later, within the declared time",
        patch=Patch(receiver=FedByCorrupted),
        near_patch=Patch(receiver=HeldUpByCorrupted),
    ),
    Defect(
        name="failsafe-fed-by-strangers",
        felt=Felt.STRANGER,
        severity="dangerous",
        wrong="packets of another transmitter keep the failsafe out",
        cause="the timer is restarted before the identity is compared",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="they are logged, and the failsafe engages 10 ms later, within the declared time",
        patch=Patch(receiver=FedByStrangers),
        near_patch=Patch(receiver=HeldUpByStrangers),
    ),
    Defect(
        name="failsafe-fed-by-repeats",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the same packet again and again keeps the failsafe out",
        cause="a transmitter that hangs repeats its buffer, and the receiver times packets, not numbers",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="they are looked up, and the failsafe engages 10 ms later, within the declared time",
        patch=Patch(receiver=FedByRepeats),
        near_patch=Patch(receiver=HeldUpByRepeats),
    ),
    Defect(
        name="failsafe-fed-by-acknowledgements",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the receiver's own acknowledgements keep the failsafe out while its firmware gets no packet",
        cause="the timer is restarted in the radio's interrupt, which also tells that something was sent",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="the interrupts take time, and the failsafe engages 10 ms later, within the declared time",
        patch=Patch(receiver=FedByAnswers),
        near_patch=Patch(receiver=HeldUpByAnswers),
    ),
    Defect(
        name="failsafe-needs-acknowledgements",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="the failsafe engages while packets arrive, if the way back is dead",
        cause="the timer is restarted when an acknowledgement was sent, not when a packet came",
        caught_by="no_false_failsafe",
        plan="failsafe",
        near_miss="after a packet without acknowledgement it engages 10 ms later, within the declared time",
        patch=Patch(receiver=NeedsAnswers),
        near_patch=Patch(receiver=SlowWithoutAnswers),
    ),
    Defect(
        name="failsafe-left-on-stray",
        felt=Felt.STRANGER,
        severity="dangerous",
        wrong="any packet ends failsafe, and the outputs go back to where they were before",
        cause="the radio's interrupt says that the link is back before anybody looked at the packet",
        caught_by="no_glitch",
        plan="failsafe",
        near_miss="the failsafe outputs are written again when such a packet comes",
        patch=Patch(receiver=LeavesForStray),
        near_patch=Patch(receiver=ConfirmsForStray),
    ),
    Defect(
        name="corrupted-packets-applied",
        felt=Felt.WRONG,
        severity="dangerous",
        wrong="packets with a wrong check are applied",
        cause="the maker relies on the radio's checksum, which ends where the module's bus begins",
        caught_by="order",
        plan="failsafe",
        near_miss="the outputs are written again, unchanged, when such a packet comes",
        patch=Patch(receiver=AppliesCorrupted),
        near_patch=Patch(receiver=ShowsStrangers),
    ),
    Defect(
        name="stranger-followed",
        felt=Felt.STRANGER,
        severity="dangerous",
        wrong="packets of another transmitter are applied between the link's own",
        cause="every model has the radio's default address, and nobody compares identities",
        caught_by="order",
        plan="failsafe",
        near_miss="the outputs are written again, unchanged, when such a packet comes",
        patch=Patch(receiver=FollowsStrangers),
        near_patch=Patch(receiver=ShowsStrangers),
    ),
)

"""Defects of one moment: just after a start, as failsafe begins, in a fade, between a stranger's packets."""

from __future__ import annotations

from typing import ClassVar

from harness.clock import MS, S
from harness.codec.messages import OutputReason
from mocks.air import OWN, Packet
from mocks.defects.conditions import A_BIT_LATE_NS
from mocks.defects.model import Defect, Felt, Patch
from mocks.defects.timers import AfterJump
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver

GAP_NS = 130 * MS
"""Longer than the silence between two packets of any healthy link, shorter than a flicker."""
MANY = 15
IN_A_ROW = 10
SETTING_UP_NS = 150 * MS
DEAF_NS = S
SEARCHING_AFTER_NS = 2 * S


class ArmsLate(Receiver):
    """Arms its failsafe some time after its start."""

    ARMED_NS: ClassVar[int] = 1_500 * MS

    def failsafe_due_ns(self) -> int | None:
        """Return when failsafe begins, not before it is armed."""
        due_ns = super().failsafe_due_ns()
        return None if due_ns is None else max(due_ns, self.started_ns + self.span_ns(self.ARMED_NS))


class ArmsSoon(ArmsLate):
    """Arms it before a link can be lost."""

    ARMED_NS = 100 * MS


class HeldOffByJump(AfterJump):
    """Waits a second longer for packets for half a second after their numbers jumped."""

    LATER_NS = S
    FORGETS = 25


class HeldOffABit(HeldOffByJump):
    """Waits a bit longer then."""

    LATER_NS = A_BIT_LATE_NS


class NeedsTwo(Receiver):
    """Only a packet soon after another one restarts the failsafe timer."""

    SOON_NS: ClassVar[int] = 70 * MS

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._before_ns = self.world.now_ns

    def refreshes(self, outputs: Pulses) -> bool:  # noqa: ARG002
        """Return whether the packet before this one came a short while ago."""
        gap_ns = self.world.now_ns - self._before_ns
        self._before_ns = self.world.now_ns
        return gap_ns < self.SOON_NS


class NeedsTwoAtLeisure(NeedsTwo):
    """The same, with more time than single packets in a fade are apart."""

    SOON_NS = 350 * MS


class CountsFlickers(Receiver):
    """Engages at once in a silence when so many came before it that failsafe never answered."""

    FORGIVES: ClassVar[int] = 1 << 30
    """Good packets in a row that clear the count."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._flickers = self._good = 0

    def failsafe_due_ns(self) -> int | None:
        """Return when failsafe begins: after a short silence once the count is full."""
        if self._flickers >= MANY:
            return self.refreshed_ns + GAP_NS
        return super().failsafe_due_ns()

    def refresh(self) -> None:
        """Count a silence that this packet ends; the timer may be due sooner than it was."""
        silent = not self.in_failsafe and self.world.now_ns - self.refreshed_ns > GAP_NS
        self._good = 0 if silent else self._good + 1
        self._flickers = 0 if self._good >= self.FORGIVES else self._flickers + silent
        super().refresh()
        if self._flickers >= MANY:
            self.world.at(self.refreshed_ns + GAP_NS, self._look_for_loss, None)

    def change_outputs(self, outputs: Pulses, reason: OutputReason) -> None:
        """Clear the count with failsafe."""
        self._flickers = 0
        super().change_outputs(outputs, reason)


class ForgivesFlickers(CountsFlickers):
    """Clears the count after a few good packets in a row."""

    FORGIVES = IN_A_ROW


class SetsUpInFailsafe(Receiver):
    """Sets its radio up anew as failsafe begins: a packet that comes too soon spoils that."""

    SPOILT_NS: ClassVar[int] = DEAF_NS

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._ready_ns = self._deaf_until_ns = 0

    def change_outputs(self, outputs: Pulses, reason: OutputReason) -> None:
        """Begin to set up with failsafe."""
        if reason is OutputReason.FAILSAFE:
            self._ready_ns = self.world.now_ns + SETTING_UP_NS
        super().change_outputs(outputs, reason)

    def _queue(self, packet: Packet) -> bool:
        now_ns = self.world.now_ns
        if now_ns < self._ready_ns:
            self._ready_ns, self._deaf_until_ns = 0, now_ns + self.SPOILT_NS
        return now_ns >= self._deaf_until_ns and super()._queue(packet)


class SetsUpAgain(SetsUpInFailsafe):
    """Takes a packet in the middle of it for what it is: the radio works."""

    SPOILT_NS = 0


class Searches(Receiver):
    """Listens now and then only when nothing has come for a while."""

    EVERY_NS: ClassVar[int] = S
    FOR_NS: ClassVar[int] = 25 * MS

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._radio_ns = self.world.now_ns

    def hear(self, packet: Packet) -> bytes | None:
        """Hear nothing while asleep."""
        silent_ns = self.world.now_ns - self._radio_ns - SEARCHING_AFTER_NS
        if silent_ns > 0 and silent_ns % self.EVERY_NS < self.EVERY_NS - self.FOR_NS:
            return None
        self._radio_ns = self.world.now_ns
        return super().hear(packet)


class SearchesOften(Searches):
    """Listens ten times as often."""

    EVERY_NS = 100 * MS
    FOR_NS = 50 * MS


class UpsetByStrangers(Receiver):
    """Sets its radio up anew at each packet of another transmitter, and hears nothing meanwhile."""

    UPSET_NS: ClassVar[int] = 16 * MS

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._upset_until_ns = 0

    def hear(self, packet: Packet) -> bytes | None:
        """Hear nothing while the radio is set up."""
        if packet.sender != OWN:
            self._upset_until_ns = self.world.now_ns + self.UPSET_NS
        elif self.world.now_ns < self._upset_until_ns:
            return None
        return super().hear(packet)


class UpsetForAMoment(UpsetByStrangers):
    """Sets its radio up in less time than an own packet is away."""

    UPSET_NS = 2 * MS


DEFECTS = (
    Defect(
        name="failsafe-armed-late",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe is armed one and a half seconds after the receiver's start",
        cause="the timer is switched on at the end of a set-up that also waits for the supply",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="it is armed 100 ms after the start, before a link can be lost",
        patch=Patch(receiver=ArmsLate),
        near_patch=Patch(receiver=ArmsSoon),
    ),
    Defect(
        name="failsafe-held-off-by-jump",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="in the half second after the transmitter started, a link loss engages failsafe a second late",
        cause="packet numbers that jump are taken for a new link, which is given time to settle",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="it engages 10 ms later then, within the declared time",
        patch=Patch(receiver=HeldOffByJump),
        near_patch=Patch(receiver=HeldOffABit),
    ),
    Defect(
        name="failsafe-between-single-packets",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="the failsafe engages between packets of a fading link, for single ones do not hold it off",
        cause="a packet counts only if the one before it is at most 70 ms old, against stray ones",
        caught_by="no_false_failsafe",
        plan="failsafe",
        near_miss="it may be 350 ms old, and none that fades in or out is older",
        patch=Patch(receiver=NeedsTwo),
        near_patch=Patch(receiver=NeedsTwoAtLeisure),
    ),
    Defect(
        name="failsafe-counts-flickers",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="after fifteen short losses of the link the next one engages failsafe at once",
        cause="short losses are counted, as a warning, and only a failsafe clears the count",
        caught_by="no_false_failsafe",
        plan="failsafe",
        near_miss="ten good packets in a row clear the count",
        patch=Patch(receiver=CountsFlickers),
        near_patch=Patch(receiver=ForgivesFlickers),
    ),
    Defect(
        name="return-spoils-set-up",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="a link that comes back in the 150 ms after failsafe began stays lost for a second more",
        cause="the radio is set up anew as failsafe begins, and a packet in the middle of that spoils it",
        caught_by="failsafe_exit",
        plan="failsafe",
        near_miss="a packet in the middle of that is taken, for the radio works",
        patch=Patch(receiver=SetsUpInFailsafe),
        near_patch=Patch(receiver=SetsUpAgain),
    ),
    Defect(
        name="receiver-asleep-after-silence",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="after two seconds in which nothing was on the air the receiver listens once a second only",
        cause="a search mode saves current, and is meant for a model that waits on the ground",
        caught_by="failsafe_exit",
        plan="failsafe",
        near_miss="it listens ten times a second, half of the time",
        patch=Patch(receiver=Searches),
        near_patch=Patch(receiver=SearchesOften),
    ),
    Defect(
        name="stranger-upsets-radio",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="each packet of another transmitter makes the receiver deaf for 16 ms",
        cause="a packet with a wrong identity is taken for a fault of the radio, which is set up anew",
        caught_by="control_gap",
        plan="failsafe",
        near_miss="it is set up in 2 ms, before an own packet comes",
        patch=Patch(receiver=UpsetByStrangers),
        near_patch=Patch(receiver=UpsetForAMoment),
    ),
)

"""Defects that show at a link's limits: too many packets a second, too many at once, too long until back."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from harness.clock import MS, US
from mocks.air import Packet
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Receiver
from mocks.settings import MockSettings


class StartsItsRadioAgain(Receiver):
    """Starts its radio again when its queue of packets runs over, and is deaf meanwhile.

    The queue holds `HOLDS` packets and is worked off at one in `WORK_NS`; only its filling is modelled, not
    the delay in it.
    """

    HOLDS: ClassVar[int] = 16
    WORK_NS: ClassVar[int] = 4_800 * US
    DEAF_NS: ClassVar[int] = 3_500 * MS

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._waiting_ns = 0
        self._looked_ns = self._deaf_until_ns = self.world.now_ns

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet unless the radio is being started; one too many starts it."""
        now_ns = self.world.now_ns
        self._waiting_ns = max(0, self._waiting_ns - (now_ns - self._looked_ns))
        self._looked_ns = now_ns
        if now_ns < self._deaf_until_ns:
            return None
        if self._waiting_ns > (self.HOLDS - 1) * self.WORK_NS:
            self._waiting_ns = 0
            self._deaf_until_ns = now_ns + self.DEAF_NS
            return None
        self._waiting_ns += self.WORK_NS
        return super().hear(packet)


class StartsItsRadioFast(StartsItsRadioAgain):
    """Does so in a third of a second."""

    DEAF_NS = 300 * MS


class StartsItsRadioLate(Receiver):
    """Hears nothing for a while after its start."""

    LATE_NS: ClassVar[int] = 1_400 * MS

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet if the radio has been started."""
        started = self.world.now_ns - self.started_ns >= self.span_ns(self.LATE_NS)
        return super().hear(packet) if started else None


class StartsItsRadioSoon(StartsItsRadioLate):
    """Starts it within what the plan allows."""

    LATE_NS = 700 * MS


def _exchange(turn_round_ns: int) -> Patch:
    return Patch(settings=lambda settings: replace(settings, turn_round_ns=turn_round_ns))


def _fifo(depth: int) -> Patch:
    """Return a patch with a loop that comes round every 4.5 ms and a FIFO of this depth.

    A packet that finds the FIFO full is tried again for 2.7 ms (three retransmissions), and one exchange
    takes 0.44 ms: eight places bridge the loop, one does not.
    """

    def changed(settings: MockSettings) -> MockSettings:
        return replace(settings, receiver_loop_ns=4_500 * US, fifo_depth=depth)

    return Patch(settings=changed)


DEFECTS = (
    Defect(
        name="exchange-slow",
        felt=Felt.REACH,
        severity="nuisance",
        wrong="a packet and its acknowledgement take 8 ms: 125 packets a second at most",
        cause="a module that prepares the acknowledgement only when the packet has come",
        caught_by="throughput",
        plan="limits",
        near_miss="they take 5 ms, which leaves 190 packets a second",
        patch=_exchange(7_700 * US),
        near_patch=_exchange(4_700 * US),
    ),
    Defect(
        name="fifo-one-deep",
        felt=Felt.REACH,
        severity="nuisance",
        wrong="only one packet waits while the receiver's loop is busy: the next ones get lost in a burst",
        cause="the loop reads one packet and flushes the rest of the radio's FIFO",
        caught_by="back_to_back",
        plan="limits",
        near_miss="the loop is just as slow, and a queue of eight packets waits for it",
        patch=_fifo(1),
        near_patch=_fifo(8),
    ),
    Defect(
        name="overload-deafens",
        felt=Felt.REACH,
        severity="serious",
        wrong="after too many packets the receiver hears none for 3.5 s",
        cause="a queue that runs over starts the radio again from the beginning",
        caught_by="recovery",
        plan="limits",
        near_miss="the radio is started again as well, and is back in 0.3 s",
        patch=Patch(receiver=StartsItsRadioAgain),
        near_patch=Patch(receiver=StartsItsRadioFast),
    ),
    Defect(
        name="restart-slow",
        felt=Felt.CONTROL,
        severity="serious",
        wrong="after its restart the receiver hears nothing for 1.4 s",
        cause="a bootloader that waits, or servos that are moved before the radio is started",
        caught_by="recovery",
        plan="limits",
        near_miss="it hears nothing for 0.7 s, and 1 s is allowed",
        patch=Patch(receiver=StartsItsRadioLate),
        near_patch=Patch(receiver=StartsItsRadioSoon),
    ),
)

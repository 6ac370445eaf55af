"""Defects of a transmitter that hears no acknowledgement, though its packets arrive."""

from __future__ import annotations

from typing import ClassVar, Final

from mocks.air import Air
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.transmitter import Transmitter

PATIENCE: Final = 25
"""Half a second of packets at 50 Hz."""
FOR_EVER: Final = 10**9
MOST_TOLD: Final = 255
"""What the byte for attempts holds."""


class RestsUnheard(Transmitter):
    """Sends nothing for a while when so many packets in a row went without an acknowledgement."""

    RESTS: ClassVar[int] = 25
    """Packets that it leaves out."""

    def __init__(self, around: Surroundings, life: Life, air: Air) -> None:
        super().__init__(around, life, air)
        self._unheard = 0

    def _send(self, flags: int) -> None:
        if self._unheard < PATIENCE:
            super()._send(flags)
            return
        self._unheard += 1
        if self._unheard >= PATIENCE + self.RESTS:
            self._unheard = 0

    def _report(self, acked: int) -> None:
        self._unheard = 0 if acked else self._unheard + 1
        super()._report(acked)


class SkipsOneUnheard(RestsUnheard):
    """Leaves a single packet out, to look at its radio."""

    RESTS = 1


class InsistsOnAnswer(Transmitter):
    """Sends a packet again until it is acknowledged, however long that takes."""

    ATTEMPTS: ClassVar[int] = FOR_EVER

    def __init__(self, around: Surroundings, life: Life, air: Air) -> None:
        super().__init__(around, life, air)
        self._retransmissions = self.ATTEMPTS

    def _report(self, acked: int) -> None:
        self._attempts = min(self._attempts, MOST_TOLD)
        super()._report(acked)


class InsistsAWhile(InsistsOnAnswer):
    """Sends it again up to 15 times, which is over before the next packet is due."""

    ATTEMPTS = 15


DEFECTS = (
    Defect(
        name="rests-without-acknowledgements",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="after half a second without acknowledgements the transmitter sends nothing for as long",
        cause="to save current it pauses when nobody seems to listen, and the way back may just be weaker",
        caught_by="control_gap",
        plan="failsafe",
        near_miss="it leaves one packet out then, to look at its radio",
        patch=Patch(transmitter=RestsUnheard),
        near_patch=Patch(transmitter=SkipsOneUnheard),
    ),
    Defect(
        name="insists-on-acknowledgement",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="the transmitter sends one packet again until it is acknowledged: sticks freeze meanwhile",
        cause="a loop that waits for the acknowledgement, without a limit",
        caught_by="control_gap",
        plan="failsafe",
        near_miss="it sends a packet again up to 15 times, and then the next one",
        patch=Patch(transmitter=InsistsOnAnswer),
        near_patch=Patch(transmitter=InsistsAWhile),
    ),
)

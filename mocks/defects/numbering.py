"""Defects in how a receiver compares packet numbers: where they wrap, change sign, or begin again."""

from __future__ import annotations

from typing import ClassVar

from harness.clock import MS
from harness.codec.messages import OutputReason
from mocks.air import Packet
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Receiver

QUIET_NS = 45 * MS
"""Two packet periods at 50 packets a second, and a little: the transmitter was away."""
MANY_LOST = 1_000


def signed(value: int, bits: int) -> int:
    """Return the lowest `bits` of a number as two's complement."""
    half = 1 << bits - 1
    return (value + half) % (2 * half) - half


class Listens(Receiver):
    """Knows how long nothing at all was heard before the packet that comes now."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._radio_ns = self.world.now_ns
        self.quiet_ns = 0

    def hear(self, packet: Packet) -> bytes | None:
        """Note the time, and take the packet."""
        self.quiet_ns, self._radio_ns = self.world.now_ns - self._radio_ns, self.world.now_ns
        return super().hear(packet)


class TakesNewer(Listens):
    """Takes only packets that are newer than the newest so far; the others are acknowledged and dropped."""

    BITS: ClassVar[int] = 16

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._newest: int | None = None

    def newer(self, number: int, newest: int) -> bool:
        """Return whether a number comes after another: half of the circle of all numbers lies ahead."""
        return signed(number - newest, self.BITS) > 0

    def forgets(self, number: int) -> bool:  # noqa: ARG002
        """Return whether the packet that comes now is taken, newer or not."""
        return False

    def believed(self, packet: Packet) -> bool:
        """Return whether the packet is newer, or the newest again."""
        if not super().believed(packet):
            return False
        newest, number = self._newest, packet.number
        taken = newest is None or number == newest or self.forgets(number) or self.newer(number, newest)
        if taken:
            self._newest = number
        return taken


class TakesAnyAfterQuiet(TakesNewer):
    """Takes any number after some time without a packet."""

    def forgets(self, number: int) -> bool:  # noqa: ARG002
        """Return whether nothing was heard for more than two packet periods."""
        return self.quiet_ns > QUIET_NS


class ComparesBytes(TakesAnyAfterQuiet):
    """Compares only the low bytes: what is 128 to 255 packets ahead seems to be old."""

    BITS = 8


class ComparesSigned(TakesNewer):
    """Keeps numbers as signed 16-bit integers: none is above 32 767. A number near 0 is a restart."""

    NEAR_ZERO: ClassVar[int] = 16

    def forgets(self, number: int) -> bool:
        """Return whether the transmitter seems to have begun again."""
        return number < self.NEAR_ZERO

    def newer(self, number: int, newest: int) -> bool:
        """Return whether a number is greater than another, both with a sign."""
        return signed(number, 16) > signed(newest, 16)


class ZeroMeansNone(Receiver):
    """Takes a packet whose number is 0 for none, and looks at only so many bits of it."""

    MASK: ClassVar[int] = 0xFF

    def believed(self, packet: Packet) -> bool:
        """Return whether the number, as far as it is looked at, is not 0."""
        return super().believed(packet) and packet.number & self.MASK != 0


class ZeroOfSixteenBits(ZeroMeansNone):
    """Looks at the whole number."""

    MASK = 0xFFFF


class CountsLost(Listens):
    """Reckons the packets lost before each packet, and engages failsafe where they are very many.

    After some time without a packet it begins anew.
    """

    BITS: ClassVar[int] = 32

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._before: int | None = None

    def _apply(self, packet: Packet) -> None:
        super()._apply(packet)
        before, self._before = self._before, packet.number
        if before is None or self.quiet_ns > QUIET_NS:
            return
        if (packet.number - before - 1) % (1 << self.BITS) > MANY_LOST:
            self.in_failsafe = True
            self.change_outputs(self.failsafe_outputs(), OutputReason.FAILSAFE)


class CountsLostInSixteenBits(CountsLost):
    """Reckons in the 16 bits that the number has."""

    BITS = 16


DEFECTS = (
    Defect(
        name="number-refused-after-restart",
        felt=Felt.CONTROL,
        severity="serious",
        wrong="after the transmitter restarts no packet is taken until the numbers have caught up",
        cause="old packets are told by their number alone, and a restart begins at 0",
        caught_by="recovery",
        plan="limits",
        near_miss="any number is taken after 45 ms without a packet",
        patch=Patch(receiver=TakesNewer),
        near_patch=Patch(receiver=TakesAnyAfterQuiet),
    ),
    Defect(
        name="number-of-eight-bits",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="after 128 to 255 packets that got lost below the radio, the next ones pass for old",
        cause="only the low byte of the packet number is compared",
        caught_by="failsafe_exit",
        plan="failsafe",
        near_miss="all 16 bits of the packet number are compared in the same way",
        patch=Patch(receiver=ComparesBytes),
        near_patch=Patch(receiver=TakesAnyAfterQuiet),
    ),
    Defect(
        name="number-with-sign",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="after packet 32 767, eleven minutes after its start, the transmitter is no longer followed",
        cause="the packet number is kept in a signed 16-bit integer",
        caught_by="failsafe_exit",
        plan="failsafe",
        near_miss="the difference of two numbers is signed, which is right; after a pause any is taken",
        patch=Patch(receiver=ComparesSigned),
        near_patch=Patch(receiver=TakesAnyAfterQuiet),
    ),
    Defect(
        name="number-wrap-engages-failsafe",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="when the packet number wraps the failsafe engages for one packet: both motors cut out",
        cause="packets lost are reckoned in 32 bits: from 65 535 to 0 they seem to be four thousand million",
        caught_by="no_false_failsafe",
        plan="failsafe",
        near_miss="packets lost are reckoned in the 16 bits of the number",
        patch=Patch(receiver=CountsLost),
        near_patch=Patch(receiver=CountsLostInSixteenBits),
    ),
    Defect(
        name="number-zero-dropped",
        felt=Felt.MISSING,
        severity="nuisance",
        wrong="each packet whose number has a low byte of 0 is dropped: one in 256",
        cause="0 marks an empty place in a buffer that keeps numbers in bytes",
        caught_by="loss_pattern",
        plan="acceptance",
        near_miss="the whole number is looked at: one packet in 65 536 is dropped",
        patch=Patch(receiver=ZeroMeansNone),
        near_patch=Patch(receiver=ZeroOfSixteenBits),
    ),
)

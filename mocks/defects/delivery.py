"""Defects that lose packets: by what they hold, by when they come, or between the radio and the outputs."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from fractions import Fraction
from itertools import chain
from typing import ClassVar

from harness.clock import MS, US, S
from mocks.air import Packet
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver
from mocks.settings import MockSettings

FLAG = 0x7E
"""The flag octet between two frames of HDLC (RFC 1662, section 3.1)."""


def _octets(packet: Packet) -> list[int]:
    """Return a packet's number and pulses, low byte first."""
    return list(chain.from_iterable(word.to_bytes(2, "little") for word in (packet.number, *packet.pulses)))


class EndsAtFlag(Receiver):
    """Takes a byte 0x7E inside a packet for the end of the packet, and hears nothing whole."""

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet without that byte."""
        return None if FLAG in _octets(packet) else super().hear(packet)


class MissesFlagOnce(Receiver):
    """Misses such a packet at its first attempt; repetitions are scrambled anew and come through."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._missed: int | None = None

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet without that byte, or one that was missed before."""
        if FLAG in _octets(packet) and packet.number != self._missed:
            self._missed = packet.number
            return None
        return super().hear(packet)


class RefusesEnds(Receiver):
    """Throws a packet away in which a pulse is at the high end of its range."""

    def believed(self, packet: Packet) -> bool:
        """Return whether every pulse is below the end."""
        pulses = zip(self.link.channels, packet.pulses, strict=True)
        return super().believed(packet) and all(us < channel.range.high_us for channel, us in pulses)


class RefusesBeyondEnds(Receiver):
    """Throws a packet away in which a pulse is beyond the high end of its range."""

    def believed(self, packet: Packet) -> bool:
        """Return whether no pulse is beyond the end."""
        pulses = zip(self.link.channels, packet.pulses, strict=True)
        return super().believed(packet) and all(us <= channel.range.high_us for channel, us in pulses)


class LosesWithRate(Receiver):
    """Loses the more packets the faster they come: a share that grows from 0 at `FREE_NS` between two.

    The time between packets is the mean over the last `SEEN`, so that a short burst costs little.
    """

    FREE_NS: ClassVar[int] = 16 * MS
    SHARE: ClassVar[float] = 0.08
    SEEN: ClassVar[int] = 32

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._times: deque[int] = deque(maxlen=self.SEEN)
        self._last_heard: int | None = None

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet, or throw it away by chance."""
        if packet.number != self._last_heard:
            self._last_heard = packet.number
            self._times.append(self.world.now_ns)
        return super().hear(packet)

    def believed(self, packet: Packet) -> bool:
        """Return whether there was time for the packet."""
        if len(self._times) == self.SEEN:
            mean_ns = (self._times[-1] - self._times[0]) // (self.SEEN - 1)
            if mean_ns < self.FREE_NS and self.chance.random() < self.SHARE * (1 - mean_ns / self.FREE_NS):
                return False
        return super().believed(packet)


class LosesAboveUse(LosesWithRate):
    """Does so from 300 packets a second on."""

    FREE_NS = S // 300


class Discards(Receiver):
    """Throws a share of the packets away after the radio acknowledged them."""

    SHARE: ClassVar[float] = 0.03

    def believed(self, packet: Packet) -> bool:
        """Return whether a packet survives, by chance."""
        return super().believed(packet) and self.chance.random() >= self.SHARE


class DiscardsFew(Discards):
    """Throws very few away."""

    SHARE = 0.002


class FlushesWhenFull(Receiver):
    """Empties the radio's FIFO when a packet finds it full: all that wait are lost, acknowledged before."""

    def _queue(self, packet: Packet) -> bool:
        if len(self._fifo) >= self.settings.fifo_depth:
            self._fifo.clear()
        return super()._queue(packet)


class SetsAside(Receiver):
    """Now and then puts a packet aside and takes it after the next one."""

    SHARE: ClassVar[float] = 0.01

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._aside: Packet | None = None

    def put_aside(self, packet: Packet) -> bool:  # noqa: ARG002
        """Return whether a packet is put aside."""
        return self.chance.random() < self.SHARE

    def take_late(self, packet: Packet) -> None:
        """Take a packet after the one that was sent after it."""
        super()._queue(packet)

    def _queue(self, packet: Packet) -> bool:
        if self._aside is None and self.put_aside(packet):
            self._aside = packet
            return True
        taken = super()._queue(packet)
        if taken and self._aside is not None:
            late, self._aside = self._aside, None
            self.take_late(late)
        return taken


class DropsLate(SetsAside):
    """Puts fewer packets aside, and drops one for which a newer one came."""

    SHARE = 0.003

    def take_late(self, packet: Packet) -> None:
        """Take nothing."""


class AppliesAgainLate(SetsAside):
    """Applies a repeated packet once more, after the next one."""

    def takes_again(self) -> bool:
        """Return that a repeated packet is queued."""
        return True

    def put_aside(self, packet: Packet) -> bool:
        """Return whether the packet came before."""
        return packet.number == self._last_number

    def _queue(self, packet: Packet) -> bool:
        """Queue a packet; one that came before while another waits is forgotten."""
        return (self._aside is not None and self.put_aside(packet)) or super()._queue(packet)


class BufferTooShort(Receiver):
    """Reads a packet's last byte from a buffer that is one byte too short for six channels: always 0."""

    HOLDS: ClassVar[int] = 10
    """Bytes: a number of two, and 12 bits for each channel, the low byte last."""

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs, the last one without its low byte if the packet is too long."""
        if 2 + (12 * len(pulses) + 7) // 8 > self.HOLDS:
            pulses = (*pulses[:-1], pulses[-1] & ~0xFF)
        return super().shown(pulses)


class BufferFits(BufferTooShort):
    """Has a buffer that just holds a packet with six channels."""

    HOLDS = 11


def _lost_acknowledgements(settings: MockSettings) -> MockSettings:
    return replace(settings, ack_loss=Fraction(1, 20))


def _slow_loop(settings: MockSettings) -> MockSettings:
    return replace(settings, receiver_loop_ns=4_500 * US, retransmit_limit=6)


def _poor_air(retries: int) -> Patch:
    """26.5 % of all transmissions lost: 0.5 % of the packets with three repetitions, 1.9 % with two."""
    return Patch(settings=lambda old: replace(old, loss=Fraction(265, 1000), retransmit_limit=retries))


DEFECTS = (
    Defect(
        name="flag-byte-lost",
        felt=Felt.MISSING,
        severity="serious",
        wrong="a packet that happens to hold the byte 0x7E never arrives",
        cause="a serial bridge to the radio ends its frames with that byte and does not escape it",
        caught_by="loss_pattern",
        plan="acceptance",
        near_miss="such a packet is missed at the first attempt only",
        patch=Patch(receiver=EndsAtFlag),
        near_patch=Patch(receiver=MissesFlagOnce),
    ),
    Defect(
        name="end-stop-refused",
        felt=Felt.CONTROL,
        severity="serious",
        wrong="no packet is followed while any stick is at its high end, though all are acknowledged",
        cause="a test of the range with `<` where `<=` was meant",
        caught_by="control_gap",
        plan="first-look",
        near_miss="a packet is refused if a pulse is beyond the end of its range",
        patch=Patch(receiver=RefusesEnds),
        near_patch=Patch(receiver=RefusesBeyondEnds),
    ),
    Defect(
        name="loss-with-rate",
        felt=Felt.REACH,
        severity="nuisance",
        wrong="more packets are lost the faster they come, from 62 packets a second on",
        cause="unpacking a packet is not finished when the next one comes",
        caught_by="throughput",
        plan="limits",
        near_miss="the same happens from 300 packets a second on",
        patch=Patch(receiver=LosesWithRate),
        near_patch=Patch(receiver=LosesAboveUse),
    ),
    Defect(
        name="acknowledged-not-applied",
        felt=Felt.MISSING,
        severity="serious",
        wrong="3 % of the packets are acknowledged and thrown away",
        cause="the radio acknowledges by itself; an interrupt spoils the buffer before it is read",
        caught_by="delivery",
        plan="acceptance",
        near_miss="0.2 % of the packets are",
        patch=Patch(receiver=Discards),
        near_patch=Patch(receiver=DiscardsFew),
    ),
    Defect(
        name="fifo-flushed",
        felt=Felt.MISSING,
        severity="serious",
        wrong="a packet that finds the radio's FIFO full has it emptied: those that waited are lost",
        cause="an overflow is answered with the radio's command to flush",
        caught_by="loss_pattern",
        plan="acceptance",
        near_miss="the loop is as slow; what finds the FIFO full is not acknowledged, and comes again",
        patch=Patch(settings=_slow_loop, receiver=FlushesWhenFull),
        near_patch=Patch(settings=_slow_loop),
    ),
    Defect(
        name="late-packet-applied",
        felt=Felt.WRONG,
        severity="serious",
        wrong="one packet in a hundred is applied after the one that was sent after it",
        cause="two tasks take packets from the radio, and one of them is held up",
        caught_by="order",
        plan="failsafe",
        near_miss="one in three hundred is held up, and dropped because a newer one was applied",
        patch=Patch(receiver=SetsAside),
        near_patch=Patch(receiver=DropsLate),
    ),
    Defect(
        name="duplicate-applied-late",
        felt=Felt.WRONG,
        severity="serious",
        wrong="a packet whose acknowledgement was lost is applied again after the next one",
        cause="repeated packets wait in a second buffer that is read when the next packet comes",
        caught_by="duplicates",
        plan="failsafe",
        near_miss="just as many acknowledgements are lost, and the repeated packets are dropped",
        patch=Patch(settings=_lost_acknowledgements, receiver=AppliesAgainLate),
        near_patch=Patch(settings=_lost_acknowledgements),
    ),
    Defect(
        name="retry-missing",
        felt=Felt.REACH,
        severity="serious",
        wrong="a packet is repeated twice instead of three times, on air that loses a quarter",
        cause="the number of repetitions was taken for the number of attempts",
        caught_by="delivery",
        plan="acceptance",
        near_miss="it is repeated four times on the same air",
        patch=_poor_air(2),
        near_patch=_poor_air(4),
    ),
    Defect(
        name="packet-buffer-short",
        felt=Felt.WRONG,
        severity="dangerous",
        wrong="the last byte of a packet with six channels is lost: the last output is wrong",
        cause="a buffer made for five channels",
        caught_by="fidelity",
        plan="acceptance",
        near_miss="the buffer holds a packet with six channels to the byte",
        patch=Patch(receiver=BufferTooShort, needs_channels=6),
        near_patch=Patch(receiver=BufferFits, needs_channels=6),
    ),
)

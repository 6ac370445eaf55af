"""Defects that make control late now and then, later and later, or behind something less urgent."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from fractions import Fraction
from typing import ClassVar

from harness.clock import MS, US, S
from mocks.air import Packet
from mocks.defects.delays import SendsOldSticks
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import WRAP_MASK, Life, Surroundings
from mocks.receiver import Receiver
from mocks.settings import MockSettings

HOUR_NS = 3_600 * S


class AppliesLater(Receiver):
    """Applies each packet after the time that `delay_ns` says, in the order in which they came."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._free_ns = 0

    def delay_ns(self) -> int:
        """Return how long the packet that comes now has to wait."""
        raise NotImplementedError

    def _queue(self, packet: Packet) -> bool:
        self._free_ns = max(self._free_ns, self.world.now_ns + self.delay_ns())
        if self._free_ns <= self.world.now_ns:
            return super()._queue(packet)
        self.world.at(self._free_ns, self._take_late, packet)
        return True

    def _take_late(self, packet: Packet) -> None:
        if self.alive and not self._deaf():
            super()._queue(packet)


class DelaysMoreAndMore(AppliesLater):
    """Takes longer for each packet the longer it has been on, up to a limit."""

    IN_AN_HOUR_NS: ClassVar[int] = 5 * MS
    MOST_NS: ClassVar[int] = 80 * MS

    def delay_ns(self) -> int:
        """Return a time that grows by 1.4 us a second."""
        return min((self.world.now_ns - self.started_ns) * self.IN_AN_HOUR_NS // HOUR_NS, self.MOST_NS)


class DelaysALittle(DelaysMoreAndMore):
    """Does so for the first minutes only."""

    MOST_NS = 20 * US


class Stalls(AppliesLater):
    """Stands still for a while at every thousandth packet; the packets after it wait too."""

    EVERY: ClassVar[int] = 1_000
    STALL_NS: ClassVar[int] = 150 * MS

    def delay_ns(self) -> int:
        """Return the stall, or nothing."""
        return self.STALL_NS if self._heard % self.EVERY == self.EVERY // 2 else 0


class StallsBriefly(Stalls):
    """Stands still for less than three packet periods."""

    STALL_NS = 50 * MS


class TelemetryFirst(AppliesLater):
    """Makes a telemetry frame at every fifth packet before it applies that packet."""

    EVERY: ClassVar[int] = 5
    FRAME_NS: ClassVar[int] = 18 * MS

    def delay_ns(self) -> int:
        """Return the time that a frame takes, if one is due."""
        return self.FRAME_NS if self._heard % self.EVERY == 0 else 0


class TelemetryQuick(TelemetryFirst):
    """Makes it in 4 ms."""

    FRAME_NS = 4 * MS


class QueueNeverEmpties(Receiver):
    """Applies the oldest of the packets that wait when a new one comes; in a burst one more is left behind.

    A burst is told by packets that come within half a packet period of each other.
    """

    MOST: ClassVar[int] = 3

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._waiting: deque[Packet] = deque()
        self._came_ns = self.world.now_ns - self.link.packet_period_ns

    def _queue(self, packet: Packet) -> bool:
        in_burst = self.world.now_ns - self._came_ns < self.link.packet_period_ns // 2
        self._came_ns = self.world.now_ns
        self._waiting.append(packet)
        if in_burst and len(self._waiting) <= self.MOST:
            return True
        return super()._queue(self._waiting.popleft())


class QueueEmptiesSoon(QueueNeverEmpties):
    """Leaves packets behind in a burst too, and has applied them all 10 ms later."""

    SOON_NS: ClassVar[int] = 10 * MS

    def _queue(self, packet: Packet) -> bool:
        if not self._waiting:
            self.world.at(self.world.now_ns + self.SOON_NS, self._empty, None)
        return super()._queue(packet)

    def _empty(self, _: None) -> None:
        self._come_round(None)
        while self._waiting and self.alive:
            self._apply(self._waiting.popleft())


class ConvertsAfterSampling(SendsOldSticks):
    """Samples the sticks, then waits for a slow conversion before it sends them; its report says so."""

    WAIT_NS = 18 * MS

    def _send(self, flags: int) -> None:
        super()._send(flags)
        if self._busy:
            waited_ns = min(self.WAIT_NS, self.world.now_ns - self.started_ns)
            self._sampled_us = self._sampled_us - waited_ns // US & WRAP_MASK


class ConvertsQuickly(ConvertsAfterSampling):
    """Waits for a conversion of 5 ms."""

    WAIT_NS = 5 * MS


def _repeats(delay_ns: int) -> Patch:
    """Return a patch with a tenth of all transmissions lost, and so long until a packet is repeated."""

    def changed(settings: MockSettings) -> MockSettings:
        return replace(settings, loss=Fraction(1, 10), retransmit_delay_ns=delay_ns)

    return Patch(settings=changed)


DEFECTS = (
    Defect(
        name="latency-creeps",
        felt=Felt.LATE,
        severity="serious",
        wrong="each packet takes longer than the one before: 5 ms more with each hour",
        cause="a list that is searched from its beginning for each packet, and only ever gets longer",
        caught_by="drift",
        plan="soak",
        near_miss="it takes 20 us more after the first quarter of a minute, and then no more",
        patch=Patch(receiver=DelaysMoreAndMore),
        near_patch=Patch(receiver=DelaysALittle),
    ),
    Defect(
        name="rare-stall",
        felt=Felt.MISSING,
        severity="serious",
        wrong="at every thousandth packet the receiver stands still for 150 ms",
        cause="a page of flash memory is full of log, and the next one is erased",
        caught_by="control_gap",
        plan="acceptance",
        near_miss="it stands still for 50 ms",
        patch=Patch(receiver=Stalls),
        near_patch=Patch(receiver=StallsBriefly),
    ),
    Defect(
        name="telemetry-first",
        felt=Felt.LATE,
        severity="serious",
        wrong="every fifth packet waits 18 ms while a telemetry frame is made",
        cause="the task that reads the sensors holds a lock that the control task needs",
        caught_by="latency",
        plan="first-look",
        near_miss="every fifth packet waits 4 ms",
        patch=Patch(receiver=TelemetryFirst),
        near_patch=Patch(receiver=TelemetryQuick),
    ),
    Defect(
        name="queue-never-empties",
        felt=Felt.LATE,
        severity="serious",
        wrong="after the first burst the receiver stays three packets behind, for good",
        cause="each interrupt takes one packet out, however many wait",
        caught_by="control_age",
        plan="acceptance",
        near_miss="what a burst leaves behind has been applied 10 ms later",
        patch=Patch(receiver=QueueNeverEmpties),
        near_patch=Patch(receiver=QueueEmptiesSoon),
    ),
    Defect(
        name="conversion-after-sampling",
        felt=Felt.LATE,
        severity="serious",
        wrong="the sticks are sampled 18 ms before the packet that carries them is sent",
        cause="a slow conversion, of the battery's voltage, stands between sampling and sending",
        caught_by="latency",
        plan="first-look",
        near_miss="the conversion takes 5 ms",
        patch=Patch(transmitter=ConvertsAfterSampling),
        near_patch=Patch(transmitter=ConvertsQuickly),
    ),
    Defect(
        name="repetition-late",
        felt=Felt.LATE,
        severity="nuisance",
        wrong="a lost packet is repeated only after 18 ms, on air that loses one in ten",
        cause="the radio's register for the delay counts in steps of 250 us, and was set to milliseconds",
        caught_by="latency",
        plan="acceptance",
        near_miss="it is repeated after 1.5 ms on the same air",
        patch=_repeats(18 * MS),
        near_patch=_repeats(1_500 * US),
    ),
)

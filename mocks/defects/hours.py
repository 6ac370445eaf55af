"""Defects that take hours to show: what gets worse little by little, or comes once in a long while."""

from __future__ import annotations

from typing import ClassVar

from harness.clock import MS, S
from mocks.air import Packet
from mocks.defects.delivery import DiscardsFew
from mocks.defects.latency import HOUR_NS, AppliesLater
from mocks.defects.model import Defect, Felt, Patch
from mocks.receiver import FREE_MEMORY, Receiver


class LeaksMemory(Receiver):
    """Takes a block of memory now and then and never gives it back."""

    BLOCK: ClassVar[int] = 4
    BLOCKS_AN_HOUR: ClassVar[int] = 25
    MOST: ClassVar[int] = 960

    def free_memory(self) -> int:
        """Return what is left; a board that had nothing left would restart."""
        blocks = (self.world.now_ns - self.started_ns) * self.BLOCKS_AN_HOUR // HOUR_NS
        return FREE_MEMORY - min(self.BLOCK * blocks, self.MOST)


class TakesMemoryOnce(LeaksMemory):
    """Takes memory in the first minute, while its buffers grow to what they need."""

    BLOCKS_AN_HOUR = 12_000
    MOST = 400


class LosesMoreEachHour(Receiver):
    """Loses packets by chance, a few more of them each hour."""

    IN_AN_HOUR: ClassVar[float] = 0.006

    def believed(self, packet: Packet) -> bool:
        """Return whether the packet survives."""
        share = self.IN_AN_HOUR * (self.world.now_ns - self.started_ns) / HOUR_NS
        return super().believed(packet) and self.chance.random() >= share


class StallsOnceAnHour(AppliesLater):
    """Stands still once in some time; the packets after it wait too."""

    EVERY_NS: ClassVar[int] = 37 * 60 * S
    STALL_NS: ClassVar[int] = 300 * MS

    def delay_ns(self) -> int:
        """Return what is left of a stall that is under way, or nothing."""
        since = (self.world.now_ns - self.started_ns) % self.EVERY_NS
        first = self.world.now_ns - self.started_ns < self.EVERY_NS
        return 0 if first else max(0, self.STALL_NS - since)


class StallsBrieflyOnceAnHour(StallsOnceAnHour):
    """Stands still for less than three packet periods."""

    STALL_NS = 50 * MS


DEFECTS = (
    Defect(
        name="memory-leaks",
        felt=Felt.CONTROL,
        severity="serious",
        wrong="the receiver has 100 bytes less of free memory each hour",
        cause="a text is put together for the log, and one of its parts is never given back",
        caught_by="drift",
        plan="soak",
        near_miss="buffers grow to 400 bytes in the first minute and then no more",
        patch=Patch(receiver=LeaksMemory),
        near_patch=Patch(receiver=TakesMemoryOnce),
    ),
    Defect(
        name="loss-creeps",
        felt=Felt.MISSING,
        severity="serious",
        wrong="each hour 0.6 % more of the packets are lost",
        cause="a regulator gets warm in its box, and its voltage sags a little when the radio listens",
        caught_by="drift",
        plan="soak",
        near_miss="0.2 % of the packets are lost, from first to last",
        patch=Patch(receiver=LosesMoreEachHour),
        near_patch=Patch(receiver=DiscardsFew),
    ),
    Defect(
        name="stall-once-an-hour",
        felt=Felt.CONTROL,
        severity="serious",
        wrong="every 37 minutes the receiver stands still for 300 ms",
        cause="a clock is set by a crystal that sleeps, and waking it takes its time",
        caught_by="control_gap",
        plan="soak",
        near_miss="it stands still for 50 ms",
        patch=Patch(receiver=StallsOnceAnHour),
        near_patch=Patch(receiver=StallsBrieflyOnceAnHour),
    ),
)

"""Defects that make control late without losing any of it."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from typing import ClassVar

from harness.clock import MS
from harness.codec.messages import Result, Sticks
from mocks.air import Air, Packet
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Receiver
from mocks.settings import MockSettings
from mocks.transmitter import Sample, Transmitter


class SendsOldSticks(Transmitter):
    """Sends the stick positions of a while ago: they wait in a queue of samples."""

    WAIT_NS: ClassVar[int] = 80 * MS

    def __init__(self, around: Surroundings, life: Life, air: Air) -> None:
        super().__init__(around, life, air)
        self._samples = deque([(self.world.now_ns, self.sticks)])

    def _take_sticks(self, sticks: Sticks) -> Result | None:
        refused = super()._take_sticks(sticks)
        self._samples.append((self.world.now_ns, self.sticks))
        return refused

    def let_go(self) -> None:
        """Go back to its own sticks at once."""
        super().let_go()
        self._samples = deque([(self.world.now_ns, self.sticks)])

    def sampled(self) -> Sample:
        """Return the newest positions that have waited long enough, or the oldest ones."""
        ripe_ns = self.world.now_ns - self.WAIT_NS
        while len(self._samples) > 1 and self._samples[1][0] <= ripe_ns:
            self._samples.popleft()
        return self._samples[0][1]


class SendsRecentSticks(SendsOldSticks):
    """Samples its sticks half a packet period of 20 ms before it sends them."""

    WAIT_NS = 10 * MS


class AppliesOldest(Receiver):
    """Applies the oldest packet that waits whenever a new one comes, and lets two wait."""

    WAITING: ClassVar[int] = 2

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._waiting: deque[Packet] = deque()

    def _queue(self, packet: Packet) -> bool:
        self._waiting.append(packet)
        return len(self._waiting) <= self.WAITING or super()._queue(self._waiting.popleft())


def _empties_often(settings: MockSettings) -> MockSettings:
    return replace(settings, receiver_loop_ns=8 * MS)


def _acknowledges_by_hand(settings: MockSettings) -> MockSettings:
    return replace(settings, turn_round_ns=10 * MS)


def _acknowledges_slowly(settings: MockSettings) -> MockSettings:
    return replace(settings, turn_round_ns=2 * MS)


DEFECTS = (
    Defect(
        name="sticks-queued",
        felt=Felt.LATE,
        severity="serious",
        wrong="stick positions wait 80 ms in the transmitter before a packet takes them",
        cause="samples pass through a queue that a smoothing filter once needed",
        caught_by="latency",
        plan="regression",
        near_miss="sticks are sampled 10 ms before each packet",
        patch=Patch(transmitter=SendsOldSticks),
        near_patch=Patch(transmitter=SendsRecentSticks),
    ),
    Defect(
        name="packets-queued",
        felt=Felt.LATE,
        severity="serious",
        wrong="the receiver is always two packets behind",
        cause="each interrupt takes one packet out of a FIFO that filled up while nobody looked",
        caught_by="control_age",
        plan="regression",
        near_miss="the receiver comes round every 8 ms and empties the FIFO",
        patch=Patch(receiver=AppliesOldest),
        near_patch=Patch(settings=_empties_often),
    ),
    Defect(
        name="acknowledgement-late",
        felt=Felt.LATE,
        severity="nuisance",
        wrong="acknowledgements take 10 ms",
        cause="the receiver's loop makes the acknowledgement, not the radio",
        caught_by="latency",
        plan="regression",
        near_miss="acknowledgements take 2 ms",
        patch=Patch(settings=_acknowledges_by_hand),
        near_patch=Patch(settings=_acknowledges_slowly),
    ),
)

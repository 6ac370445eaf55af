"""Defects in which an output goes by more than its stick: by how it moved, or by what was before."""

from __future__ import annotations

from collections import deque
from typing import ClassVar, Final

from harness.clock import US
from harness.codec.messages import StartCause
from mocks.defects.fidelity import OneOutput
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver
from mocks.transmitter import Transmitter

FRAME_NS: Final = 22_500 * US
"""A frame of eight servo pulses, one after the other: common practice, no source."""
WRITES_NS: Final = 2_500 * US
"""Part of it in which the first control surface's pulse is made."""
LOW_BYTE: Final = 0xFF
AVERAGED: Final = 4
RAMP_PACKETS: Final = 16


class Sticks(OneOutput):
    """Follows the stick only once it is 3 us away from the output."""

    LEAST_US: ClassVar[int] = 3

    def turned(self, pulse_us: int) -> int:
        """Return the pulse, or the output as it was."""
        now = self.outputs[self.number]
        return pulse_us if abs(pulse_us - now) >= self.LEAST_US else now


class WritesChanges(Sticks):
    """Leaves an output alone that already has its pulse."""

    LEAST_US = 1


class Tears(OneOutput):
    """Is interrupted by a servo pulse after it wrote the low byte of its width, and before the high byte."""

    LOCKED: ClassVar[bool] = False

    def turned(self, pulse_us: int) -> int:
        """Return the pulse; one that is being made takes its new low byte and its old high byte."""
        making = (self.world.now_ns - self.started_ns) % FRAME_NS < WRITES_NS
        if making and not self.LOCKED:
            return self.outputs[self.number] & ~LOW_BYTE | pulse_us & LOW_BYTE
        return pulse_us


class LocksUpdate(Tears):
    """Holds interrupts off while it writes both bytes."""

    LOCKED = True


class AddsUpMoves(OneOutput):
    """Keeps an output in timer ticks of 0.8 us and adds each move to it, rounded down to whole ticks."""

    TICKS: ClassVar[int] = 5
    PULSES: ClassVar[int] = 4
    CARRIES: ClassVar[bool] = False

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._last = self.channel.middle_us
        self._ticks = self._left = 0

    def turned(self, pulse_us: int) -> int:
        """Return the sum of all moves so far."""
        move, self._last = pulse_us - self._last, pulse_us
        ticks, left = divmod(move * self.TICKS + self._left, self.PULSES)
        self._ticks += ticks
        self._left = left if self.CARRIES else 0
        quarters = self._ticks * self.PULSES + self._left
        return max(0, self.channel.middle_us + quarters // self.TICKS)


class CarriesRemainder(AddsUpMoves):
    """Keeps what the rounding leaves for the next move."""

    CARRIES = True


class Averages(Receiver):
    """Drives the mean of the last four packets."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._recent: deque[Pulses] = deque(maxlen=AVERAGED)

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the means, rounded down."""
        self._recent.append(super().shown(pulses))
        return tuple(sum(channel) // len(self._recent) for channel in zip(*self._recent, strict=True))


class AveragesReadings(Transmitter):
    """Reads each stick four times for one packet and sends the mean."""

    def carried(self, sticks: Pulses) -> Pulses:
        """Return the means of four readings of one moment."""
        return tuple(sum([pulse] * AVERAGED) // AVERAGED for pulse in sticks)


class Overshoots(OneOutput):
    """Goes beyond a new pulse by an eighth of the move, for one packet."""

    SHARE: ClassVar[int] = 8

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._last = self.channel.rest_us

    def turned(self, pulse_us: int) -> int:
        """Return the pulse and a part of the move to it."""
        move, self._last = pulse_us - self._last, pulse_us
        return pulse_us + int(move / self.SHARE)


class OvershootsBarely(Overshoots):
    """Goes beyond it by so small a part that no step of the output is left of the longest move."""

    SHARE = 4096


class StartsSoftly(OneOutput):
    """After a start, moves a control surface from its failsafe pulse to its stick over 16 packets."""

    ONLY_AT_POWER_UP: ClassVar[bool] = False

    def turned(self, pulse_us: int) -> int:
        """Return the pulse, or what the ramp allows."""
        if self.packets >= RAMP_PACKETS or (self.ONLY_AT_POWER_UP and self.life.cause != StartCause.POWER):
            return pulse_us
        start = self.failsafe_outputs()[self.number]
        return start + (pulse_us - start) * self.packets // RAMP_PACKETS


class StartsSoftlyOnce(StartsSoftly):
    """Does so only when the supply is switched on."""

    ONLY_AT_POWER_UP = True


DEFECTS = (
    Defect(
        name="output-sticks",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="the first control surface does not follow moves of 1 us and 2 us",
        cause="small changes are ignored to spare the servo",
        caught_by="fidelity",
        plan="acceptance",
        near_miss="an output that already has its pulse is not written again",
        patch=Patch(receiver=Sticks),
        near_patch=Patch(receiver=WritesChanges),
    ),
    Defect(
        name="update-torn",
        felt=Felt.WRONG,
        severity="serious",
        wrong="now and then a servo pulse has its new low byte and its old high byte",
        cause="an interrupt reads 16 bits while an 8-bit processor is half-way through writing them",
        caught_by="fidelity",
        plan="acceptance",
        near_miss="interrupts are held off while both bytes are written",
        patch=Patch(receiver=Tears),
        near_patch=Patch(receiver=LocksUpdate),
    ),
    Defect(
        name="rounding-drifts",
        felt=Felt.WRONG,
        severity="serious",
        wrong="the first control surface creeps away with every move, until a restart",
        cause="moves are added up in whole timer ticks, each one rounded down",
        caught_by="fidelity",
        plan="first-look",
        near_miss="what the rounding leaves is kept for the next move",
        patch=Patch(receiver=AddsUpMoves),
        near_patch=Patch(receiver=CarriesRemainder),
    ),
    Defect(
        name="outputs-smeared",
        felt=Felt.WRONG,
        severity="serious",
        wrong="each output is the mean of the last four packets",
        cause="a filter against trembling sticks",
        caught_by="fidelity",
        plan="first-look",
        near_miss="each stick is read four times for one packet, and the mean of these is sent",
        patch=Patch(receiver=Averages),
        near_patch=Patch(transmitter=AveragesReadings),
    ),
    Defect(
        name="output-overshoots",
        felt=Felt.WRONG,
        severity="serious",
        wrong="a quick move goes beyond its end by an eighth for one packet, out of the range too",
        cause="a lead that makes slow servos quicker, added after the limits",
        caught_by="output_range",
        plan="failsafe",
        near_miss="the lead is so small that rounding leaves nothing of it",
        patch=Patch(receiver=Overshoots),
        near_patch=Patch(receiver=OvershootsBarely),
    ),
    Defect(
        name="soft-start-in-flight",
        felt=Felt.CONTROL,
        severity="serious",
        wrong="after a restart a control surface takes 16 packets to reach its stick",
        cause="a soft start that spares the servos at power-up, and runs after every other start too",
        caught_by="fidelity",
        plan="failsafe",
        near_miss="it runs only when the supply is switched on, with every stick at rest",
        patch=Patch(receiver=StartsSoftly),
        near_patch=Patch(receiver=StartsSoftlyOnce),
    ),
)

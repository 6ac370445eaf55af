"""Defects that show only when two things meet that no step of a shipped plan brings together on purpose."""

from __future__ import annotations

from collections import deque
from typing import ClassVar, Final

from harness.clock import S
from harness.codec.messages import OutputReason
from mocks.air import Air
from mocks.defects.fidelity import changed
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver
from mocks.transmitter import Transmitter

FAR_US: Final = 400
MANY: Final = 3
MANY_LOSSES: Final = 3
HALF_WORD: Final = 0x7FFF


class KeepsBehindTwo(Receiver):
    """Leaves the third channel where it was while the first two are in the upper tenth of their travel."""

    TENTHS: ClassVar[int] = 9

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs, with the third one held."""
        outputs = super().shown(pulses)
        for channel, pulse in zip(self.link.channels[:2], pulses[:2], strict=True):
            low, high = channel.range.low_us, channel.range.high_us
            if 10 * (pulse - low) <= self.TENTHS * (high - low):
                return outputs
        return changed(outputs, 2, self.outputs[2])


class KeepsBehindNone(KeepsBehindTwo):
    """Would do so beyond the upper end."""

    TENTHS = 10


class CopiesNeighbour(Receiver):
    """Reads a mark for a pulse that equals the channel before, and resolves it with the last packet's."""

    FRESH: ClassVar[bool] = False

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._before: Pulses | None = None

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs for the pulses as they are read."""
        source = pulses if self.FRESH or self._before is None else self._before
        self._before = pulses
        read = list(pulses)
        for number in range(1, len(pulses)):
            if pulses[number] == pulses[number - 1]:
                read[number] = source[number - 1]
        return super().shown(tuple(read))


class CopiesFresh(CopiesNeighbour):
    """Takes that channel's pulse of the same packet."""

    FRESH = True


class DoubtsLeaps(Receiver):
    """Takes a packet in which three channels leap by more than 400 us for a damaged one, the first time."""

    LEAP_US: ClassVar[int] = FAR_US

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._before: Pulses | None = None

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs, or those of before."""
        before, self._before = self._before, pulses
        outputs = super().shown(pulses)
        if before is None or self.in_failsafe:
            return outputs
        leaps = sum(abs(new - old) > self.LEAP_US for new, old in zip(pulses, before, strict=True))
        return self.outputs if leaps >= MANY else outputs


class DoubtsTheImpossible(DoubtsLeaps):
    """Takes only leaps that are longer than any travel for damage."""

    LEAP_US = 4095


class ForgetsHeldEnd(Receiver):
    """In failsafe lets a channel that should hold go to its centre, if it stands at the end of its travel."""

    BEYOND_US: ClassVar[int] = 0

    def failsafe_outputs(self) -> Pulses:
        """Return the outputs, with those channels at their centre."""
        outputs = list(super().failsafe_outputs())
        for number, channel in enumerate(self.link.channels):
            top = channel.range.high_us + self.BEYOND_US
            if channel.failsafe_us is None and outputs[number] >= top:
                outputs[number] = channel.middle_us
        return tuple(outputs)


class HoldsAtEnd(ForgetsHeldEnd):
    """Takes a pulse beyond the end for one that was never set."""

    BEYOND_US = 1


class TiresOfLosses(Receiver):
    """Takes three link losses within `WITHIN_NS` for a test of range, and holds every output from then on."""

    WITHIN_NS: ClassVar[int] = 6 * S

    def __init__(self, around: Surroundings, life: Life) -> None:
        self._losses: deque[int] = deque(maxlen=MANY_LOSSES)
        super().__init__(around, life)

    def failsafe_outputs(self) -> Pulses:
        """Return the outputs as they are, if there were so many losses before."""
        if len(self._losses) == MANY_LOSSES and self.world.now_ns - self._losses[0] < self.WITHIN_NS:
            return self.outputs
        return super().failsafe_outputs()

    def change_outputs(self, outputs: Pulses, reason: OutputReason) -> None:
        """Drive the outputs, and count losses."""
        super().change_outputs(outputs, reason)
        if reason is OutputReason.FAILSAFE:
            self._losses.append(self.world.now_ns)


class NeverTires(TiresOfLosses):
    """Would do so after three losses within 1 s, in which failsafe has not engaged three times."""

    WITHIN_NS = S


class SpillsTelemetry(Receiver):
    """Puts the top bit of a telemetry value into the last channel, for one packet."""

    SPILT: ClassVar[int] = 1

    def __init__(self, around: Surroundings, life: Life) -> None:
        self._spilt = 0
        super().__init__(around, life)

    def sensed(self, raw: list[int]) -> list[int]:
        """Return the values, and note whether one of them has its top bit set."""
        values = super().sensed(raw)
        if any(value < 0 or value > HALF_WORD for value in values):
            self._spilt = self.SPILT
        return values

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs, the last one with that bit turned."""
        outputs = super().shown(pulses)
        spilt, self._spilt = self._spilt, 0
        return changed(outputs, len(outputs) - 1, outputs[-1] ^ spilt)


class SpillsBesideIt(SpillsTelemetry):
    """Puts it into a byte that nobody reads."""

    SPILT = 0


class RetriesFromBuffer(Transmitter):
    """Sends a packet again from a buffer in which the last channel is still the one of the packet before."""

    FRESH: ClassVar[bool] = False

    def __init__(self, around: Surroundings, life: Life, air: Air) -> None:
        super().__init__(around, life, air)
        self._before = self._now = self.link.rest_us[-1]

    def carried(self, sticks: Pulses) -> Pulses:
        """Return the pulses as they are sent first."""
        self._before, self._now = self._now, sticks[-1]
        return super().carried(sticks)

    def unanswered(self, _: None) -> None:
        """Try again with what stands in the buffer."""
        if not self.FRESH:
            pulses = self._packet.pulses
            self._packet = self._packet._replace(pulses=changed(pulses, len(pulses) - 1, self._before))
        super().unanswered(None)


class RetriesFromCopy(RetriesFromBuffer):
    """Sends it again from a copy."""

    FRESH = True


DEFECTS = (
    Defect(
        name="third-channel-waits",
        felt=Felt.WRONG,
        severity="serious",
        wrong="the third channel stands still while the first two are near their upper ends",
        cause="two long pulses leave no time in the servo frame to load the third",
        caught_by="fidelity",
        plan="first-look",
        near_miss="time would run out only with pulses beyond the upper end",
        patch=Patch(receiver=KeepsBehindTwo, needs_channels=3),
        near_patch=Patch(receiver=KeepsBehindNone, needs_channels=3),
    ),
    Defect(
        name="equal-channels-lag",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="a channel that equals the one before it is a packet late",
        cause="equal pulses are sent as a mark, and the mark is resolved with the last packet",
        caught_by="fidelity",
        plan="first-look",
        near_miss="the mark is resolved with the packet that it came in",
        patch=Patch(receiver=CopiesNeighbour, needs_channels=2),
        near_patch=Patch(receiver=CopiesFresh, needs_channels=2),
    ),
    Defect(
        name="leaps-doubted",
        felt=Felt.WRONG,
        severity="serious",
        wrong="a packet in which three sticks leap at once changes nothing until the next one",
        cause="a filter against damaged packets that knows only gentle flying",
        caught_by="fidelity",
        plan="first-look",
        near_miss="only leaps that are longer than any travel are taken for damage",
        patch=Patch(receiver=DoubtsLeaps, needs_channels=3),
        near_patch=Patch(receiver=DoubtsTheImpossible, needs_channels=3),
    ),
    Defect(
        name="held-end-forgotten",
        felt=Felt.CONTROL,
        severity="serious",
        wrong="in failsafe a channel that should hold goes to its centre if it stands at its upper end",
        cause="the highest pulse also means: never set",
        caught_by="failsafe_outputs",
        plan="failsafe",
        near_miss="a pulse beyond the upper end means: never set",
        patch=Patch(receiver=ForgetsHeldEnd),
        near_patch=Patch(receiver=HoldsAtEnd),
    ),
    Defect(
        name="failsafe-tires",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="after three link losses within 6 s the failsafe holds every output, the throttle too",
        cause="a mode for range tests that switches itself on when the link comes and goes",
        caught_by="failsafe_outputs",
        plan="failsafe",
        near_miss="it would take three losses within 1 s, in which failsafe cannot engage three times",
        patch=Patch(receiver=TiresOfLosses, needs_throttle=True),
        near_patch=Patch(receiver=NeverTires, needs_throttle=True),
    ),
    Defect(
        name="telemetry-spills",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="a new telemetry value with its top bit set puts the last channel 1 us off for one packet",
        cause="a shift of a signed value writes one byte too far",
        caught_by="fidelity",
        plan="first-look",
        near_miss="the byte beyond is one that nobody reads",
        patch=Patch(receiver=SpillsTelemetry, needs_telemetry=True),
        near_patch=Patch(receiver=SpillsBesideIt, needs_telemetry=True),
    ),
    Defect(
        name="retry-from-old-buffer",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="a packet that is sent again carries the last channel of the packet before",
        cause="the module's buffer is filled again for a retry while the next packet is being made",
        caught_by="fidelity",
        plan="acceptance",
        near_miss="the packet is sent again from a copy",
        patch=Patch(transmitter=RetriesFromBuffer),
        near_patch=Patch(transmitter=RetriesFromCopy),
    ),
)

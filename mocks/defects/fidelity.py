"""Defects in which an output has a wrong value for its stick: the same stick always gives the same error."""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar, Final

from harness.plan.model import Channel, Link
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver
from mocks.transmitter import Transmitter

CLIPPED_US: Final = 8
NEAR_END: Final = Fraction(1, 50)
"""Of a channel's travel: where its neighbour feels it."""
BYTE: Final = 0xFF


def surface(link: Link) -> int:
    """Return the number of the first channel that is no throttle, or of the first one."""
    return next((number for number, one in enumerate(link.channels) if one.role != "throttle"), 0)


def motor(link: Link) -> int:
    """Return the number of the first throttle, or of the first channel."""
    return next((number for number, one in enumerate(link.channels) if one.role == "throttle"), 0)


def changed(outputs: Pulses, number: int, pulse_us: int) -> Pulses:
    """Return outputs with another pulse on one channel."""
    return (*outputs[:number], pulse_us, *outputs[number + 1 :])


def mirrored(channel: Channel, pulse_us: int) -> int:
    """Return a pulse mirrored in its channel's range."""
    return channel.range.low_us + channel.range.high_us - pulse_us


class OneOutput(Receiver):
    """Maps the output of one channel by `turned`, whatever the others do."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        self.number = self.chosen(around.link)
        self.channel = around.link.channels[self.number]
        super().__init__(around, life)

    @staticmethod
    def chosen(link: Link) -> int:
        """Return the number of the channel that is mapped."""
        return surface(link)

    def turned(self, pulse_us: int) -> int:
        """Return what the output becomes where it should be `pulse_us`."""
        return pulse_us

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs with that channel mapped."""
        outputs = super().shown(pulses)
        return changed(outputs, self.number, self.turned(outputs[self.number]))


class Reverses(OneOutput):
    """Mirrors the first control surface."""

    def turned(self, pulse_us: int) -> int:
        """Return the pulse mirrored in the range."""
        return mirrored(self.channel, pulse_us)


class SendsReversed(Transmitter):
    """Mirrors the first control surface before it sends it."""

    def carried(self, sticks: Pulses) -> Pulses:
        """Return the pulses with that one mirrored."""
        number = surface(self.link)
        return changed(sticks, number, mirrored(self.link.channels[number], sticks[number]))


class Clips(OneOutput):
    """Goes no higher than a little below the upper end."""

    SHORT_US: ClassVar[int] = CLIPPED_US

    def turned(self, pulse_us: int) -> int:
        """Return the pulse, at most the limit."""
        return min(pulse_us, self.channel.range.high_us - self.SHORT_US)


class ClipsAtEnd(Clips):
    """Goes no higher than the upper end itself."""

    SHORT_US = 0


class ReadsTable(OneOutput):
    """Looks the pulse up in a table in which two entries stand in each other's place.

    They are counted from the low end of the travel: 639 and 693 of 1000.
    """

    ENTRIES: ClassVar[tuple[Fraction, Fraction]] = (Fraction(639, 1000), Fraction(693, 1000))

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        low, travel = self.channel.range.low_us, self.channel.range.high_us - self.channel.range.low_us
        first, second = (low + int(share * travel) for share in self.ENTRIES)
        self._table = {first: second, second: first}

    def turned(self, pulse_us: int) -> int:
        """Return the table's entry."""
        return self._table.get(pulse_us, pulse_us)


class ReadsTableBeyondEnd(ReadsTable):
    """Has the wrong entries where no stick can reach: 1008 and 1080 of 1000."""

    ENTRIES = (Fraction(1008, 1000), Fraction(1080, 1000))


class CouplesAtEnd(Receiver):
    """Takes 3 us off the second channel while the first is near its upper end."""

    BY_US: ClassVar[Fraction] = Fraction(3)

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs with the second one shortened."""
        outputs = super().shown(pulses)
        span = self.link.channels[0].range
        if span.high_us - outputs[0] <= (span.high_us - span.low_us) * NEAR_END:
            return changed(outputs, 1, outputs[1] - round(self.BY_US))
        return outputs


class CouplesBarely(CouplesAtEnd):
    """Takes a third of a microsecond off, which is less than a step of the output."""

    BY_US = Fraction(1, 3)


class Overflows(OneOutput):
    """Computes the throttle in as many steps as a power of two has, one or more for each microsecond.

    Counted from 0, the last step needs one bit more than the others.
    """

    SPARE_BITS: ClassVar[int] = 0

    @staticmethod
    def chosen(link: Link) -> int:
        """Return the number of a throttle."""
        return motor(link)

    def turned(self, pulse_us: int) -> int:
        """Return the pulse; what the number of steps cannot hold comes round."""
        low, travel = self.channel.range.low_us, self.channel.range.high_us - self.channel.range.low_us
        bits = travel.bit_length()
        step = -(-(pulse_us - low << bits) // travel) & (1 << bits + self.SPARE_BITS) - 1
        return low + (step * travel >> bits)


class HasRoom(Overflows):
    """Computes it in a number with a bit to spare."""

    SPARE_BITS = 1


class ScalesCoarsely(OneOutput):
    """Computes the first control surface in so many steps, to the nearest."""

    STEPS: ClassVar[int] = 255

    def turned(self, pulse_us: int) -> int:
        """Return the nearest pulse that a step stands for."""
        low, travel = self.channel.range.low_us, self.channel.range.high_us - self.channel.range.low_us
        step = (2 * (pulse_us - low) * self.STEPS + travel) // (2 * travel)
        return low + (2 * step * travel + self.STEPS) // (2 * self.STEPS)


class ScalesFinely(ScalesCoarsely):
    """Computes it in 12 bits, more than there are microseconds of travel."""

    STEPS = 4095


class ForgetsLast(Receiver):
    """Never drives the last channel from a packet."""

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs with the last one as it was."""
        outputs = super().shown(pulses)
        return changed(outputs, len(outputs) - 1, self.outputs[-1])


class CountsDown(Receiver):
    """Drives the channels from the last to the first."""

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs, made the other way round."""
        outputs = super().shown(pulses)
        return tuple(outputs[number] for number in range(-1, -len(outputs) - 1, -1))[::-1]


class RestsNearCentre(OneOutput):
    """Stays at the centre until the stick is more than 4 us away from it."""

    BAND_US: ClassVar[int] = 4

    def turned(self, pulse_us: int) -> int:
        """Return the centre for everything near it."""
        middle = self.channel.middle_us
        return middle if abs(pulse_us - middle) <= self.BAND_US else pulse_us


class RestsAtCentre(RestsNearCentre):
    """Has a dead band that is narrower than a step."""

    BAND_US = 0


class CarriesOver(Transmitter):
    """Carries from the low byte of the packet number into the first pulse: an even one becomes odd."""

    CARRIES: ClassVar[int] = 1

    def carried(self, sticks: Pulses) -> Pulses:
        """Return the pulses as they stand beside the number."""
        carry = self.CARRIES if self._number & BYTE == 0 else 0
        return changed(sticks, 0, sticks[0] | carry)


class CarriesWithin(CarriesOver):
    """Carries into the high byte of the number, and nowhere else."""

    CARRIES = 0


DEFECTS = (
    Defect(
        name="elevon-reversed",
        felt=Felt.WRONG,
        severity="dangerous",
        wrong="the first control surface goes the other way",
        cause="a reversing switch of the transmitter that another model's memory left on",
        caught_by="fidelity",
        plan="acceptance",
        near_miss="both ends mirror the channel, so that the surface follows its stick",
        patch=Patch(receiver=Reverses),
        near_patch=Patch(transmitter=SendsReversed, receiver=Reverses),
    ),
    Defect(
        name="end-clipped",
        felt=Felt.WRONG,
        severity="serious",
        wrong="the first control surface stops 8 us before its upper end",
        cause="an end-point limit that was set by eye",
        caught_by="fidelity",
        plan="first-look",
        near_miss="the limit stands exactly at the end of the travel",
        patch=Patch(receiver=Clips),
        near_patch=Patch(receiver=ClipsAtEnd),
    ),
    Defect(
        name="table-out-of-order",
        felt=Felt.WRONG,
        severity="serious",
        wrong="two entries of a pulse table are exchanged: at 639 of 1000 the surface jumps, and back",
        cause="a table typed in by hand, 693 for 639",
        caught_by="fidelity",
        plan="acceptance",
        near_miss="the exchanged entries stand beyond the end of the travel, where no stick gets",
        patch=Patch(receiver=ReadsTable),
        near_patch=Patch(receiver=ReadsTableBeyondEnd),
    ),
    Defect(
        name="cross-talk-at-end",
        felt=Felt.WRONG,
        severity="serious",
        wrong="the first channel, near its upper end, takes 3 us off the second one",
        cause="one interrupt serves both outputs, and a long first pulse is still being ended",
        caught_by="fidelity",
        plan="first-look",
        near_miss="it takes a third of a microsecond off, less than a step of the output",
        patch=Patch(receiver=CouplesAtEnd, needs_channels=2),
        near_patch=Patch(receiver=CouplesBarely, needs_channels=2),
    ),
    Defect(
        name="throttle-overflows",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="at its very top the throttle falls to its low end",
        cause="1024 steps counted from 0 in 10 bits: the last one, 1024, comes out as 0",
        caught_by="fidelity",
        plan="acceptance",
        near_miss="the number has 11 bits, and the last step fits",
        patch=Patch(receiver=Overflows, needs_throttle=True),
        near_patch=Patch(receiver=HasRoom, needs_throttle=True),
    ),
    Defect(
        name="eight-bits",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="the first control surface moves in 256 steps over its travel",
        cause="a pulse carried in one byte, as it was with the converter of an older board",
        caught_by="fidelity",
        plan="first-look",
        near_miss="it is carried in 12 bits, with more steps than there are microseconds of travel",
        patch=Patch(receiver=ScalesCoarsely),
        near_patch=Patch(receiver=ScalesFinely),
    ),
    Defect(
        name="last-channel-fixed",
        felt=Felt.WRONG,
        severity="serious",
        wrong="the last channel never follows its stick",
        cause="a loop that ends one channel too soon",
        caught_by="fidelity",
        plan="first-look",
        near_miss="the loop runs from the last channel to the first, and misses none",
        patch=Patch(receiver=ForgetsLast),
        near_patch=Patch(receiver=CountsDown),
    ),
    Defect(
        name="dead-band",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="the first control surface does not move within 4 us of its centre",
        cause="a dead band against a trembling stick that was put into the receiver as well",
        caught_by="fidelity",
        plan="acceptance",
        near_miss="the dead band is narrower than a step of the channel",
        patch=Patch(receiver=RestsNearCentre),
        near_patch=Patch(receiver=RestsAtCentre),
    ),
    Defect(
        name="number-carries-over",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="each 256th packet carries the first channel 1 us too high if its pulse is even",
        cause="number and pulse share a word of bit fields, and the number has a bit too few",
        caught_by="fidelity",
        plan="first-look",
        near_miss="the number has its 16 bits, and the carry stays in it",
        patch=Patch(transmitter=CarriesOver),
        near_patch=Patch(transmitter=CarriesWithin),
    ),
)

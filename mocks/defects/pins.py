"""Defects between what the receiver reports and what its pins do. All of them have a witness on the bench."""

from __future__ import annotations

from dataclasses import replace

from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver
from mocks.settings import MockSettings

OFF_US = 20
NEARLY_US = 3
TICK_US = 4
"""A servo timer of an 8-bit board with a prescaler of 64 at 16 MHz: common practice, no source."""


def _with_witness(settings: MockSettings) -> MockSettings:
    return replace(settings, witness=True)


class PinsHoldInFailsafe(Receiver):
    """Reports failsafe, and leaves the pins as the last packet had them."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._pins = self.outputs

    def driven(self) -> Pulses:
        """Return the outputs of the last packet."""
        if not self.in_failsafe:
            self._pins = self.outputs
        return self._pins


class PinsFollowLate(Receiver):
    """Drives in each servo frame what it had at the beginning of the one before."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._next = self.outputs

    def driven(self) -> Pulses:
        """Return the outputs of 20 ms ago."""
        now, self._next = self._next, self.outputs
        return now


class PinsSwapped(Receiver):
    """Drives the first two pins with each other's pulses."""

    def driven(self) -> Pulses:
        """Return the outputs with the first two exchanged."""
        first, second, *others = self.outputs
        return (second, first, *others)


class PinsInTurn(Receiver):
    """Begins each pulse when the one before it ends, as receivers with a single timer do."""

    PINS_IN_TURN = True


class ReportsSticks(Receiver):
    """Reports the sticks that it was sent, whatever it drives: mirrored outputs and failsafe included."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        self._sticks: Pulses | None = None
        super().__init__(around, life)

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the right outputs, and keep the sticks."""
        self._sticks = pulses
        return super().shown(pulses)

    def reported(self, outputs: Pulses) -> Pulses:
        """Return the last packet's sticks."""
        return self._sticks or outputs


class DrivesCoarseTicks(Receiver):
    """Drives pulses in whole ticks of 4 us, up to 3 us short of what it reports."""

    def driven(self) -> Pulses:
        """Return the outputs in whole ticks."""
        return tuple(pulse - pulse % TICK_US for pulse in self.outputs)


class FirstPinOff(Receiver):
    """Ends the first pin's pulse late."""

    LATE_US = OFF_US

    def driven(self) -> Pulses:
        """Return the outputs with the first one longer."""
        return (self.outputs[0] + self.LATE_US, *self.outputs[1:])


class FirstPinNearlyRight(FirstPinOff):
    """Ends it late by less than a check of the pins allows."""

    LATE_US = NEARLY_US


DEFECTS = (
    Defect(
        name="pins-hold-in-failsafe",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="in failsafe the receiver reports closed motors while its pins keep them running",
        cause="the failsafe writes the reported outputs and forgets to load the servo timer",
        caught_by="pins",
        plan="failsafe",
        near_miss="failsafe reaches the pins with the next servo frame, up to 20 ms later",
        patch=Patch(settings=_with_witness, receiver=PinsHoldInFailsafe),
        near_patch=Patch(settings=_with_witness, receiver=PinsFollowLate),
    ),
    Defect(
        name="pins-swapped",
        felt=Felt.WRONG,
        severity="dangerous",
        wrong="the pins of the first two channels are swapped, and the report does not know",
        cause="a table of pins in another order than the channels",
        caught_by="pins",
        plan="acceptance",
        near_miss="the pins take turns within the servo frame, one pulse after the other",
        patch=Patch(settings=_with_witness, receiver=PinsSwapped, needs_channels=2),
        near_patch=Patch(settings=_with_witness, receiver=PinsInTurn, needs_channels=2),
    ),
    Defect(
        name="report-of-sticks",
        felt=Felt.WRONG,
        severity="serious",
        wrong="the receiver reports the sticks it was sent, not what its pins do",
        cause="the report is made from the packet and not from the outputs",
        caught_by="pins",
        plan="first-look",
        near_miss="the pins are driven in timer ticks of 4 us, up to 3 us short of the report",
        patch=Patch(settings=_with_witness, receiver=ReportsSticks),
        near_patch=Patch(settings=_with_witness, receiver=DrivesCoarseTicks),
    ),
    Defect(
        name="pin-off",
        felt=Felt.WRONG,
        severity="serious",
        wrong="the first output's pulse is 20 us longer than reported",
        cause="another interrupt holds up the one that ends the pulse",
        caught_by="pins",
        plan="first-look",
        near_miss="the first output's pulse is 3 us longer than reported",
        patch=Patch(settings=_with_witness, receiver=FirstPinOff),
        near_patch=Patch(settings=_with_witness, receiver=FirstPinNearlyRight),
    ),
)

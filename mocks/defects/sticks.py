"""Defects between the sticks and the outputs."""

from __future__ import annotations

from dataclasses import replace

from harness.clock import MS, S
from harness.codec.messages import OutputReason
from mocks.defects.model import Defect, Felt, Patch
from mocks.receiver import Pulses, Receiver
from mocks.settings import MockSettings
from mocks.transmitter import Transmitter

TICKS_PER_US = 2
"""A 16-bit servo timer at 2 MHz: a 16 MHz clock divided by 8, common practice, no source."""
GLITCH_EVERY_NS = 711 * MS
GLITCH_FOR_NS = 15 * MS
GLITCH_US = 60


def _swapped(pulses: Pulses) -> Pulses:
    return (pulses[1], pulses[0], *pulses[2:])


class SwapsInPacket(Transmitter):
    """Puts the first two channels into the packet the other way round."""

    def carried(self, sticks: Pulses) -> Pulses:
        """Return the pulses with the first two exchanged."""
        return _swapped(sticks)


class SwapsBack(Receiver):
    """Expects the first two channels the other way round."""

    def shown(self, pulses: Pulses) -> Pulses:
        """Return outputs with the first two pulses exchanged."""
        return super().shown(_swapped(pulses))


class LosesLowBit(Receiver):
    """Drives the first channel in steps of twice its resolution."""

    def shown(self, pulses: Pulses) -> Pulses:
        """Return outputs with the first one rounded down to an even number of steps."""
        outputs = super().shown(pulses)
        channel = self.link.channels[0]
        first = outputs[0] - (outputs[0] - channel.range.low_us) % (2 * channel.resolution_us)
        return (first, *outputs[1:])


class DrivesTimerTicks(Receiver):
    """Turns pulses into ticks of a 2 MHz servo timer and reports what the timer holds."""

    def shown(self, pulses: Pulses) -> Pulses:
        """Return outputs as read back from the timer: half a microsecond a tick loses nothing."""
        ticks = [us * TICKS_PER_US for us in super().shown(pulses)]
        return tuple(tick // TICKS_PER_US for tick in ticks)


class Glitches(Receiver):
    """Now and then stretches the first output by 60 us for 15 ms."""

    STRETCH_US = GLITCH_US

    def start(self) -> None:
        """Plan the first glitch."""
        super().start()
        self.world.at(self.world.now_ns + GLITCH_EVERY_NS, self._glitch, None)

    def _glitch(self, _: None) -> None:
        if not self.alive:
            return
        self.world.at(self.world.now_ns + GLITCH_EVERY_NS, self._glitch, None)
        if not self.in_failsafe:
            before = self.outputs
            self.change_outputs((before[0] + self.STRETCH_US, *before[1:]), OutputReason.OTHER)
            self.world.at(self.world.now_ns + GLITCH_FOR_NS, self._mend, before)

    def _mend(self, before: Pulses) -> None:
        stretched = (before[0] + self.STRETCH_US, *before[1:])
        if self.alive and self.outputs == stretched:
            self.change_outputs(before, OutputReason.OTHER)


class RewritesOutputs(Glitches):
    """Writes the same outputs again in the same rhythm."""

    STRETCH_US = 0


class SendsSlowly(Transmitter):
    """Runs its packet timer 5 % slow."""

    SLOW_PERCENT = 5

    def period_ns(self) -> int:
        """Return the stretched period."""
        return super().period_ns() * (100 + self.SLOW_PERCENT) // 100


class SendsAlmostInTime(SendsSlowly):
    """Runs its packet timer 1 % slow, as an uncalibrated oscillator does."""

    SLOW_PERCENT = 1


def _noisy_supply(settings: MockSettings) -> MockSettings:
    return replace(settings, own_noise_us=9, own_hum_us=6, own_hum_mhz=60_000)


def _quiet_supply(settings: MockSettings) -> MockSettings:
    return replace(settings, own_noise_us=3, own_drift_us=30)


def _block(for_ns: int, settings: MockSettings) -> MockSettings:
    return replace(settings, block_every_ns=S, block_for_ns=for_ns)


def _display_long(settings: MockSettings) -> MockSettings:
    return _block(180 * MS, settings)


def _display_short(settings: MockSettings) -> MockSettings:
    return _block(30 * MS, settings)


def _loop_slow(settings: MockSettings) -> MockSettings:
    return replace(settings, receiver_loop_ns=45 * MS)


def _loop_quick(settings: MockSettings) -> MockSettings:
    return replace(settings, receiver_loop_ns=5 * MS)


DEFECTS = (
    Defect(
        name="channels-swapped",
        felt=Felt.WRONG,
        severity="dangerous",
        wrong="the first two channels are swapped",
        cause="the transmitter's packet was laid out anew, the receiver's was not",
        caught_by="fidelity",
        plan="acceptance",
        near_miss="both ends lay the packet out the new way, so that each output follows its own stick",
        patch=Patch(transmitter=SwapsInPacket, needs_channels=2),
        near_patch=Patch(transmitter=SwapsInPacket, receiver=SwapsBack, needs_channels=2),
    ),
    Defect(
        name="low-bit-lost",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="the first channel loses its lowest bit",
        cause="a pulse stored as half its value to fit fewer bits",
        caught_by="fidelity",
        plan="first-look",
        near_miss="pulses go through ticks of half a microsecond and back, which loses nothing",
        patch=Patch(receiver=LosesLowBit),
        near_patch=Patch(receiver=DrivesTimerTicks),
    ),
    Defect(
        name="servo-glitch",
        felt=Felt.WRONG,
        severity="serious",
        wrong="the first output jumps by 60 us for 15 ms now and then",
        cause="an interrupt delays the end of a servo pulse",
        caught_by="no_glitch",
        plan="first-look",
        near_miss="the receiver writes unchanged outputs again in the same rhythm",
        patch=Patch(receiver=Glitches),
        near_patch=Patch(receiver=RewritesOutputs),
    ),
    Defect(
        name="noisy-stick-supply",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="the transmitter's own sticks tremble by 9 us RMS and hum by 6 us",
        cause="the sticks and the converter's reference share an unfiltered supply",
        caught_by="noise",
        plan="acceptance",
        near_miss="they tremble by 3 us RMS, and drift slowly by 30 us a minute",
        patch=Patch(settings=_noisy_supply),
        near_patch=Patch(settings=_quiet_supply),
    ),
    Defect(
        name="display-blocks",
        felt=Felt.MISSING,
        severity="serious",
        wrong="a slow display routine starves the receiver for 180 ms every second",
        cause="the whole display is drawn in the main loop",
        caught_by="control_gap",
        plan="first-look",
        near_miss="the display is drawn in parts: 30 ms every second",
        patch=Patch(settings=_display_long),
        near_patch=Patch(settings=_display_short),
    ),
    Defect(
        name="slow-loop",
        felt=Felt.LATE,
        severity="serious",
        wrong="the receiver looks for packets only every 45 ms",
        cause="sensors are read one after the other, each with its conversion time, between two looks",
        caught_by="latency",
        plan="first-look",
        near_miss="the receiver looks for packets every 5 ms",
        patch=Patch(settings=_loop_slow),
        near_patch=Patch(settings=_loop_quick),
    ),
    Defect(
        name="packet-rate-low",
        felt=Felt.LATE,
        severity="nuisance",
        wrong="the transmitter sends 5 % fewer packets than declared",
        cause="the packet timer is set after each packet rather than from the last due time",
        caught_by="packet_rate",
        plan="first-look",
        near_miss="the transmitter's packet timer runs 1 % slow",
        patch=Patch(transmitter=SendsSlowly),
        near_patch=Patch(transmitter=SendsAlmostInTime),
    ),
)

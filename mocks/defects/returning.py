"""Defects at a link's edges: before the first packet, when it comes back, at the throttle stick's stop."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from harness.clock import MS
from harness.codec.messages import NO_SET, OutputReason
from mocks.air import Packet
from mocks.defects.failsafe import ReplaysThrottle
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver
from mocks.settings import MockSettings
from mocks.transmitter import Sample, Transmitter

SELF_TEST_NS = 300 * MS
SELF_TEST_FOR_NS = 40 * MS
LONG_NS = 2_500 * MS
RETURN_NS = 2 * MS


class StartsAtCentre(Receiver):
    """Starts with every throttle at the middle of its range."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        pairs = zip(self.link.channels, self.outputs, strict=True)
        self.outputs = tuple(
            (one.range.low_us + one.range.high_us) // 2 if one.role == "throttle" else us for one, us in pairs
        )


class TestsServos(Receiver):
    """Moves the first servo to its low end and back if no packet has come a while after the start."""

    REASON: ClassVar[OutputReason] = OutputReason.OTHER

    def start(self) -> None:
        """Plan the test."""
        super().start()
        self.world.at(self.world.now_ns + SELF_TEST_NS, self._test, None)

    def _test(self, _: None) -> None:
        if self.alive and not self.packets:
            before = self.outputs
            self.change_outputs(self.tried(before), self.REASON)
            self.world.at(self.world.now_ns + SELF_TEST_FOR_NS, self._tested, before)

    def _tested(self, before: Pulses) -> None:
        if self.alive and not self.packets:
            self.change_outputs(before, self.REASON)

    def tried(self, outputs: Pulses) -> Pulses:
        """Return the outputs for the test."""
        servo = next(n for n, one in enumerate(self.link.channels) if one.role != "throttle")
        low_us = self.link.channels[servo].range.low_us
        return tuple(low_us if n == servo else us for n, us in enumerate(outputs))


class WritesAgainAtStart(TestsServos):
    """Writes the outputs again at that time, unchanged, as it did at its start."""

    REASON = OutputReason.START

    def tried(self, outputs: Pulses) -> Pulses:
        """Return the outputs as they are."""
        return outputs


class ReplaysServos(ReplaysThrottle):
    """Drives everything but the throttle with its last pulses from before the link loss, for one packet."""

    def returned(self, outputs: Pulses) -> Pulses:
        """Return the packet's throttle with the old pulses of everything else."""
        pulses = zip(self.link.channels, outputs, self._before, strict=True)
        return tuple(new if channel.role == "throttle" else old for channel, new, old in pulses)


class ReturnsSlowly(Receiver):
    """Takes 2 ms to leave failsafe with the first packet after a link loss."""

    def _apply(self, packet: Packet) -> None:
        if self.in_failsafe and self.packets:
            self.world.at(self.world.now_ns + RETURN_NS, self._follow, packet)
        else:
            super()._apply(packet)

    def _follow(self, packet: Packet) -> None:
        if self.alive:
            super()._apply(packet)


class FallsAsleep(Receiver):
    """Switches its radio off after 2.5 s without a packet.

    With `WAKES_NS` it switches it on again so long after the first packet that it might have heard.
    """

    WAKES_NS: ClassVar[int | None] = None

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._called_ns: int | None = None

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet unless the radio is off."""
        now_ns = self.world.now_ns
        if self.in_failsafe and self.packets and now_ns - self.refreshed_ns > LONG_NS:
            self._called_ns = self._called_ns or now_ns
            if self.WAKES_NS is None or now_ns - self._called_ns < self.WAKES_NS:
                return None
        self._called_ns = None
        return super().hear(packet)


class WakesUp(FallsAsleep):
    """Needs 90 ms to wake up."""

    WAKES_NS = 90 * MS


class StopBelowRange(Transmitter):
    """Sends less than the low end when its own throttle stick is pressed against its stop."""

    BELOW_US: ClassVar[int] = 40

    def _taken(self) -> Sample:
        set_number, pulses = super()._taken()
        if set_number != NO_SET:
            return set_number, pulses
        pairs = zip(self.link.channels, pulses, strict=True)
        return set_number, tuple(us - self.BELOW_US * (one.role == "throttle") for one, us in pairs)


def _stick_trembles(settings: MockSettings) -> MockSettings:
    """The sticks tremble; what would fall below the low end is held there."""
    return replace(settings, own_noise_us=4)


DEFECTS = (
    Defect(
        name="throttle-half-at-start",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the throttles are half open from the receiver's start to the first packet",
        cause="a servo library that centres every output when it is switched on",
        caught_by="start_up",
        plan="failsafe",
        near_miss="the outputs are written twice before the first packet, both times in failsafe",
        patch=Patch(receiver=StartsAtCentre, needs_throttle=True),
        near_patch=Patch(receiver=WritesAgainAtStart),
    ),
    Defect(
        name="servo-twitch-at-start",
        felt=Felt.WRONG,
        severity="serious",
        wrong="a servo moves to its end and back while the receiver waits for its first packet",
        cause="a self-test that was meant for the bench",
        caught_by="start_up",
        plan="failsafe",
        near_miss="the outputs are written again at that time, unchanged",
        patch=Patch(receiver=TestsServos),
        near_patch=Patch(receiver=WritesAgainAtStart),
    ),
    Defect(
        name="stale-servos-on-reconnect",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="the first packet after a link loss brings back the old pulses of all servos",
        cause="the servos' filter goes on from where it was before failsafe",
        caught_by="failsafe_exit",
        plan="failsafe",
        near_miss="the first packet after a link loss is followed 2 ms later",
        patch=Patch(receiver=ReplaysServos, needs_channels=2),
        near_patch=Patch(receiver=ReturnsSlowly),
    ),
    Defect(
        name="link-stays-lost",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="after 2.5 s without a packet the link never comes back",
        cause="the radio is put to sleep to save current, and nothing wakes it up",
        caught_by="failsafe_exit",
        plan="failsafe",
        near_miss="the radio is asleep as well, and 90 ms after the first packet it is back",
        patch=Patch(receiver=FallsAsleep),
        near_patch=Patch(receiver=WakesUp),
    ),
    Defect(
        name="throttle-stop-low",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="the throttle stick at its stop sends 40 us less than its low end: nearly the failsafe pulse",
        cause="the stick was calibrated without pressing it against its stop",
        caught_by="failsafe_margin",
        plan="failsafe",
        near_miss="it trembles by 4 us RMS at its stop, and never sends less than its low end",
        patch=Patch(transmitter=StopBelowRange, needs_throttle=True),
        near_patch=Patch(settings=_stick_trembles, needs_throttle=True),
    ),
)

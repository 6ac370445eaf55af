"""Defects of supply and power: dips when the motors speed up, and less on the air than was set."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from harness.clock import MS, S
from harness.codec.messages import StartCause
from mocks.air import Air, Packet
from mocks.defects.model import Defect, Felt, Patch
from mocks.defects.reach import deaf
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver
from mocks.settings import MockSettings
from mocks.transmitter import Transmitter


class WaitsForTheRest(Receiver):
    """Waits for the rest of what a dying transmitter left on the air, and looks at nothing else meanwhile."""

    MOST_NS: ClassVar[int | None] = None
    """The longest wait; None is until a packet comes."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._since_ns: int | None = None

    def hear_noise(self) -> None:
        """Take noise for the beginning of a packet."""
        self._since_ns = self.world.now_ns

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet: what was waited for is there, or thrown away."""
        self._since_ns = None
        return super().hear(packet)

    def failsafe_due_ns(self) -> int | None:
        """Return when failsafe begins: not before the wait is over."""
        due_ns = super().failsafe_due_ns()
        if self._since_ns is None or due_ns is None:
            return due_ns
        return None if self.MOST_NS is None else max(due_ns, self._since_ns + self.MOST_NS)


class WaitsNotForLong(WaitsForTheRest):
    """Throws half a packet away after 50 ms."""

    MOST_NS = 50 * MS


class FeelsMotors(Receiver):
    """Runs on the supply that the motors load."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        self._motors = [
            (place, channel.range.low_us, channel.range.high_us)
            for place, channel in enumerate(around.link.channels)
            if channel.role == "throttle"
        ]
        super().__init__(around, life)

    def load(self, outputs: Pulses) -> float:
        """Return how hard the motors run, 0 to 1, as the mean of their throttles."""
        shares = [(outputs[place] - low) / (high - low) for place, low, high in self._motors]
        return sum(max(0.0, share) for share in shares) / len(shares)


class DipsWithThrottle(FeelsMotors):
    """Loses packets by chance while the motors run hard: from `FREE` on, up to `MOST` at full throttle."""

    FREE: ClassVar[float] = 0.3
    MOST: ClassVar[float] = 0.4

    def believed(self, packet: Packet) -> bool:
        """Return whether the packet was read without a bit wrong."""
        over = (self.load(self.outputs) - self.FREE) / (1 - self.FREE)
        return super().believed(packet) and (over <= 0 or self.chance.random() >= self.MOST * over)


class DipsALittle(DipsWithThrottle):
    """Loses one in 200 at full throttle."""

    MOST = 0.005


class BrownsOut(FeelsMotors):
    """Restarts by itself when a packet, not its first, opens the throttle by more than half at once."""

    STEP: ClassVar[float] = 0.5

    def _apply(self, packet: Packet) -> None:
        before, first = self.load(self.outputs), not self.packets
        super()._apply(packet)
        if not first and self.load(self.outputs) - before > self.STEP:
            self.dips()

    def dips(self) -> None:
        """Restart."""
        self.next_life = replace(self.life.after(), cause=StartCause.BROWN_OUT)
        self.world.at(self.world.now_ns, self._go_down, None)


class LosesRadioBriefly(BrownsOut):
    """Hears nothing for 25 ms after such a step, one packet long."""

    DEAF_NS: ClassVar[int] = 25 * MS

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._deaf_until_ns = self.world.now_ns

    def dips(self) -> None:
        """Hear nothing for a while."""
        self._deaf_until_ns = self.world.now_ns + self.DEAF_NS

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet, unless the radio is starting."""
        return None if self.world.now_ns < self._deaf_until_ns else super().hear(packet)


class PowerDrops(Transmitter):
    """Sends with less power than it was set to once it is warm."""

    AFTER_NS: ClassVar[int] = 30 * S
    BY_X10: ClassVar[int] = 150

    def __init__(self, around: Surroundings, life: Life, air: Air) -> None:
        self._less_x10 = 0
        self._set_x10 = around.settings.transmit_power_x10
        super().__init__(around, life, air)

    def start(self) -> None:
        """Begin, and get warm."""
        super().start()
        self.world.at(self.world.now_ns + self.AFTER_NS, self._get_warm, None)

    def _get_warm(self, _: None) -> None:
        if self.alive:
            self._less_x10 = self.BY_X10
            self.air.set_power(self.power_x10(self._set_x10))

    def power_x10(self, asked_x10: int) -> int:
        """Return the power asked for, less what the warmth costs."""
        self._set_x10 = asked_x10
        return asked_x10 - self._less_x10


class PowerDropsLittle(PowerDrops):
    """Loses 2 dB."""

    BY_X10 = 20


def _a_metre_apart(settings: MockSettings) -> MockSettings:
    return deaf(settings, by_x10=0)


DEFECTS = (
    Defect(
        name="failsafe-waits-for-the-rest",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe never engages when the transmitter loses its power",
        cause="its supply's collapse leaves half a packet on the air; the loop waits for the rest of it",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="half a packet is thrown away after 50 ms",
        patch=Patch(receiver=WaitsForTheRest),
        near_patch=Patch(receiver=WaitsNotForLong),
    ),
    Defect(
        name="loss-with-throttle",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="the harder the motors run, the more packets are lost: two in five at full throttle",
        cause="receiver and motors share a supply that dips under load",
        caught_by="delivery",
        plan="acceptance",
        near_miss="one in two hundred is lost at full throttle",
        patch=Patch(receiver=DipsWithThrottle, needs_throttle=True),
        near_patch=Patch(receiver=DipsALittle, needs_throttle=True),
    ),
    Defect(
        name="brown-out-at-throttle",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="the receiver restarts when the throttle is opened quickly",
        cause="the motors' inrush pulls the shared supply below the brown-out level",
        caught_by="no_false_failsafe",
        plan="acceptance",
        near_miss="the radio alone starts again, and one packet is lost",
        patch=Patch(receiver=BrownsOut, needs_throttle=True),
        near_patch=Patch(receiver=LosesRadioBriefly, needs_throttle=True),
    ),
    Defect(
        name="power-drops-when-warm",
        felt=Felt.REACH,
        severity="serious",
        wrong="after half a minute the transmitter sends with 15 dB less than it was set to",
        cause="the power amplifier protects itself from heat",
        caught_by="link_margin",
        plan="margin",
        near_miss="it loses 2 dB when it gets warm",
        patch=Patch(settings=_a_metre_apart, transmitter=PowerDrops),
        near_patch=Patch(settings=_a_metre_apart, transmitter=PowerDropsLittle),
    ),
)

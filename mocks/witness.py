"""What does the mock witness do? Time the pulses on the receiver's pins and report them in sets.

It knows nothing of packets or reports: whoever drives the pins tells it of each pulse that ended. Its times
are whole microseconds of its own clock, its widths tenths of one.
"""

from __future__ import annotations

from struct import Struct
from typing import ClassVar, Final

from harness.bench.protocol import Role
from harness.clock import MS
from harness.codec.messages import Ability, Pulses, WireRole
from mocks.device import PPB, WRAP_MASK, Device, Handler, Life, Surroundings

SET_NS: Final = 25 * MS
"""A set is closed this long after its first falling edge (shared/protocol.md)."""
EMPTY_NS: Final = 100 * MS
"""An empty set is reported this often while no pulse comes (shared/protocol.md)."""
WIDEST: Final = 65_535
NS_PER_TENTH: Final = 100
"""Nanoseconds in a tenth of a microsecond."""


class Witness(Device):
    """One life of a witness with an input for each channel of the link."""

    ROLE = Role.WITNESS
    WIRE_ROLE = WireRole.WITNESS
    ABILITIES: ClassVar[Ability] = Ability.RESTART | Ability.RESTART_AT

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life, around.settings.witness_skew_ppm)
        self._inputs = len(around.link.channels)
        self._pack_pulses = Struct(f"<IB{2 * self._inputs}H").pack
        self._set: dict[int, tuple[int, int]] = {}  # by input: falling edge and width, in ns
        self._turn = 0

    def commands(self) -> dict[type, Handler]:
        """Return no commands beside those of every device."""
        return {}

    def let_go(self) -> None:
        """Do nothing: a witness drives nothing."""

    def packet_rate_mhz(self) -> int:
        """Return 0: a witness sends no packets."""
        return 0

    def start(self) -> None:
        """Say that it started, and look at the pins."""
        super().start()
        self._wait(EMPTY_NS)

    def note_pulse(self, channel: int, ended_ns: int, width_ns: int) -> None:
        """Take a pulse on the input of `channel`: when it ended in world time, and its width, both in ns.

        Pulses come in order of their ends, which have passed. One that began before this life, or on a pin
        that no input hangs on, is not seen.
        """
        if not self.alive or channel >= self._inputs or ended_ns - width_ns < self.started_ns:
            return
        if channel in self._set:
            self._close(ended_ns)
        if not self._set:
            self._wait(SET_NS - (self.world.now_ns - ended_ns))
        self._set[channel] = (ended_ns, width_ns)

    def _clock_us(self, at_ns: int) -> int:
        """Return the device's time in us, without its wrap."""
        elapsed = (at_ns - self.started_ns) * self._rate_ppb // (PPB * 1_000)
        return self.life.clock_us + elapsed

    def _wait(self, for_ns: int) -> None:
        """Look again after this time; whoever waited before does so in vain."""
        self._turn += 1
        self.world.at(self.world.now_ns + self.span_ns(max(0, for_ns)), self._time_up, self._turn)

    def _time_up(self, turn: int) -> None:
        """Report the set that was begun, or that nothing came."""
        if self.alive and turn == self._turn:
            self._close(self.world.now_ns)
            self._wait(EMPTY_NS)

    def _close(self, at_ns: int) -> None:
        """Report what the set holds, and empty it."""
        at_us = self._clock_us(at_ns)
        pulses = [0] * (2 * self._inputs)
        for channel, (ended_ns, width_ns) in self._set.items():
            width = width_ns * self._rate_ppb // (PPB * NS_PER_TENTH)
            pulses[2 * channel] = at_us - self._clock_us(ended_ns)
            pulses[2 * channel + 1] = min(max(width, 1), WIDEST)
        self._set.clear()
        self.say_packed(Pulses.TYPE, self._pack_pulses(at_us & WRAP_MASK, self._inputs, *pulses))

"""What comes out of the mock receiver's pins? Servo pulses, 50 times a second, for whoever measures them.

Each frame takes what the receiver drives at its start, so a pin follows a change by up to 20 ms (common
practice for analogue servos, no source). Left out: edges that are not sharp, and the pulse that is under way
when the receiver restarts.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from harness.clock import MS, US
from mocks.receiver import Receiver

FRAME_NS: Final = 20 * MS

NotePulse = Callable[[int, int, int], None]
"""Takes a channel, when its pulse ended in world time, and the pulse's width, both in ns."""


class ServoPins:
    """The output pins of one life of a receiver."""

    def __init__(self, receiver: Receiver, note: NotePulse) -> None:
        self._receiver = receiver
        self._world = receiver.world
        self._note = note
        self._frame_ns = receiver.span_ns(FRAME_NS)
        self._world.at(self._world.now_ns + self._frame_ns, self._begin, None)

    def _begin(self, _: None) -> None:
        """Begin a frame: all pins rise together, or one as the other falls."""
        receiver, now_ns = self._receiver, self._world.now_ns
        if not receiver.alive:
            return
        self._world.at(now_ns + self._frame_ns, self._begin, None)
        pulses: list[tuple[int, int, int]] = []
        rise_ns = now_ns
        for channel, pulse_us in enumerate(receiver.driven()):
            width_ns = receiver.span_ns(pulse_us * US)
            pulses.append((rise_ns + width_ns, channel, width_ns))
            if receiver.PINS_IN_TURN:
                rise_ns += width_ns
        pulses.sort()
        self._world.at(pulses[-1][0], self._end, pulses)

    def _end(self, pulses: list[tuple[int, int, int]]) -> None:
        """Tell of the frame's pulses once the last has ended."""
        if self._receiver.alive:
            for ended_ns, channel, width_ns in pulses:
                self._note(channel, ended_ns, width_ns)

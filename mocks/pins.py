"""What comes out of the mock receiver's pins? Servo pulses, 50 times a second, for whoever measures them.

Each frame takes what the receiver drives at its start, so a pin follows a change by up to 20 ms (common
practice for analogue servos, no source). Left out: edges that are not sharp, and the pulse that is under way
when the receiver restarts.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from harness.clock import MS, US
from mocks.receiver import Pulses, Receiver

FRAME_NS: Final = 20 * MS

NotePulse = Callable[[int, int, int], None]
"""Takes a channel, when its pulse ended in world time, and the pulse's width, both in ns."""
Frame = list[tuple[int, int, int]]
"""Pulses in order of their ends: when after the frame's start it ends in ns, the channel, the width in ns."""


class ServoPins:
    """The output pins of one life of a receiver; `listener` says who takes the pulses of a frame."""

    def __init__(self, receiver: Receiver, listener: Callable[[], NotePulse]) -> None:
        self._receiver = receiver
        self._world = receiver.world
        self._listener = listener
        self._frame_ns = receiver.span_ns(FRAME_NS)
        self._driven: Pulses = ()
        self._frame: Frame = []
        self._world.at(self._world.now_ns + self._frame_ns, self._begin, None)

    def _begin(self, _: None) -> None:
        """Begin a frame, like the last one unless the receiver drives something else now."""
        receiver, now_ns = self._receiver, self._world.now_ns
        if not receiver.alive:
            return
        self._world.at(now_ns + self._frame_ns, self._begin, None)
        driven = receiver.driven()
        if driven != self._driven:
            self._driven, self._frame = driven, self._pulses(driven)
        self._world.at(now_ns + self._frame[-1][0], self._end, (now_ns, self._frame))

    def _pulses(self, driven: Pulses) -> Frame:
        """Return a frame's pulses: all pins rise together, or one as the other falls."""
        pulses: Frame = []
        rise_ns = 0
        for channel, pulse_us in enumerate(driven):
            width_ns = self._receiver.span_ns(pulse_us * US)
            pulses.append((rise_ns + width_ns, channel, width_ns))
            if self._receiver.PINS_IN_TURN:
                rise_ns += width_ns
        return sorted(pulses)

    def _end(self, frame: tuple[int, Frame]) -> None:
        """Tell of the frame's pulses once the last has ended."""
        if self._receiver.alive:
            begin_ns, pulses = frame
            note = self._listener()
            for end_ns, channel, width_ns in pulses:
                note(channel, begin_ns + end_ns, width_ns)

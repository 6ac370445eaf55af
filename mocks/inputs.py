"""What do the transmitter's own sticks read? Rest, with noise, mains hum and drift as the settings say.

Every channel has noise of its own; hum and drift are common to all, as from a supply that they share. What
falls outside a channel's range is held at its end, as firmware does it.
"""

from __future__ import annotations

from math import pi, sin
from random import Random
from typing import Final

from harness.clock import S
from harness.plan.model import Link, Range
from mocks.settings import MockSettings

PHASE: Final = 0.7
"""Of the hum at time 0, in radians: neither all sine nor all cosine."""
MINUTE_NS: Final = 60 * S


class Inputs:
    """The analogue inputs of one transmitter; equal `chance` gives equal readings."""

    def __init__(self, link: Link, settings: MockSettings, chance: Random) -> None:
        self._settings = settings
        self._chance = chance
        self._channels = [
            (one.range.low_us, one.range.high_us, _rest_us(one.role, one.rest_us, one.range, settings))
            for one in link.channels
        ]

    def read(self, at_ns: int) -> tuple[int, ...]:
        """Return the pulse of each channel at a true time in ns."""
        settings = self._settings
        angle = 2 * pi * ((at_ns * settings.own_hum_mhz) % (10**12)) / 10**12 + PHASE
        common = settings.own_hum_us * sin(angle) + settings.own_drift_us * at_ns / MINUTE_NS
        noise = self._chance.gauss
        return tuple(
            min(max(round(rest + common + noise(0, settings.own_noise_us)), low), high)
            for low, high, rest in self._channels
        )


def _rest_us(role: str, rest_us: int, span: Range, settings: MockSettings) -> int:
    if role != "throttle":
        return rest_us
    return span.low_us + int((span.high_us - span.low_us) * settings.own_throttle)


def make_inputs(link: Link, settings: MockSettings, chance: Random) -> Inputs | None:
    """Return the inputs that the settings ask for, or None for sticks at rest that nothing disturbs."""
    disturbed = settings.own_noise_us or settings.own_hum_us or settings.own_drift_us or settings.own_throttle
    return Inputs(link, settings, chance) if disturbed else None

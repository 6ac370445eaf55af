"""How unsteady are delays? Jitter and delay variation as three standards define them.

Delays are ns in the order of sending, `LOST_NS` for a packet that never arrived.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.measure.arrays import Floats, Ints
from harness.measure.delivery import LOST_NS

GAIN: Final = 1 / 16
"""Weight of the newest difference. Source: RFC 3550 section 6.4.1."""
REACH: Final = 1024
"""After so many differences the oldest one weighs (15/16)**1024 = 2e-29: nothing in a 53-bit number."""


def interarrival_jitter(transit: Ints) -> Floats:
    """Return the jitter J after each arrival but the first: J += (|D| - J) / 16, from J = 0.

    `transit` is arrival time - sending time in order of arrival, in any unit, which is J's too; a constant
    offset between the clocks does not matter. D is the change of transit from one arrival to the next.
    Packets that never arrived are to be left out. Shape: (n - 1,), empty for fewer than two.
    Source: RFC 3550 section 6.4.1 and appendix A.8.
    """
    jitter = np.abs(np.diff(transit)).astype(np.float64) * GAIN
    # J_i is the sum of |D_k| / 16 * (15/16)**(i - k): each pass doubles how far back the sum goes.
    step = 1
    while step < min(REACH, len(jitter)):
        jitter[step:] = jitter[step:] + (1 - GAIN) ** step * jitter[:-step]
        step *= 2
    return jitter


def delay_variation(delays: Ints) -> Ints:
    """Return D(i) - D(min) of the packets that arrived: the delay variation called PDV.

    Never negative; its percentiles are those of the delay less the smallest one. A lost packet has none.
    Source: RFC 5481 section 4.2.
    """
    arrived = delays[delays != LOST_NS]
    varied: Ints = arrived - arrived.min() if len(arrived) else arrived
    return varied


def successive_variation(delays: Ints) -> tuple[Ints, int]:
    """Return D(i) - D(i - 1) of each pair of successive packets, and how many pairs have none.

    The delay variation called IPDV; undefined for a pair of which one packet or both did not arrive.
    Source: RFC 5481 section 4.1, RFC 3393 section 2.6.
    """
    there = delays != LOST_NS
    defined = there[1:] & there[:-1]
    before, after = delays[:-1][defined], delays[1:][defined]
    return after - before, int((~defined).sum())

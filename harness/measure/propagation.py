"""What does a margin in dB mean for range? Free space, and why it is the best case."""

from __future__ import annotations

import math
from typing import Final

LIGHT_M_S: Final = 299_792_458


def free_space_factor(margin_db: float) -> float:
    """Return by how much farther a signal reaches that may lose `margin_db` more: 10**(margin / 20).

    In free space the loss grows with 20 log10 of the distance. Source: Recommendation ITU-R P.525, section
    2.3 (32.4 + 20 log10 f_MHz + 20 log10 d_km, in dB).
    """
    return float(10 ** (min(max(margin_db, -300.0), 300.0) / 20))


def rayleigh_outage(margin_db: float) -> float:
    """Return the share of the time that a Rayleigh-fading signal is more than `margin_db` under its mean.

    1 - exp(-10**(-margin / 10)): the power of such a signal is exponentially distributed. Source: Rappaport,
    Wireless Communications; Proakis, Digital Communications (cited from memory).
    """
    return -math.expm1(-(10 ** (-min(max(margin_db, -25.0), 300.0) / 10)))


def two_ray_breakpoint_m(height_m: float, other_height_m: float, frequency_hz: float) -> float:
    """Return the distance from which the ray off the ground matters: 4 h1 h2 / wavelength, in m.

    Beyond it the loss grows with 40 log10 of the distance. Source: Recommendation ITU-R P.1411 (cited from
    memory); some texts have 4 pi h1 h2 / wavelength.
    """
    return 4 * height_m * other_height_m * frequency_hz / LIGHT_M_S


__all__ = ["free_space_factor", "rayleigh_outage", "two_ray_breakpoint_m"]

"""How strong does a packet arrive, and does it survive that? Transmit power, path, attenuator, receiver.

    signal = power - free-space loss - attenuator        dBm
    loss   = 20 log10(4 pi d f / c)                      dB, Recommendation ITU-R P.525, section 2.3
    PER    = 1 - (1 - BER)**bits

The bit error ratio over the signal-to-noise ratio is that of IEEE Std 802.15.4-2006, Annex E.4.1.8, as one
checked example of how steeply a radio fails. It is moved so that it is 0.1 % at the receiver's sensitivity,
which is how many data sheets of 2.4 GHz transceivers define it (common practice, no source).
Left out: reflections, fading, the antennas' patterns, other transmitters, strong signals that overload.
"""

from __future__ import annotations

import math
from functools import cache
from math import comb
from typing import Final

from harness.codec.messages import SIGNAL_UNKNOWN
from mocks.settings import WorldSettings

LIGHT_M_S: Final = 299_792_458
SENSITIVITY_BER: Final = 1e-3
NEVER: Final = 1e-9
"""A smaller chance counts as none, so that a strong signal draws no chance."""
HALVINGS: Final = 60


def free_space_loss_db(distance_m: float, frequency_hz: float) -> float:
    """Return the free-space basic transmission loss 20 log10(4 pi d f / c) in dB (ITU-R P.525)."""
    return 20 * math.log10(4 * math.pi * distance_m * frequency_hz / LIGHT_M_S)


def bit_error_ratio(snr: float) -> float:
    """Return the bit error ratio at a linear signal-to-noise ratio (IEEE 802.15.4-2006, E.4.1.8)."""
    total = sum((-1.0) ** k * comb(16, k) * math.exp(20 * snr * (1 / k - 1)) for k in range(2, 17))
    return min(max(8 / 15 / 16 * total, 0.0), 0.5)


def packet_error_ratio(ber: float, bits: int) -> float:
    """Return the share of packets with a wrong bit, 1 - (1 - BER)**bits."""
    return -math.expm1(bits * math.log1p(-ber))


@cache
def snr_at_sensitivity_db() -> float:
    """Return the signal-to-noise ratio in dB at which the bit error ratio is `SENSITIVITY_BER`."""
    low, high = -10.0, 10.0
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if bit_error_ratio(10 ** (middle / 10)) > SENSITIVITY_BER:
            low = middle
        else:
            high = middle
    return low


@cache
def loss_above(above_db: float, bits: int) -> float:
    """Return the share of transmissions of `bits` lost when the signal is `above_db` over the sensitivity."""
    share = packet_error_ratio(bit_error_ratio(10 ** ((above_db + snr_at_sensitivity_db()) / 10)), bits)
    return share if share > NEVER else 0.0


class Range:
    """The way between both antennas. Power and turned attenuation are in tenths of a dBm or dB."""

    def __init__(self, settings: WorldSettings) -> None:
        assert settings.distance_mm is not None
        self.power_x10 = settings.transmit_power_x10
        self.turned_x10 = 0
        self._answer_x10 = settings.receiver_power_x10
        self._sensitivity_dbm = settings.sensitivity_x10 / 10
        free_db = free_space_loss_db(settings.distance_mm / 1_000, settings.carrier_khz * 1_000)
        self._path_db = free_db + settings.attenuation_x10 / 10

    def signal_dbm(self) -> float:
        """Return the strength of a packet at the receiver."""
        return (self.power_x10 - self.turned_x10) / 10 - self._path_db

    def reported_dbm(self) -> int:
        """Return that strength as a receiver reports it: in whole dBm."""
        return min(max(round(self.signal_dbm()), SIGNAL_UNKNOWN + 1), -SIGNAL_UNKNOWN - 1)

    def packet_loss(self, bits: int) -> float:
        """Return the share of packets lost for want of signal."""
        return loss_above(self.signal_dbm() - self._sensitivity_dbm, bits)

    def answer_loss(self, bits: int) -> float:
        """Return the share of acknowledgements lost for want of signal; both radios are equally sensitive."""
        signal_dbm = (self._answer_x10 - self.turned_x10) / 10 - self._path_db
        return loss_above(signal_dbm - self._sensitivity_dbm, bits)

"""The mock transmitter's own sticks rest, or have the noise, hum and drift that were set."""

from fractions import Fraction

import numpy as np
import pytest

from harness.chance import stream
from harness.clock import MS, S
from mocks.inputs import make_inputs
from mocks.settings import DUNLIN, MockSettings


def read(seconds=40, every_ns=20 * MS, **settings):
    inputs = make_inputs(DUNLIN, MockSettings(**settings), stream(1, "own"))
    assert inputs is not None
    return np.array([inputs.read(at_ns) for at_ns in range(0, seconds * S, every_ns)])


def test_undisturbed_sticks_need_no_inputs():
    assert make_inputs(DUNLIN, MockSettings(), stream(1, "own")) is None


def test_noise_has_the_rms_that_was_set_on_each_channel_by_itself():
    """2000 readings: within five standard errors, 8 %."""
    found = read(own_noise_us=5)
    for channel in (0, 1, 3, 4):
        assert found[:, channel].std() == pytest.approx(5, rel=0.08)
    assert abs(np.corrcoef(found[:, 0], found[:, 1])[0, 1]) < 0.12
    assert np.abs(found[:, 2]).min() == 1000  # a closed throttle is held at its low end


def test_hum_has_the_amplitude_and_the_frequency_that_were_set():
    found = read(4, 2 * MS, own_hum_us=20, own_hum_mhz=60_000)[:, 0] - 1500
    spectrum = np.abs(np.fft.rfft(found)) * 2 / len(found)
    assert spectrum.argmax() == 4 * 60
    assert spectrum.max() == pytest.approx(20, abs=0.5)


def test_drift_goes_as_far_in_a_minute_as_was_set():
    found = read(60, S, own_drift_us=30)
    assert found[-1, 0] - found[0, 0] == pytest.approx(30 * 59 / 60, abs=1)


def test_a_throttle_stick_stands_where_it_was_set():
    assert read(1, own_throttle=Fraction(3, 10))[0].tolist() == [1500, 1500, 1300, 1500, 1500, 1500]


def test_equal_chance_gives_equal_readings():
    assert (read(5, own_noise_us=9) == read(5, own_noise_us=9)).all()

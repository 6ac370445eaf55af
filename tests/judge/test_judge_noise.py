"""Verdicts on noise at rest: fails a bad one, just passes a good one, and knows what it cannot tell."""

from random import Random

import numpy as np
import pytest
from imaginary import Scenario, judged, plan_for

from harness.clock import MS, S
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
REST = p.PlanStep(action=p.OwnSticks(for_ns=10 * S), name="rest", path="steps[0]")
CENTRE = (1500, 1500, 1500, 1500)


def resting(rule, *, sigma=0.0, hum_us=0.0, hertz=60.0, seconds=10.0, period_ns=20 * MS, own=lambda _: True):
    """Noise on the second channel, hum on the third."""
    chance = Random(9)

    def sticks(place):
        wave = hum_us * np.sin(2 * np.pi * hertz * place * period_ns / S)
        return (1000, 1500 + round(chance.gauss(0, sigma)), 1500 + round(wave), 1500)

    plan = plan_for(rule, steps=[REST])
    scenario = Scenario(plan=plan, own=own, sticks=sticks, seconds=seconds, period_ns=period_ns)
    return judged(rule, scenario)


@pytest.mark.parametrize(("sigma", "verdict"), [(3.0, PASS), (4.0, OPEN), (5.0, FAIL)])
def test_an_rms_is_judged_by_its_interval(sigma, verdict):
    found = resting(p.Noise(at_most_us=4), sigma=sigma)
    assert found.verdict is verdict
    assert found.value == pytest.approx(sigma, rel=0.15)
    assert found.interval[0] < found.value < found.interval[1]
    assert (found.needed is not None) == (verdict is OPEN)
    assert "roll" in found.reason


def test_sticks_that_never_move_pass_and_are_told():
    found = resting(p.Noise(at_most_us=1))
    assert found.verdict is PASS
    assert "no channel moved" in found.reason


@pytest.mark.parametrize(("limit", "verdict"), [(100, PASS), (5, FAIL)])
def test_peak_to_peak_is_judged_where_asked_for(limit, verdict):
    found = resting(p.Noise(at_most_us=10, peak_to_peak_us=limit), sigma=3.0)
    assert found.verdict is verdict
    assert ("peak to peak, 5 us allowed" in found.reason) == (verdict is FAIL)


@pytest.mark.parametrize(("hum_us", "verdict"), [(4.0, PASS), (5.0, OPEN), (6.0, FAIL)])
def test_hum_is_judged_where_the_packet_rate_can_tell_it(hum_us, verdict):
    rule = p.Noise(at_most_us=100, hum_us=5, mains="60 Hz")
    found = resting(rule, hum_us=hum_us, period_ns=4 * MS, seconds=4.0)
    assert found.verdict is verdict, found.reason


def test_hum_that_could_be_another_frequency_never_fails():
    loud = resting(p.Noise(at_most_us=100, hum_us=2, mains="60 Hz"), hum_us=20.0)
    assert loud.verdict is OPEN
    assert "or at 10 Hz" in loud.reason
    assert resting(p.Noise(at_most_us=100, hum_us=8, mains="60 Hz"), hum_us=4.0).verdict is PASS


def test_hum_at_the_packet_rate_cannot_be_told():
    found = resting(p.Noise(at_most_us=100, hum_us=2, mains="50 Hz"))
    assert found.verdict is OPEN
    assert "like a slow drift" in found.reason
    assert any("another packet rate" in line for line in found.advice)


def test_a_transmitter_that_keeps_the_harnesss_sticks_shows_nothing():
    found = resting(p.Noise(at_most_us=4), own=lambda packet: packet.index < 30)
    assert found.verdict is OPEN
    assert "went on with the harness's sticks" in found.reason


def test_noise_needs_packets():
    few = resting(p.Noise(at_most_us=4), seconds=2.0)
    assert (few.verdict, few.needed) == (OPEN, 250 - few.samples)
    none = judged(p.Noise(at_most_us=4))
    assert none.verdict is OPEN
    assert "no packet carried the transmitter's own sticks" in none.reason

"""Verdicts on telemetry: each check fails a bad run, just passes a good one, knows what it cannot tell."""

import pytest
from imaginary import RX, TX, Scenario, drop_every, judged

from harness.clock import MS
from harness.codec import messages as wire
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
VALUE = p.TelemetryValue()


def run(**fields):
    scenario = Scenario(**fields)
    scenario.inject_often()
    return scenario


def age(packets=1, ms=60):
    return p.TelemetryAge(at_most_packets=packets, at_most_ns=ms * MS)


def test_values_as_injected_pass():
    found = judged(VALUE, run())
    assert (found.verdict, found.value) == (PASS, 0.0)
    assert found.samples == 3 * found.counts["payloads"]


def test_a_scaled_value_fails_and_the_scale_is_told():
    found = judged(VALUE, run(garble=lambda v: (v[0] * 100, *v[1:])))
    assert found.verdict is FAIL
    assert "volts" in found.reason
    assert "100 times the injected one" in found.reason
    assert "shows raw 0x" in found.examples[0]


def test_a_value_that_is_two_packets_old_is_still_true():
    assert judged(VALUE, run(preloaded=2)).verdict is PASS


def test_a_payload_too_short_for_its_fields_fails():
    scenario = run()
    whole = scenario.telemetry
    scenario.telemetry = lambda packet: whole(packet)[:4]
    found = judged(VALUE, scenario)
    assert found.verdict is FAIL
    assert "too short" in found.reason


def test_acknowledgements_that_never_carry_a_payload_fail():
    scenario = run()
    scenario.telemetry = lambda packet: None
    found = judged(VALUE, scenario)
    assert found.verdict is FAIL
    assert "without any telemetry" in found.reason


def test_values_without_injection_are_inconclusive():
    assert judged(VALUE).verdict is OPEN
    scenario = Scenario()
    for place in range(5):
        scenario.inject((place,), 102_105 * MS + place * 300 * MS)
    found = judged(VALUE, scenario)
    assert found.verdict is OPEN
    assert "heat, amps was never injected" in found.reason


@pytest.mark.parametrize("role", [TX, RX])
def test_serial_losses_never_fail_telemetry(role):
    assert judged(VALUE, run(drop=drop_every(role, 3))).verdict is not FAIL
    assert judged(age(), run(drop=drop_every(role, 3))).verdict is not FAIL


@pytest.mark.parametrize(
    ("preloaded", "allowed", "verdict"),
    [(1, 1, PASS), (1, 0, FAIL), (2, 1, FAIL), (2, 2, PASS), (3, 2, FAIL)],
)
def test_telemetry_age_in_packets(preloaded, allowed, verdict):
    found = judged(age(allowed, 200), run(preloaded=preloaded))
    assert found.verdict is verdict
    assert found.counts["oldest in packets"] == preloaded
    assert verdict is PASS or found.unit == "packets"


@pytest.mark.parametrize(("ms", "verdict"), [(60, PASS), (36, PASS), (35, FAIL)])
def test_telemetry_age_in_time(ms, verdict):
    """Injected sets are 15.3 to 35.4 ms old when the transmitter has them."""
    found = judged(age(1, ms), run())
    assert found.verdict is verdict
    assert found.value == pytest.approx(35.35, abs=0.1)
    assert found.unit == "ms"


def test_telemetry_age_needs_some_injected_sets():
    assert judged(age(), run(seconds=1.0)).verdict is OPEN
    assert "no telemetry was injected" in judged(age()).reason
    garbled = judged(age(), run(garble=lambda v: (v[0] ^ 1, v[1] ^ 1, v[2] ^ 1)))
    assert garbled.verdict is OPEN
    assert "unchanged" in garbled.reason


def test_telemetry_age_is_inconclusive_when_every_set_met_missing_messages():
    assert judged(age(), run(drop=drop_every(RX, 1, wire.Applied))).verdict is OPEN

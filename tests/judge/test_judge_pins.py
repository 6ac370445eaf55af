"""Verdicts on pins: a pin or a report that lies fails, a witness that is missing or unsure never does."""

from dataclasses import replace

import pytest
from imaginary import (
    RUN_NS,
    RX,
    WX,
    DeviceClock,
    Reset,
    Scenario,
    Silence,
    as_reported,
    drop_every,
    judged,
    plan_for,
)

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.judge import judge
from harness.plan import model as p
from harness.recording.model import PortPackets
from harness.verdict import Verdict

PASS, FAIL, OPEN, NONE = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.NONE
PINS, IF_PRESENT = p.Pins(), p.Pins(witness="if present")


def longer(by_us):
    return lambda _, outputs: (outputs[0] + by_us, *outputs[1:])


def swapped(_, outputs):
    return (outputs[1], outputs[0], *outputs[2:])


def test_pins_that_do_what_the_receiver_says_pass():
    found = judged(PINS, pins=as_reported)
    assert (found.verdict, found.value, found.samples) == (PASS, 0.0, 800)
    assert found.reason.startswith("800 pulses were as reported within 4 us, the worst 0")
    assert found.reason.endswith("(widths only, the frame rate is not judged)")


@pytest.mark.parametrize(("by_us", "within_us", "verdict"), [(20, 4, FAIL), (3, 4, PASS), (20, 25, PASS)])
def test_a_pin_further_off_than_allowed_fails(by_us, within_us, verdict):
    assert judged(p.Pins(within_us=within_us), pins=longer(by_us)).verdict is verdict


def test_a_pin_at_the_limit_is_neither_good_nor_bad():
    found = judged(PINS, pins=longer(4.0))
    assert found.verdict is OPEN
    assert "may be more than 4 us off" in found.reason


def test_a_witness_without_a_known_clock_decides_nothing_near_the_limit():
    never = {"drop": lambda role, place, message: role == WX and isinstance(message, wire.Pong)}
    assert judged(PINS, pins=longer(10), **never).verdict is OPEN
    assert judged(PINS, pins=longer(90), **never).verdict is FAIL


def test_a_wrong_pin_is_told_with_what_is_said_and_what_is_done():
    found = judged(PINS, pins=longer(60))
    assert found.verdict is FAIL
    assert "throttle: the report says" in found.reason
    assert "(the report is what was asked for: suspect the pin)" in found.reason
    assert "throttle reported" in found.examples[0]
    assert "measured" in found.examples[0]
    assert found.counts["wrong"] == found.value > 150


def test_a_wrong_report_is_told_as_one():
    found = judged(
        PINS, shown=lambda _, out: (1100, *out[1:]), pins=as_reported,
        sticks=lambda place: (1300 if place < 100 else 1600, 1500, 1500, 1500),
    )  # fmt: skip
    assert found.verdict is PASS
    truth = [1300, 1600]
    found = judged(
        PINS, shown=lambda _, out: (1100, *out[1:]),
        pins=lambda at_ns, out: (truth[at_ns >= RUN_NS + 1500 * MS - 2 * MS], *out[1:]),
        sticks=lambda place: (1300 if place < 100 else 1600, 1500, 1500, 1500),
    )  # fmt: skip
    assert found.verdict is FAIL
    assert "(the pin does what was asked for: suspect the report)" in found.reason


def test_swapped_pins_are_told_in_words():
    found = judged(PINS, pins=swapped)
    assert found.verdict is FAIL
    assert "(the pin does what roll reports)" in found.reason
    assert "(the pin does what throttle reports)" in found.reason


CERAMIC = {role: DeviceClock(0, -5000 if role == RX else 0) for role in (*Scenario().clocks, WX)}
"""A receiver whose resonator is half a per cent slow."""


def slow(_, outputs):
    return tuple(us / 0.995 for us in outputs)


def test_pulses_that_a_resonator_makes_too_long_are_told_as_that():
    found = judged(PINS, pins=slow, clocks=CERAMIC)
    assert found.verdict is FAIL
    assert "(the receiver's clock is 0.50 % off: its pulses are that much too long)" in found.reason
    assert "suspect" not in found.reason
    assert len(found.advice) == 1
    assert "a crystal" in found.advice[0]
    assert "`within`" in found.advice[0]
    assert judged(p.Pins(within_us=12), pins=slow, clocks=CERAMIC).verdict is PASS


def test_a_resonator_is_not_blamed_for_another_pin_or_for_a_true_clock():
    found = judged(PINS, pins=lambda _, out: (slow(_, out)[0] + 60, *slow(_, out)[1:]), clocks=CERAMIC)
    throttle, others = found.reason.split("; ", 1)
    assert "suspect the pin" in throttle
    assert "clock" not in throttle
    assert "the receiver's clock is 0.50 % off" in others
    assert len(found.advice) == 3
    assert "clock" not in judged(PINS, pins=slow).reason


def with_channels(*names):
    link = Scenario().plan.link
    channels = (*link.channels, *(p.Channel(name=name, failsafe="centre") for name in names))
    return {
        "plan": plan_for(PINS, link=replace(link, channels=channels)),
        "sticks": lambda place: tuple(1000 + place * 7 * (n + 1) % 1001 for n in range(len(channels))),
    }


def test_a_witness_with_fewer_inputs_than_channels_names_those_it_did_not_see():
    two = judged(PINS, pins=as_reported, **with_channels("camera tilt", "shutter"))
    words = "the witness has 4 inputs, the link 6 channels: camera tilt and shutter were not seen"
    assert (two.verdict, two.needed) == (OPEN, None)
    assert two.reason.endswith(words)
    assert "wire" in two.advice[0]
    one = judged(PINS, pins=as_reported, **with_channels("shutter"))
    assert one.reason.endswith("the witness has 4 inputs, the link 5 channels: shutter was not seen")
    assert judged(PINS, pins=longer(60), **with_channels("shutter")).verdict is FAIL


def test_a_dead_output_is_told_with_how_long():
    found = judged(PINS, pins=lambda at_ns, out: (out[0], 0 if at_ns > RUN_NS + S else out[1], *out[2:]))
    assert (found.verdict, found.value) == (FAIL, 1.0)
    assert "roll: no pulse for up to 299" in found.reason
    assert "no pulse for" in found.examples[0]


def test_pins_that_hold_in_failsafe_fail():
    cut = [Silence(RUN_NS + S, 900 * MS)]
    assert judged(PINS, pins=as_reported, silences=cut).verdict is PASS
    held = judged(PINS, silences=cut, pins=lambda _, out: (max(out[0], 1400), *out[1:]))
    assert held.verdict is FAIL


@pytest.mark.parametrize(("rule", "verdict"), [(PINS, OPEN), (IF_PRESENT, NONE)])
def test_without_a_witness_nothing_is_judged(rule, verdict):
    found = judged(rule)
    assert (found.verdict, found.reason) == (verdict, "not judged: no witness on this bench")


def test_what_was_not_judged_never_counts():
    plan = plan_for(p.Fidelity(), IF_PRESENT)
    assert judge(plan, Scenario(plan=plan).recording()).verdict is PASS
    plan = plan_for(IF_PRESENT)
    assert judge(plan, Scenario(plan=plan).recording()).verdict is OPEN


@pytest.mark.parametrize("role", [RX, WX])
def test_lost_messages_keep_pins_from_passing_and_never_make_them_fail(role):
    found = judged(PINS, pins=as_reported, drop=drop_every(role, 40))
    assert found.verdict is OPEN
    assert role.value in found.reason
    assert judged(PINS, pins=longer(60), drop=drop_every(role, 40)).verdict is FAIL


def test_a_witness_that_says_nothing_or_falls_silent_is_no_fault_of_the_pins():
    silent = judged(PINS, pins=as_reported, drop=lambda role, place, _: role == WX)
    assert (silent.verdict, silent.reason) == (OPEN, "the witness's port said nothing")
    fell = judged(PINS, pins=as_reported, drop=lambda role, place, _: role == WX and place > 100)
    assert fell.verdict is OPEN
    assert "fell silent" in fell.reason


def test_restarts_of_the_receiver_excuse_its_pins():
    assert judged(PINS, pins=as_reported, resets=[Reset(RX, RUN_NS + 2 * S)]).verdict is PASS


def test_few_pulses_are_too_few():
    found = judged(PINS, pins=as_reported, seconds=1.0)
    assert (found.verdict, found.needed) == (OPEN, 9)


def test_a_damaged_recording_shows_nothing():
    scenario = Scenario(pins=longer(60))
    recording = scenario.recording()
    object.__setattr__(recording, "damaged", True)
    (found,) = judge(plan_for(PINS), recording).results
    assert found.verdict is OPEN


def test_a_witness_counts_in_the_check_of_the_bench():
    bench = p.BenchHealth()
    assert "witness to" in judged(bench, pins=as_reported).reason
    lossy = judged(bench, pins=as_reported, drop=drop_every(WX, 50))
    assert lossy.verdict is Verdict.ERROR
    assert "the witness's serial line lost" in lossy.reason
    dumb = judged(bench, pins=as_reported, drop=lambda role, place, _: role == WX)
    assert "the witness's port said nothing" in dumb.reason


def test_a_witness_is_named_with_its_inputs():
    scenario = Scenario(pins=as_reported)
    devices = judge(scenario.plan, scenario.recording()).devices
    assert devices["witness"] == "imaginary witness 1.0, serial 42, 4 inputs, 50 Hz"


def test_a_port_in_the_witness_role_without_a_packet_is_judged():
    recording = Scenario(pins=as_reported).recording()
    recording.ports[WX] = PortPackets([], [], [])
    (found,) = judge(plan_for(PINS), recording).results
    assert found.verdict is OPEN


def test_clocks_with_offset_skew_and_wrap_make_no_difference():
    clocks = {role: DeviceClock(2**32 - 102_000_000 + 7 * n, ppm) for n, (role, ppm) in enumerate(
        [(RX, -60), (WX, 80)]
    )}  # fmt: skip
    clocks[next(iter(Scenario().clocks))] = DeviceClock(5, 20)
    assert judged(PINS, pins=as_reported, clocks=clocks).verdict is PASS

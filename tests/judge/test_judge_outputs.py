"""Verdicts on outputs: each check must fail a bad run, just pass a good one, and know what it cannot tell."""

import pytest
from imaginary import RUN_NS, RX, TX, Scenario, drop_every, judged

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
FIDELITY, CALM = p.Fidelity(), p.NoGlitch()


def one_off(off):
    return lambda packet, out: (out[0], out[1] + off, *out[2:]) if packet.index == 99 else out


def test_outputs_that_follow_their_sticks_pass():
    found = judged(FIDELITY)
    assert (found.verdict, found.value, found.samples) == (PASS, 0.0, 200)


@pytest.mark.parametrize(("off", "tolerance", "verdict"), [(1, 0, FAIL), (-5, 5, PASS), (6, 5, FAIL)])
def test_one_output_off_by_more_than_the_tolerance_fails(off, tolerance, verdict):
    found = judged(p.Fidelity(tolerance_us=tolerance), shown=one_off(off))
    assert (found.verdict, found.value) == (verdict, abs(off))


def test_a_wrong_output_is_named_with_its_packet():
    found = judged(FIDELITY, shown=one_off(7))
    assert found.reason == "roll is off by up to 7 us in 1 of 200 packets"
    assert found.examples == ("packet 99 at 1.482 s in go: roll 1293 us instead of 1286 us",)


def test_a_swap_is_told_in_words():
    found = judged(FIDELITY, shown=lambda _, out: (out[1], out[0], *out[2:]))
    assert "throttle" in found.reason
    assert "it is swapped with roll" in found.reason
    assert found.counts["deviating"] > 150


def test_a_missing_output_fails():
    found = judged(FIDELITY, shown=lambda _, out: out[:3])
    assert found.verdict is FAIL
    assert "does not report" in found.reason


def test_fidelity_needs_enough_packets_with_commanded_sticks():
    few = judged(FIDELITY, seconds=1.0)
    assert (few.verdict, few.needed) == (OPEN, 59 - few.samples)
    none = judged(FIDELITY, drop=lambda role, place, message: isinstance(message, wire.Applied))
    assert none.verdict is OPEN


def test_fidelity_names_channels_that_never_moved():
    found = judged(FIDELITY, sticks=lambda place: (1000 + place % 900, 1500, 1000 + place % 700, 1200))
    assert found.verdict is PASS
    assert "roll, camera never moved" in found.reason


def stairs(place):
    """The second stick goes up by 1 us every second packet."""
    return (1000, 1400 + place // 2, 1500, 1500)


def back_at(limit, by):
    """The second output is lower by `by` from `limit` on."""
    return lambda _, out: (out[0], out[1] - by * (out[1] >= limit), *out[2:])


@pytest.mark.parametrize(("by", "verdict"), [(1, PASS), (2, FAIL)])
def test_an_output_that_steps_back_within_the_tolerance_fails(by, verdict):
    """Lower by 1 us from 1450 us on, the output stands still for a step; lower by 2 us, it steps back."""
    found = judged(p.Fidelity(tolerance_us=5), sticks=stairs, shown=back_at(1450, by))
    assert (found.verdict, found.value) == (verdict, by)
    back = "it goes from 1449 us to 1448 us where its stick goes from 1449 us to 1450 us"
    assert (found.reason == f"roll is within 5 us, but {back}") == (verdict is FAIL)
    assert found.advice or verdict is PASS


def test_a_step_back_may_be_allowed():
    rule = p.Fidelity(tolerance_us=5, monotonic="any")
    assert judged(rule, sticks=stairs, shown=back_at(1450, 2)).verdict is PASS


@pytest.mark.parametrize(("resolution", "verdict"), [("any", PASS), ("required", FAIL)])
def test_merged_steps_within_the_tolerance_fail_where_the_resolution_is_required(resolution, verdict):
    def shown(_, out):
        return (out[0], out[1] // 2 * 2, *out[2:])

    rule = p.Fidelity(tolerance_us=5, resolution=resolution)
    found = judged(rule, sticks=stairs, shown=shown)
    assert found.verdict is verdict
    assert ("do not move it" in found.reason) == (verdict is FAIL)
    assert judged(rule, sticks=stairs).verdict is PASS


def test_serial_losses_on_either_port_never_fail_fidelity():
    for role in (TX, RX):
        assert judged(FIDELITY, drop=drop_every(role, 3)).verdict is PASS


def test_explained_outputs_pass():
    assert judged(CALM).verdict is PASS


def test_an_output_change_for_no_reason_fails():
    scenario = Scenario()
    scenario.change(wire.OutputReason.OTHER, (1700, 1500, 1500, 1500), RUN_NS + S + 5 * MS)
    found = judged(CALM, scenario)
    assert (found.verdict, found.value) == (FAIL, 1.0)
    assert "changed without a packet" in found.reason


def test_the_same_outputs_written_again_pass():
    scenario = Scenario(sticks=lambda _: (1100, 1500, 1500, 1500))
    scenario.change(wire.OutputReason.OTHER, (1100, 1500, 1500, 1500), RUN_NS + S + 5 * MS)
    assert judged(CALM, scenario).verdict is PASS


def test_a_packet_that_nobody_sent_fails():
    scenario = Scenario()
    at_ns = RUN_NS + S + 5 * MS
    scenario.say(RX, wire.Applied(40_000, scenario.stamp(RX, at_ns), 0, (1000, 1500, 1500, 1500)), at_ns)
    found = judged(CALM, scenario)
    assert found.verdict is FAIL
    assert "nobody sent" in found.reason


@pytest.mark.parametrize(("off", "verdict"), [(1, PASS), (2, FAIL)])
def test_a_jump_beyond_the_resolution_fails(off, verdict):
    assert judged(CALM, shown=one_off(off)).verdict is verdict


def test_a_glitch_may_hide_in_missing_messages():
    found = judged(CALM, drop=drop_every(RX, 90))
    assert found.verdict is OPEN
    assert "could have shown a glitch" in found.reason
    assert judged(CALM, seconds=1.0).verdict is OPEN
    assert judged(CALM, drop=drop_every(TX, 3)).verdict is PASS

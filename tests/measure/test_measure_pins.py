"""The harness holds each pulse of a witness against what the receiver's reports allowed at that time."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenario import RUN_NS, RX, TX, WX, DeviceClock, Reset, Scenario, Silence, as_reported, drop_every

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.pins import compare_pins, read_pulses, read_reported
from harness.plan import model as p

RULE = p.Pins()


def compared(rule=RULE, **fields):
    """What came of the pins of a scenario, true to the report unless `pins` says otherwise."""
    scenario = Scenario(**{"pins": as_reported, **fields})
    evidence = gather(scenario.plan, scenario.recording())
    return compare_pins(evidence, rule), evidence


def test_pins_that_do_what_is_reported_are_right_to_a_tenth_of_a_microsecond():
    found, _ = compared()
    assert not found.wrong.any()
    assert not found.doubtful.any()
    assert found.off_us.max() <= found.pulses.doubt_us.max() < 0.2
    assert len(found.off_us) == 4 * 200  # four channels, 50 pulses a second, 4 s
    assert (found.dead, found.left_out) == ((), 0)


@pytest.mark.parametrize("ppm", [-9000, -400, 0, 400, 9000])
def test_a_witness_whose_clock_is_off_measures_in_the_pcs_microseconds(ppm):
    clocks = {TX: DeviceClock(), RX: DeviceClock(), WX: DeviceClock(2**32 - 101_000_000, ppm)}
    found, evidence = compared(clocks=clocks)
    assert found.off_us.max() < 0.3
    rise = read_pulses(evidence).rise_ns
    late = (rise - RUN_NS) % (20 * MS)
    assert max(np.minimum(late, 20 * MS - late)) < 200_000


@pytest.mark.parametrize(("off", "wrong"), [(3.8, False), (4.3, True), (-3.8, False), (-4.3, True)])
def test_a_pulse_is_wrong_beyond_the_tolerance_and_the_uncertainty(off, wrong):
    found, _ = compared(pins=lambda _, outputs: (outputs[0] + off, *outputs[1:]))
    assert found.wrong.any() == wrong
    assert set(found.pulses.channel[found.wrong]) <= {0}


def test_a_pulse_at_the_tolerance_could_be_either():
    found, _ = compared(pins=lambda _, outputs: (outputs[0] + 4.0, *outputs[1:]))
    assert found.doubtful.any()
    assert not found.wrong.any()


def stepping(place):
    """A throttle that jumps once, half a second into the run; the others rest."""
    return (1000 if place < 50 else 1800, 1500, 1500, 1500)


@pytest.mark.parametrize(("late_ns", "wrong"), [(0, 0), (20 * MS, 0), (40 * MS, 1)])
def test_pins_may_show_a_change_one_servo_frame_late_and_no_later(late_ns, wrong):
    truth, _ = compared(sticks=stepping)
    changed = truth.pulses.rise_ns[truth.pulses.channel == 0][
        truth.said_us[truth.pulses.channel == 0] == 1800
    ][0]

    def pins(frame_ns, outputs):
        return (1000 if frame_ns < changed - 5 * MS + late_ns else outputs[0], *outputs[1:])

    found, _ = compared(sticks=stepping, pins=pins)
    assert int(found.wrong.sum()) == wrong


def test_more_time_for_the_pins_can_be_given():
    def frozen(_, outputs):
        return (1000, *outputs[1:])

    assert compared(sticks=stepping, pins=frozen)[0].wrong.any()
    assert not compared(p.Pins(after_ns=S), sticks=stepping, pins=frozen, seconds=1.3)[0].wrong.any()


def test_failsafe_and_start_are_reports_too():
    fields = {"silences": [Silence(RUN_NS + S, 900 * MS)], "resets": [Reset(RX, RUN_NS + 3 * S)]}
    found, _ = compared(**fields)
    assert not found.wrong.any()
    assert not found.dead
    held, _ = compared(
        **fields, pins=lambda _, outputs: (1700 if outputs[0] == 1000 else outputs[0], *outputs[1:])
    )
    assert held.wrong.sum() > 20
    assert set(held.pulses.channel[held.wrong]) == {0}


def test_pulses_while_the_receiver_restarts_are_left_out():
    found, _ = compared(
        resets=[Reset(RX, RUN_NS + S, commanded=False)],
        pins=lambda frame_ns, outputs: (777,) * 4 if RUN_NS + S < frame_ns < RUN_NS + 1330 * MS else outputs,
    )
    assert not found.wrong.any()
    assert found.left_out > 0
    assert not found.dead


@pytest.mark.parametrize("role", [RX, WX])
def test_lost_reports_leave_pulses_out_and_make_none_wrong(role):
    found, evidence = compared(drop=drop_every(role, 9))
    assert evidence.heard[role].messages_lost > 10
    assert not found.wrong.any()
    assert not found.dead
    assert found.left_out > 0 if role == RX else len(found.off_us) < 800


def test_a_wrong_pin_still_shows_between_lost_reports():
    found, _ = compared(drop=drop_every(RX, 40), pins=lambda _, out: (out[0] + 20, *out[1:]))
    assert found.wrong.sum() > 50


def test_an_output_without_pulses_is_dead_from_its_last_one_on():
    found, _ = compared(pins=lambda at_ns, out: (out[0], 0 if at_ns > RUN_NS + S else out[1], *out[2:]))
    (dead,) = found.dead
    assert dead.channel == 1
    assert RUN_NS + S - 20 * MS < dead.start_ns <= RUN_NS + S + 3 * MS
    assert dead.end_ns == RUN_NS + 4 * S
    assert not found.wrong.any()


@pytest.mark.parametrize(("frames", "dead"), [(3, 0), (4, 0), (5, 1), (9, 1)])
def test_an_output_is_dead_after_a_tenth_of_a_second_without_a_pulse(frames, dead):
    """`frames` pulses of one output are missing, so that 20 ms more than that lie between two."""
    first = RUN_NS + S

    def pins(frame_ns, outputs):
        away = first <= frame_ns < first + frames * 20 * MS
        return (*outputs[:3], 0 if away else 1500)

    found, _ = compared(pins=pins, sticks=lambda _: (1000, 1500, 1500, 1500))
    assert len(found.dead) == dead


def test_an_output_that_the_receiver_reports_as_off_is_not_dead():
    found, _ = compared(
        shown=lambda _, outputs: (outputs[0], 0, *outputs[2:]),
        failsafe_outputs=lambda held: (1000, 0, 1500, 1500),
    )
    assert not found.dead
    assert not found.wrong.any()
    pulsing, _ = compared(
        shown=lambda _, outputs: (outputs[0], 0, *outputs[2:]),
        pins=lambda _, outputs: (outputs[0], 1500, *outputs[2:]),
    )
    assert pulsing.wrong.sum() > 100


def test_a_witness_that_falls_silent_makes_no_output_dead():
    found, _ = compared(drop=lambda role, place, _: role == WX and place > 150)
    assert not found.dead
    assert 0 < len(found.off_us) < 800


def test_an_output_that_the_receiver_leaves_out_of_its_reports_is_not_compared():
    found, _ = compared(
        shown=lambda _, outputs: outputs[:2], pins=lambda _, out: (out[0], out[1], 1500, 1500)
    )
    assert set(found.pulses.channel.tolist()) == {0, 1}


@pytest.mark.parametrize(
    ("shown", "pins", "pin_right", "report_right"),
    [
        (lambda _, out: out, lambda _, out: (out[0] + 50, *out[1:]), 0, 1),
        (lambda _, out: (out[0] + 50, *out[1:]), lambda _, out: (out[0] - 50, *out[1:]), 1, 0),
    ],
    ids=["the pin", "the report"],
)
def test_it_tells_which_side_does_what_was_asked_for(shown, pins, pin_right, report_right):
    found, _ = compared(shown=shown, pins=pins)
    assert found.wrong.sum() > 100
    assert found.pin_right[found.wrong].mean() == pytest.approx(pin_right, abs=0.1)
    assert found.report_right[found.wrong].mean() == pytest.approx(report_right, abs=0.1)


def test_reports_are_lined_up_in_order_of_time_with_what_was_wanted():
    scenario = Scenario(pins=as_reported, silences=[Silence(RUN_NS + S, 900 * MS)])
    evidence = gather(scenario.plan, scenario.recording())
    said = read_reported(evidence)
    assert (np.diff(said.at_ns) >= 0).all()
    asked = said.wanted_us[:, 0] >= 0
    assert (said.wanted_us[asked] == said.outputs_us[asked])[:, :3].all()
    assert (said.wanted_us[:, 3] == -1).any()  # held in failsafe


@settings(max_examples=30)
@given(st.data())
def test_it_agrees_with_a_plain_search(data):
    """Every pulse against every report, one by one: the same verdict as the vectorised search."""
    frames = data.draw(st.lists(st.sampled_from([-30, -4, 0, 3, 30]), min_size=60, max_size=60))
    jumps = data.draw(st.lists(st.integers(0, 59), max_size=10))

    def pins(frame_ns, outputs):
        return (outputs[0] + frames[frame_ns // (20 * MS) % 60], *outputs[1:])

    def sticks(place):
        return (1000 + 200 * sum(jump <= place % 60 for jump in jumps) % 900, 1500, 1500, 1500)

    found, evidence = compared(pins=pins, sticks=sticks, seconds=1.5)
    said = read_reported(evidence)
    clocks = evidence.clocks
    bound = clocks[WX].bound_ns + clocks[RX].bound_ns + 2000
    rows = zip(said.at_ns.tolist(), [*said.at_ns[1:].tolist(), 2**62], said.outputs_us.tolist(), strict=True)
    table = list(rows)
    pulses = found.pulses
    for row in np.flatnonzero(pulses.channel == 0).tolist():
        early = int(pulses.rise_ns[row]) - RULE.after_ns - bound
        late = int(pulses.fall_ns[row]) + bound
        allowed = [outputs[0] for start, end, outputs in table if start <= late and end > early]
        nearest = min(abs(value - float(pulses.width_us[row])) for value in allowed)
        assert found.off_us[row] == pytest.approx(nearest)


def test_a_flood_of_reports_is_bounded_and_not_judged():
    scenario = Scenario(pins=as_reported, seconds=1.0)
    for place in range(3000):
        at_ns = RUN_NS + 500 * MS + place * 1000
        scenario.say(RX, wire.OutputChange(scenario.stamp(RX, at_ns), 2, (1500,) * 4), at_ns)
    evidence = gather(scenario.plan, scenario.recording())
    found = compare_pins(evidence, RULE)
    assert found.left_out > 0

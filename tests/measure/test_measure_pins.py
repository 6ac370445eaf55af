"""The harness holds each pulse of a witness against what the receiver's reports allowed at that time."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenario import RUN_NS, RX, TX, WX, DeviceClock, Reset, Scenario, Silence, as_reported, drop_every

from harness.clock import MS, US, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.clockmap import RESOLUTION_NS
from harness.measure.pins import (
    Reported,
    _next_report,
    compare_pins,
    does_by_own_clock,
    read_pulses,
    read_reported,
    receiver_rate,
)
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


@pytest.mark.parametrize(("early_ns", "wrong"), [(0, 0), (20 * MS, 1)])
def test_a_pin_ahead_of_its_report_is_wrong(early_ns, wrong):
    """The change is reported 10 ms after one servo frame began, and 10 ms before the next."""
    fields = {"sticks": stepping, "latency_ns": lambda _: 10 * MS}
    truth, _ = compared(**fields)
    changed = truth.pulses.rise_ns[truth.said_us == 1800][0]

    def pins(frame_ns, outputs):
        return (1800 if frame_ns > changed - 5 * MS - early_ns else outputs[0], *outputs[1:])

    assert int(compared(**fields, pins=pins)[0].wrong.sum()) == wrong


@pytest.mark.parametrize(("spare_ns", "wrong"), [(US, 0), (-US, 1)])
def test_the_doubt_of_the_clocks_counts_for_a_late_pin_too(spare_ns, wrong):
    """The old value was reported until so long after the earliest time that rule and doubt allow."""
    truth, evidence = compared(sticks=stepping)
    said = read_reported(evidence)
    rise = int(truth.pulses.rise_ns[truth.said_us == 1800][0])
    change = int(said.at_ns[said.outputs_us[:, 0] == 1800][0])
    doubt = sum(evidence.clocks[role].bound_ns for role in (RX, WX)) + 2 * RESOLUTION_NS

    def pins(frame_ns, outputs):
        return (1000 if frame_ns < rise + 5 * MS else outputs[0], *outputs[1:])

    rule = p.Pins(after_ns=rise - change - doubt + spare_ns)
    assert int(compared(rule, sticks=stepping, pins=pins)[0].wrong.sum()) == wrong


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


@pytest.mark.parametrize(("until_ms", "wrong"), [(70, False), (90, True)])
def test_pins_have_time_to_follow_after_a_restart_of_the_receiver(until_ms, wrong):
    """25 ms, one servo frame, and 25 ms that a pulse may be old."""
    back = Reset(RX, RUN_NS + S, commanded=False)
    found, _ = compared(
        resets=[back],
        pins=lambda at_ns, out: (777,) * 4 if 0 < at_ns - back.at_ns < 300 * MS + until_ms * MS else out,
    )
    assert found.wrong.any() == wrong


def test_pulses_after_the_receivers_last_message_are_left_out():
    found, _ = compared(drop=lambda role, place, _: role == RX and place > 150)
    assert found.left_out > 100
    assert not found.wrong.any()
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


def test_no_output_is_dead_within_the_doubt_of_the_clocks():
    """Without pings, the witness's clock is known to 20 ms and more: 120 ms without a pulse may be 100."""
    first = RUN_NS + S
    found, _ = compared(
        pins=lambda at_ns, out: (*out[:3], 0 if first <= at_ns < first + 100 * MS else out[3]),
        drop=lambda role, _, message: role == WX and isinstance(message, wire.Pong),
    )
    assert not found.dead


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


def pulses_from(start_ns, for_ns):
    """Drop the witness's reports of that time."""

    def drop(role, place, message):
        return isinstance(message, wire.Pulses) and start_ns <= message.at_us * US < start_ns + for_ns

    return drop


def test_reports_of_the_witness_lost_in_a_row_make_no_output_dead():
    found, evidence = compared(drop=pulses_from(RUN_NS + S, 140 * MS))
    assert evidence.heard[WX].messages_lost == 7
    assert not found.dead


def test_a_restart_of_the_witness_makes_no_output_dead():
    restart = Reset(WX, RUN_NS + S, 190 * MS, commanded=False)
    found, _ = compared(
        resets=[restart],
        drop=pulses_from(restart.at_ns, restart.down_ns),
        pins=lambda at_ns, out: () if 0 < restart.back_ns - at_ns <= 21 * MS else out,
    )
    assert not found.dead


def test_a_witness_that_pauses_makes_no_output_dead():
    """One that leaves reports out without counting them."""
    scenario = Scenario(pins=as_reported, drop=pulses_from(RUN_NS + S, 400 * MS))
    evidence = gather(scenario.plan, scenario.recording())
    heard = evidence.heard[WX]
    uncounted = {**evidence.heard, WX: replace(heard, gaps=heard.gaps[:0])}
    assert not compare_pins(replace(evidence, heard=uncounted), RULE).dead


@pytest.mark.parametrize(("lost_ms", "dead"), [(20, 0), (0, 1)])
def test_a_pulse_may_have_been_reported_in_the_first_message_lost(lost_ms, dead):
    """Four pulses of an output are missing, which is allowed; the report of the fifth gets lost."""
    first = RUN_NS + S

    def pins(frame_ns, outputs):
        away = 0 <= frame_ns - first < (80 if lost_ms else 100) * MS
        return (*outputs[:3], 0 if away else 1500)

    found, _ = compared(
        pins=pins, sticks=lambda _: (1000, 1500, 1500, 1500), drop=pulses_from(first + 100 * MS, lost_ms * MS)
    )
    assert len(found.dead) == dead


@pytest.mark.parametrize(("first_ms", "dead"), [(118, 0), (138, 1)])
def test_an_output_that_is_switched_on_has_one_more_frame_for_its_first_pulse(first_ms, dead):
    on_ns = RUN_NS + S + 2 * MS

    def pins(frame_ns, outputs):
        return (*outputs[:3], 1500 if frame_ns >= on_ns + first_ms * MS else 0)

    found, _ = compared(
        shown=lambda packet, out: (*out[:3], 0 if packet.at_ns < RUN_NS + S else 1500),
        pins=pins,
    )
    assert len(found.dead) == dead


def test_the_next_report_is_the_first_in_time_that_was_heard_since():
    nothing = np.zeros((4, 0), dtype=np.int64)
    said = Reported(np.array([0, 50, 60, 70]), np.array([5, 100, 30, 110]), nothing, nothing)
    assert _next_report(said, np.array([40])).tolist() == [50]  # heard at 100, after the one heard at 30
    assert _next_report(said, np.array([90])).tolist() == [90]  # of 50, and known at 90 at the earliest


@pytest.mark.parametrize("ppm", [-5000, 5000])
def test_a_wrong_width_is_told_to_be_the_receivers_clocks(ppm):
    clocks = {TX: DeviceClock(), RX: DeviceClock(0, ppm), WX: DeviceClock()}

    def pins(_, outputs):
        own = [us / (1 + ppm * 1e-6) for us in outputs]
        return (own[0], own[1] + 60, *own[2:])

    found, evidence = compared(clocks=clocks, pins=pins)
    assert receiver_rate(evidence).rate == pytest.approx(1 / (1 + ppm * 1e-6), abs=1e-4)
    assert does_by_own_clock(evidence, RULE, found, 0).mean() > 0.95
    assert does_by_own_clock(evidence, RULE, found, 1).mean() < 0.2


@pytest.mark.parametrize(
    ("ppm", "off_us", "clocks"),
    [(-5000, 7.5, True), (-5000, 13.5, False), (-300, 4.4, False)],
    ids=[
        "as the clock makes it",
        "6 us more than the clock makes it",
        "right by the clock, but little due to it",
    ],
)
def test_a_wrong_width_is_the_clocks_only_if_it_explains_it(ppm, off_us, clocks):
    found, evidence = compared(
        clocks={TX: DeviceClock(), RX: DeviceClock(0, ppm), WX: DeviceClock()},
        sticks=lambda _: (1500,) * 4,
        pins=lambda _, out: (1500 + off_us, *out[1:]),
    )
    assert found.wrong.sum() > 100
    assert (does_by_own_clock(evidence, RULE, found, 0).mean() > 0.9) == clocks


def test_a_clock_that_may_be_right_is_not_blamed():
    found, evidence = compared(
        clocks={TX: DeviceClock(), RX: DeviceClock(0, -5000), WX: DeviceClock()},
        pins=lambda _, outputs: [us / 0.995 for us in outputs],
    )
    assert does_by_own_clock(evidence, RULE, found, 0).any()
    clock = evidence.clocks[RX]
    vague = tuple(replace(part, rate=part.rate._replace(error=0.006)) for part in clock.segments)
    unsure = replace(evidence, clocks={**evidence.clocks, RX: replace(clock, segments=vague)})
    assert not does_by_own_clock(unsure, RULE, found, 0).any()


def test_a_wrong_width_is_not_the_clocks_if_that_is_right():
    found, evidence = compared(pins=lambda _, outputs: [us * 1.005 for us in outputs])
    assert found.wrong.any()
    assert not any(does_by_own_clock(evidence, RULE, found, channel).any() for channel in range(4))


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

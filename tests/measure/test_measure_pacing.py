"""Packets a second and gaps between them."""

import pytest
from scenario import RUN_NS, RX, TX, DeviceClock, Reset, Scenario, Silence, drop_every

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.pacing import control_gaps, packet_rate


def evidence(scenario):
    return gather(scenario.plan, scenario.recording())


def longest(scenario):
    return int(control_gaps(evidence(scenario)).gap_ns.max())


@pytest.mark.parametrize("ppm", [0.0, 200.0, -5000.0])
def test_the_rate_is_told_in_true_time_whatever_the_device_thinks(ppm):
    clocks = {TX: DeviceClock(9, ppm), RX: DeviceClock()}
    rate = packet_rate(evidence(Scenario(period_ns=21 * MS, clocks=clocks)))
    assert rate.hz == pytest.approx(1000 / 21, rel=1e-4)
    assert abs(rate.hz - 1000 / 21) <= rate.hz * rate.bound_ns / rate.time_ns


def test_cuts_restarts_and_bursts_are_left_out_of_the_rate():
    scenario = Scenario(
        silences=[Silence(RUN_NS + S, 700 * MS)], resets=[Reset(TX, RUN_NS + 3 * S)], seconds=6.0
    )
    for place in range(5):
        at_ns = RUN_NS + 2500 * MS + place * MS
        stamp = scenario.stamp(TX, at_ns)
        scenario.say(TX, wire.Sent(50_000 + place, 1, stamp, 9, 1, wire.SENT_IN_BURST), at_ns + 200_000)
    assert packet_rate(evidence(scenario)).hz == pytest.approx(50.0, rel=1e-3)


def test_missing_reports_do_not_slow_the_rate():
    assert packet_rate(evidence(Scenario(drop=drop_every(TX, 4)))).hz == pytest.approx(50.0, rel=1e-3)


def test_a_transmitter_that_stops_is_slow():
    stopped = Scenario(resets=[Reset(TX, RUN_NS + 3 * S, down_ns=60 * S, commanded=False)], pings=False)
    stopped.say(TX, wire.Pong(1, 1), stopped.end_ns + 500 * MS)
    assert packet_rate(evidence(stopped)).hz < 40


def test_a_single_packet_has_no_rate():
    assert packet_rate(evidence(Scenario(seconds=0.0))).hz is None


def test_gaps_are_between_packets_however_late_each_is():
    assert longest(Scenario()) == pytest.approx(20 * MS, abs=10_000)
    assert longest(Scenario(lost=lambda packet: 100 <= packet.index < 103)) == pytest.approx(
        80 * MS, abs=10_000
    )


def test_a_packet_applied_again_ends_no_gap():
    scenario = Scenario(lost=lambda packet: packet.index == 100, copies=lambda p: 2 if p.index == 99 else 1)
    assert longest(scenario) == pytest.approx(40 * MS, abs=10_000)


@pytest.mark.parametrize("role", [TX, RX])
def test_cuts_and_restarts_are_no_gaps(role):
    scenario = Scenario(silences=[Silence(RUN_NS + S, 700 * MS)], resets=[Reset(role, RUN_NS + 3 * S)])
    assert longest(scenario) == pytest.approx(20 * MS, abs=10_000)


def test_the_gap_right_after_a_cut_counts():
    """The first packet after the cut (tick 111) comes, the next three do not."""
    scenario = Scenario(
        silences=[Silence(RUN_NS + S, 700 * MS)], lost=lambda packet: 112 <= packet.index < 115
    )
    assert longest(scenario) == pytest.approx(80 * MS, abs=10_000)


def test_a_receiver_that_stops_has_a_gap_to_the_end_of_the_step():
    found = control_gaps(evidence(Scenario(lost=lambda packet: packet.at_ns > RUN_NS + 3 * S)))
    assert found.gap_ns.max() == pytest.approx(S, abs=25 * MS)
    assert not found.doubtful[found.gap_ns.argmax()]


def test_a_link_that_is_not_up_yet_has_no_gap_before_its_first_packet():
    found = control_gaps(evidence(Scenario(lost=lambda packet: packet.at_ns < RUN_NS + S)))
    assert found.gap_ns.max() == pytest.approx(20 * MS, abs=10_000)


def test_a_gap_with_missing_messages_is_doubtful():
    found = control_gaps(evidence(Scenario(drop=drop_every(RX, 60, wire.Applied))))
    assert found.doubtful.sum() >= 2
    assert found.gap_ns[~found.doubtful].max() == pytest.approx(20 * MS, abs=10_000)

"""Three kinds of delay, and their percentiles with what is lost as infinite."""

import numpy as np
import pytest
from scenario import RUN_NS, RX, DeviceClock, Scenario, Silence, drop_every, every, line_ns
from scenario import TX as TRANSMITTER

from harness.clock import MS, US, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.arrays import ints
from harness.measure.delivery import LOST_NS
from harness.measure.latency import (
    DELAYS,
    delay_median,
    delay_percentile,
    measure_latency,
    share_within,
)

RFC_7679 = ints(sorted([100, 110, LOST_NS, 90, 500]))
"""RFC 7679 sections 5.1 to 5.4, first stream in ms, one packet lost (read)."""


def delays(scenario, of="packet", during=()):
    return DELAYS[of](gather(scenario.plan, scenario.recording()), during)


def measured(scenario, percentile=0.9, limit_ns=20 * MS):
    return measure_latency(delays(scenario), percentile, 0.95, limit_ns)


def test_percentile_is_the_rfc_7679_example():
    assert delay_percentile(RFC_7679, 0.5) == 110
    assert delay_percentile(RFC_7679, 0.0) == 90
    assert delay_percentile(RFC_7679, 1.0) == LOST_NS


def test_statistics_of_delay_are_the_rfc_7679_examples():
    """Second stream 100, 110, lost, 90 (read): inverse percentile of 103 ms 50 %, median 105, minimum 90."""
    second = ints(sorted([100, 110, LOST_NS, 90]))
    assert share_within(second, 103) == 0.5
    assert delay_median(second) == 105
    assert second[0] == 90
    assert delay_median(RFC_7679) == 110
    assert delay_median(ints([1, LOST_NS])) == LOST_NS


def test_distribution_of_delay_is_the_rfc_2330_example():
    """RFC 2330 section 11.3 (read): F of -2 7 7 4 18 -5; its rule for even numbers gives the median 5.5."""
    data = ints(sorted([-2, 7, 7, 4, 18, -5]))
    expected = {-8: 0, -5: 1 / 6, 7: 5 / 6, 18: 1, 239: 1}
    assert {limit: share_within(data, limit) for limit in expected} == pytest.approx(expected, abs=1e-9)
    assert delay_median(10 * data) == 55


def test_percentile_is_the_rfc_2330_example():
    """RFC 2330 section 11.3 (read): 25th of -2 7 7 4 18 -5 is -2, 50th 4, 100th 18.

    DOUBTFUL there: it calls the 15th minus infinity; by its own definition F(-5) = 1/6 makes it -5.
    """
    data = ints(sorted([-2, 7, 7, 4, 18, -5]))
    assert [delay_percentile(data, share) for share in (0.25, 0.5, 1.0, 0.15)] == [-2, 4, 18, -5]


def test_no_packets_have_no_percentile():
    assert delay_percentile(ints([]), 0.5) is None
    assert delay_median(ints([])) is None
    assert share_within(ints([]), 5) is None


def test_latency_is_measured_across_two_unrelated_clocks():
    clocks = {TRANSMITTER: DeviceClock(2**32 - 102_000_000, 60.0), RX: DeviceClock(4_000_000_000, -80.0)}
    scenario = Scenario(clocks=clocks, latency_ns=lambda packet: (3 + packet.index % 10) * MS)
    found = measured(scenario, 0.9)
    assert found.value_ns == pytest.approx(11 * MS, abs=0.2 * MS)
    known = np.sort(found.delays.samples.known_ns)
    assert delay_median(known) == pytest.approx(7.5 * MS, abs=0.7 * MS)
    assert known[-1] == pytest.approx(12 * MS, abs=0.2 * MS)
    assert found.found.lower_ns <= found.value_ns <= found.found.upper_ns
    assert (found.lost, found.unknown, found.known) == (0, 0, 200)


def test_losses_make_a_percentile_infinite():
    """12 % lost: the 90th percentile is a lost packet, the 80th is not."""
    lost = every(3, 8)
    assert measured(Scenario(lost=lost), 0.9).value_ns == LOST_NS
    assert measured(Scenario(lost=lost), 0.8).value_ns == pytest.approx(2 * MS, abs=0.2 * MS)


def test_a_late_packet_counts_as_lost():
    found = measured(Scenario(latency_ns=lambda packet: 150 * MS if packet.index % 5 == 0 else 2 * MS), 0.9)
    assert (found.value_ns, found.lost) == (LOST_NS, 40)


def test_unknown_packets_widen_the_interval_at_both_ends():
    def slow(packet):
        return (3 + packet.index * 7 % 10) * MS

    whole = measured(Scenario(latency_ns=slow, seconds=20.0), 0.85)
    dropped = drop_every(RX, 25, wire.Applied)
    holed = measured(Scenario(latency_ns=slow, seconds=20.0, drop=dropped), 0.85)
    assert holed.unknown > 0
    assert holed.found.lower_ns <= whole.found.lower_ns
    assert holed.found.upper_ns >= whole.found.upper_ns


def test_a_small_sample_has_no_upper_end():
    assert measured(Scenario(seconds=1.0), 0.95).found.upper_ns == LOST_NS
    assert measured(Scenario(seconds=20.0), 0.95).found.upper_ns < 3 * MS


# -- from stick to output --------------------------------------------------------------------------


def stick_ns(packet_latency_ns=2 * MS):
    """A scenario's positions are handed over 12 ms before they are sampled: 18 bytes on the line."""
    return 12 * MS - line_ns(FRAME_BYTES) + packet_latency_ns


FRAME_BYTES = 1 + 2 + (2 + 1 + 4 * 2) + 2 + 2
"""Type, counter, set number with count and four pulses, CRC, and two bytes of framing."""


def known_of(scenario, of="stick"):
    found = delays(scenario, of)
    assert (found.samples.low_ns == found.samples.high_ns).all()
    return found.samples.low_ns, found.bound_ns


def test_stick_to_output_time_begins_when_the_position_has_arrived():
    found, bound_ns = known_of(Scenario())
    assert len(found) == 200
    assert found == pytest.approx(stick_ns(), abs=bound_ns)
    assert 0.05 * MS < bound_ns < 1 * MS


def test_a_frame_that_waits_for_the_line_arrives_later():
    """Four identity requests of 8 bytes each before every position, at the same instant."""
    scenario = Scenario()
    for place in range(250):
        for _ in range(4):
            scenario.tell(TRANSMITTER, wire.Identify(), RUN_NS - 500 * MS + place * 20 * MS - 12 * MS)
    found, bound_ns = known_of(scenario)
    assert found == pytest.approx(stick_ns() - line_ns(4 * 8), abs=bound_ns)


def test_a_stick_that_stands_still_has_no_stick_to_output_time():
    moved = Scenario(sticks=lambda place: (1000 + place // 10, 1500, 1500, 1500))
    assert len(known_of(moved)[0]) == 20
    assert len(known_of(Scenario(sticks=lambda place: (1000, 1500, 1500, 1500)))[0]) == 0


def test_a_position_whose_packet_was_lost_is_over_with_the_next_one():
    """The sticks moved on, so the lost position never shows: the newer one 20 ms later ends it."""
    found, bound_ns = known_of(Scenario(lost=lambda packet: packet.index == 100))
    late = found > 20 * MS
    assert late.sum() == 1
    assert found[late] == pytest.approx(stick_ns() + 20 * MS, abs=bound_ns)
    assert len(found) == 200


def test_a_position_that_stays_is_over_with_the_packet_that_brings_it():
    """Held for ten packets, the first two lost: 40 ms more."""

    def sticks(place):
        return (1000 + place // 10, 1500, 1500, 1500)

    found, bound_ns = known_of(Scenario(sticks=sticks, lost=lambda packet: packet.index % 10 < 2))
    assert found == pytest.approx(stick_ns() + 40 * MS, abs=bound_ns)


def test_a_position_that_no_packet_took_counts_until_a_newer_one_shows():
    """Twice as many positions as packets: those in between wait 10 ms less or more, none is left out."""
    scenario = Scenario()
    for place in range(25, 225):
        at_ns = RUN_NS - 500 * MS + place * 20 * MS - 17 * MS
        scenario.tell(TRANSMITTER, wire.Sticks(60_500 + place, (1234, 1001 + place, 1500, 1500)), at_ns)
    found, bound_ns = known_of(scenario)
    assert len(found) in (399, 400)
    waits = np.unique(np.rint((found - stick_ns()) / MS).astype(int))
    assert waits.tolist() == [0, 5]
    assert bound_ns < MS


def test_a_position_after_which_nothing_newer_shows_is_lost():
    """The radio dies for good in the middle; a link cut on command instead excuses what it meets."""
    dead = delays(Scenario(lost=lambda packet: packet.index >= 125), "stick").samples
    assert dead.low_ns[-1] == LOST_NS
    assert 90 <= (dead.low_ns == LOST_NS).sum() <= 101
    cut = delays(Scenario(silences=[Silence(RUN_NS + S, 900 * MS)]), "stick")
    assert (cut.samples.low_ns < 20 * MS).all()
    assert 1 <= cut.not_judged <= 3


def test_missing_reports_can_only_have_made_the_stick_to_output_time_shorter():
    scenario = Scenario(drop=drop_every(RX, 25, wire.Applied))
    samples = delays(scenario, "stick").samples
    assert samples.unknown > 0
    assert (samples.low_ns <= samples.high_ns).all()
    assert (samples.low_ns[samples.low_ns != samples.high_ns] == 0).all()


def test_a_stick_of_the_transmitters_own_is_no_commanded_position():
    found = delays(Scenario(pings=False, drop=lambda role, *_: role == TRANSMITTER), "stick").samples
    assert (found.low_ns != found.high_ns).all()


# -- acknowledgement -------------------------------------------------------------------------------


def test_acknowledgements_are_timed_by_the_transmitter():
    """Reports come 3 ms after sampling; a lost packet never is acknowledged."""
    found = delays(Scenario(lost=every(30, 10)), "acknowledgement")
    acked = found.samples.known_ns < LOST_NS
    assert found.samples.known_ns[acked] == pytest.approx(3 * MS, abs=2 * US)
    assert (~acked).sum() == 20
    assert found.bound_ns < 50 * US


def test_a_round_trip_beyond_what_the_transmitter_can_count_may_be_any_longer():
    scenario = Scenario(took_ns=lambda packet: 70 * MS if packet.index == 100 else 3 * MS)
    samples = delays(scenario, "acknowledgement").samples
    odd = samples.low_ns != samples.high_ns
    assert (samples.low_ns[odd].tolist(), samples.high_ns[odd].tolist()) == ([65_535 * US], [LOST_NS])


def test_packets_without_a_report_may_have_been_acknowledged_or_not():
    found = delays(Scenario(drop=drop_every(TRANSMITTER, 25, wire.Sent)), "acknowledgement").samples
    assert found.unplaced > 0
    assert found.unknown == found.unplaced

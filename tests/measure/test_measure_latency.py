"""Percentiles of latency with lost packets as infinite."""

import numpy as np
import pytest
from scenario import RX, DeviceClock, Scenario, drop_every, every
from scenario import TX as TRANSMITTER

from harness.clock import MS
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.arrays import ints
from harness.measure.delivery import LOST_NS
from harness.measure.latency import delay_percentile, measure_latency

RFC_7679 = ints(sorted([100, 110, LOST_NS, 90, 500]))
"""RFC 7679 sections 5.1 to 5.4, first stream in ms, one packet lost (read)."""


def measured(scenario, percentile=0.9, limit_ns=20 * MS):
    return measure_latency(gather(scenario.plan, scenario.recording()), percentile, 0.95, limit_ns)


def test_percentile_is_the_rfc_7679_example():
    assert delay_percentile(RFC_7679, 0.5) == 110
    assert delay_percentile(RFC_7679, 0.0) == 90
    assert delay_percentile(RFC_7679, 1.0) == LOST_NS


def test_share_within_a_limit_is_the_rfc_7679_inverse_percentile():
    """Second stream 100, 110, lost, 90: the inverse percentile of 103 ms is 50 % (read)."""
    second = ints(sorted([100, 110, LOST_NS, 90]))
    assert np.searchsorted(second, 103, side="right") / len(second) == 0.5


def test_percentile_is_the_rfc_2330_example():
    """RFC 2330 section 11.3 (read): 25th of -2 7 7 4 18 -5 is -2, 50th 4, 100th 18.

    DOUBTFUL there: it calls the 15th minus infinity; by its own definition F(-5) = 1/6 makes it -5.
    """
    data = ints(sorted([-2, 7, 7, 4, 18, -5]))
    assert [delay_percentile(data, share) for share in (0.25, 0.5, 1.0, 0.15)] == [-2, 4, 18, -5]


def test_no_packets_have_no_percentile():
    assert delay_percentile(ints([]), 0.5) is None


def test_latency_is_measured_across_two_unrelated_clocks():
    clocks = {TRANSMITTER: DeviceClock(2**32 - 102_000_000, 60.0), RX: DeviceClock(4_000_000_000, -80.0)}
    scenario = Scenario(clocks=clocks, latency_ns=lambda packet: (3 + packet.index % 10) * MS)
    found = measured(scenario, 0.9)
    assert found.value_ns == pytest.approx(11 * MS, abs=0.2 * MS)
    assert found.p50_ns == pytest.approx(7 * MS, abs=0.2 * MS)
    assert found.slowest_ns == pytest.approx(12 * MS, abs=0.2 * MS)
    assert found.lower_ns <= found.value_ns <= found.upper_ns
    assert (found.lost, found.unknown, found.samples) == (0, 0, 200)


def test_losses_make_a_percentile_infinite():
    """12 % lost: the 90th percentile is a lost packet, the 80th is not."""
    lost = every(3, 8)
    assert measured(Scenario(lost=lost), 0.9).value_ns == LOST_NS
    assert measured(Scenario(lost=lost), 0.8).value_ns == pytest.approx(2 * MS, abs=0.2 * MS)


def test_a_late_packet_counts_as_lost():
    found = measured(Scenario(latency_ns=lambda packet: 150 * MS if packet.index % 5 == 0 else 2 * MS), 0.9)
    assert (found.value_ns, found.lost) == (LOST_NS, 40)


def test_unknown_packets_widen_the_interval_at_both_ends():
    whole = measured(Scenario(latency_ns=lambda packet: (3 + packet.index % 10) * MS), 0.9)
    holed = measured(
        Scenario(
            latency_ns=lambda packet: (3 + packet.index % 10) * MS, drop=drop_every(RX, 25, wire.Applied)
        ),
        0.9,
    )
    assert holed.unknown > 0
    assert holed.lower_ns <= whole.lower_ns
    assert holed.upper_ns >= whole.upper_ns


def test_a_small_sample_has_no_upper_end():
    """One-sided 95/95 needs 59 packets (success run); 1.1 s have 55, 1.3 s have 65."""
    assert measured(Scenario(seconds=1.1), 0.95).upper_ns == LOST_NS
    assert measured(Scenario(seconds=1.3), 0.95).upper_ns < 3 * MS

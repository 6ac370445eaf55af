"""Verdicts on link: each check fails a bad run, just passes a good one, knows what it cannot tell."""

import pytest
from imaginary import RUN_NS, RX, Scenario, Silence, drop_every, judged

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE

RATE = p.PacketRate(at_least_mhz=49_000)


@pytest.mark.parametrize(
    ("period_us", "verdict"), [(20_000, PASS), (20_400, PASS), (20_415, FAIL), (21_000, FAIL)]
)
def test_packet_rate(period_us, verdict):
    """49 Hz are 20408 us: 20400 us are 49.02 Hz, 20415 us 48.98 Hz."""
    found = judged(RATE, period_ns=period_us * 1000)
    assert found.verdict is verdict
    assert found.value == pytest.approx(1e6 / period_us, rel=1e-4)
    assert found.unit == "Hz"


def test_a_packet_rate_within_the_clocks_uncertainty_is_inconclusive():
    """Without pings the time base is known to a per cent or so at best."""
    assert judged(RATE, period_ns=20_390_000, pings=False, seconds=2.0).verdict is OPEN
    assert judged(RATE, seconds=0.1).verdict is OPEN


GAP = p.ControlGap(at_most_ns=100 * MS)


@pytest.mark.parametrize(("run", "verdict"), [(0, PASS), (3, PASS), (4, OPEN), (5, FAIL)])
def test_control_gap(run, verdict):
    """Four lost packets in a row make a gap of 100 ms: exactly the limit, so nothing is sure."""
    found = judged(GAP, lost=lambda packet: 100 <= packet.index < 100 + run)
    assert found.verdict is verdict
    assert found.value == pytest.approx(20 * (run + 1), abs=0.01)


def test_control_gap_names_where_it_was():
    found = judged(GAP, lost=lambda packet: 100 <= packet.index < 110)
    assert found.examples == ("220 ms from 1.482 s in go",)


def test_control_gap_of_a_receiver_that_never_applied_anything_fails():
    assert judged(GAP, lost=lambda _: True).verdict is FAIL


def test_control_gap_over_missing_messages_is_inconclusive():
    def drop(role, place, message):
        return isinstance(message, wire.Applied) and 100 <= message.packet < 106

    found = judged(GAP, drop=drop)
    assert found.verdict is OPEN
    assert "may have been shorter" in found.reason


def test_control_gap_needs_enough_packets():
    found = judged(GAP, seconds=1.0)
    assert found.verdict is OPEN
    assert found.needed == 59 - found.samples


def test_cuts_are_no_control_gaps():
    assert judged(GAP, silences=[Silence(RUN_NS + S, 900 * MS)]).verdict is PASS


@pytest.mark.parametrize(
    ("copies", "allowed", "verdict"), [(0, 0, PASS), (1, 0, FAIL), (1, 1, PASS), (2, 1, FAIL)]
)
def test_duplicates(copies, allowed, verdict):
    found = judged(
        p.Duplicates(at_most=allowed), copies=lambda packet: 2 if 100 <= packet.index < 100 + copies else 1
    )
    assert found.verdict is verdict
    assert found.value == copies


def test_duplicates_are_inconclusive_with_missing_messages_or_few_packets():
    assert judged(p.Duplicates(), drop=drop_every(RX, 90)).verdict is OPEN
    assert judged(p.Duplicates(), seconds=1.0).verdict is OPEN


def test_radio_retransmissions_that_the_receiver_dropped_are_no_duplicates():
    """The transmitter needed more attempts, the receiver applied each packet once."""
    assert judged(p.Duplicates(), Scenario()).counts == {"applied": 200, "applied again": 0}

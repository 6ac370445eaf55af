"""Verdicts on latency: a bad run fails, a good one just passes, and what cannot be told stays open."""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from imaginary import RX, TX, Scenario, drop_every, every, judged

from harness.clock import MS, US
from harness.codec import messages as wire
from harness.judge.words import times_ms
from harness.plan import model as p
from harness.plan.reader import parse_check
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
LATENCY = p.Latency(percentile=Fraction(90, 100), at_most_ns=20 * MS)
LONG = 16.0
"""Seconds: 800 packets, of which 80 slow ones are 26 bursts of three."""


@pytest.mark.parametrize(
    ("slow", "verdict"),
    [(lambda n: 2, PASS), (lambda n: 19 if n % 20 else 60, PASS), (lambda n: 19 if n % 10 else 60, OPEN),
     (lambda n: 19 if n % 5 else 60, FAIL), (lambda n: 21, FAIL)],
    ids=["quick", "1 in 20 slow", "1 in 10 slow", "1 in 5 slow", "all slow"],
)  # fmt: skip
def test_latency_is_guarded_by_order_statistics(slow, verdict):
    found = judged(LATENCY, latency_ns=lambda packet: slow(packet.index) * MS, seconds=LONG)
    assert found.verdict is verdict
    assert found.interval[0] <= found.value <= found.interval[1]
    assert found.unit == "ms"
    assert (found.interval[1] + found.uncertainty <= 20) == (verdict is PASS)
    assert (found.interval[0] - found.uncertainty > 20) == (verdict is FAIL)


@pytest.mark.parametrize(("latency_us", "verdict"), [(19_800, PASS), (20_000, OPEN), (20_200, FAIL)])
def test_latency_is_widened_by_what_the_clocks_are_known_to(latency_us, verdict):
    found = judged(LATENCY, latency_ns=lambda _: latency_us * US, seconds=LONG)
    assert found.verdict is verdict
    assert 0.05 < found.uncertainty < 0.2


def test_latency_within_the_clocks_of_its_limit_asks_for_no_longer_run():
    found = judged(LATENCY, latency_ns=lambda _: 20_000 * US, seconds=LONG)
    assert (found.verdict, found.needed) == (OPEN, None)
    assert "the value lies within that of the limit: running longer will not help" in found.reason
    assert "spells" not in found.reason
    assert "serial adapter's latency timer" in found.advice[0]
    assert not any("run longer" in line for line in found.advice)


def test_clocks_too_poor_for_the_limit_are_named_first():
    """Every packet takes 2 ms, pings 40 ms: no latency can be shown to be under 20 ms."""
    found = judged(LATENCY, seconds=LONG, pong_after_ns=lambda _: 40 * MS)
    assert (found.verdict, found.needed) == (OPEN, None)
    assert found.reason.startswith("the clocks are known only to +- ")
    assert "too poor for this limit" in found.reason.split(";")[0]
    assert "spells" not in found.reason
    assert len(found.advice) == 1
    assert "serial adapter's latency timer" in found.advice[0]


def test_ends_that_read_the_same_are_said_once():
    found = judged(LATENCY, latency_ns=lambda _: 2 * MS, seconds=LONG)
    assert "surely 2 ms" in found.reason
    assert times_ms([525_020_000, 525_021_000]) == "525.021 ms"
    assert times_ms([161_100, 161_200, 160_900]) == "0.161 ms"
    assert times_ms([5 * MS, 7 * MS]) == "5 ms to 7 ms"


def test_slow_packets_in_spells_tell_less_than_single_ones():
    """One in 16 is slow: singly that passes 90 %, in spells of twenty it might as well be more."""
    single = judged(
        LATENCY, latency_ns=lambda packet: (60 if packet.index % 16 == 0 else 2) * MS, seconds=LONG
    )
    spells = judged(
        LATENCY, latency_ns=lambda packet: (60 if packet.index % 320 < 20 else 2) * MS, seconds=LONG
    )
    assert (single.verdict, spells.verdict) == (PASS, OPEN)
    assert spells.needed > 800
    assert "too few to tell" in spells.reason


def test_lost_packets_are_infinitely_late():
    found = judged(LATENCY, lost=every(30, 5), seconds=LONG)
    assert found.verdict is FAIL
    assert found.value == float("inf")
    assert "lost" in found.reason


def test_a_latency_percentile_needs_enough_packets():
    """Ten bursts of three slow packets in 1 % of them: 3000 packets."""
    found = judged(p.Latency(percentile=Fraction(99, 100), at_most_ns=20 * MS))
    assert (found.verdict, found.needed) == (OPEN, 3_000 - found.samples)
    assert found.interval[1] == float("inf")
    assert "too few to tell" in found.reason


def test_serial_losses_leave_latency_open():
    assert judged(LATENCY, drop=drop_every(RX, 4), seconds=LONG).verdict is OPEN


STICK = p.Latency(of="stick", percentile=Fraction(90, 100), at_most_ns=20 * MS)
WAIT_US = 12_000 - 1_562
"""Positions are handed over 12 ms before they are sampled; 18 bytes take 1.56 ms at 115 200 baud."""


@pytest.mark.parametrize(("latency_us", "verdict"), [(9_000, PASS), (9_550, OPEN), (10_100, FAIL)])
def test_stick_to_output_time_holds_the_wait_for_the_next_packet(latency_us, verdict):
    found = judged(STICK, latency_ns=lambda _: latency_us * US, seconds=LONG)
    assert found.verdict is verdict
    assert found.value == pytest.approx((WAIT_US + latency_us) / 1000, abs=found.uncertainty)
    assert found.sample_unit == "stick positions"


def test_stick_to_output_time_without_a_moved_stick_is_inconclusive():
    found = judged(STICK, sticks=lambda _: (1000, 1500, 1500, 1500))
    assert found.verdict is OPEN
    assert "no stick was moved" in found.reason


def test_serial_losses_never_fail_the_stick_to_output_time():
    """Positions whose packets' reports are missing seem to have waited for the next."""
    for role, kind in ((RX, wire.Applied), (TX, wire.Sent), (RX, None), (TX, None)):
        found = judged(STICK, drop=drop_every(role, 4, kind), latency_ns=lambda _: 9 * MS, seconds=LONG)
        assert found.verdict is not FAIL


ACK = p.Latency(of="acknowledgement", percentile=Fraction(90, 100), at_most_ns=5 * MS)


@pytest.mark.parametrize(
    ("took_us", "verdict"), [(3_000, PASS), (4_950, PASS), (5_000, OPEN), (5_050, FAIL), (70_000, FAIL)]
)
def test_acknowledgement_round_trip(took_us, verdict):
    found = judged(ACK, took_ns=lambda _: took_us * US, seconds=LONG)
    assert found.verdict is verdict
    assert found.uncertainty < 0.01 or took_us == 70_000


def test_packets_never_acknowledged_are_infinitely_late():
    found = judged(ACK, lost=every(30, 5), seconds=LONG)
    assert (found.verdict, found.value) == (FAIL, float("inf"))
    assert "never acknowledged" in found.reason


def test_reports_missing_from_the_transmitter_never_fail_the_round_trip():
    assert judged(ACK, drop=drop_every(TX, 4, wire.Sent), seconds=LONG).verdict is OPEN


@pytest.mark.parametrize("of", ["packet", "stick", "acknowledgement"])
def test_a_failure_points_at_the_slowest_and_says_what_to_try(of):
    rule = p.Latency(of=of, percentile=Fraction(90, 100), at_most_ns=MS)
    found = judged(rule, Scenario(seconds=LONG, latency_ns=lambda packet: (2 + packet.index % 3) * MS))
    assert found.verdict is FAIL
    assert len(found.examples) == 5
    assert "took" in found.examples[0]
    assert found.advice


@settings(max_examples=15, deadline=None)
@given(
    st.sampled_from(["packet", "stick", "acknowledgement"]),
    st.sets(st.integers(20, 120), max_size=60),
    st.sets(st.tuples(st.sampled_from([TX, RX]), st.integers(30, 320)), max_size=60),
)
def test_odd_recordings_never_raise(of, lost, dropped):
    found = judged(
        p.Latency(of=of, percentile=Fraction(90, 100), at_most_ns=20 * MS),
        lost=lambda packet: packet.index in lost,
        drop=lambda role, place, message: (role, place) in dropped,
        seconds=2.0,
    )
    assert found.verdict in (PASS, FAIL, OPEN)


def test_a_plan_says_which_latency_it_means():
    rule = parse_check("latency: {of: stick, percentile: 95 %, at_most: 60 ms}", Scenario().plan.link).rule
    assert (rule.of, rule.at_most_ns) == ("stick", 60 * MS)
    assert LATENCY.of == "packet"

"""Verdicts on link: each check fails a bad run, just passes a good one, knows what it cannot tell."""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from imaginary import RUN_NS, RX, TX, Scenario, Silence, drop_every, every, judged

from harness.chance import stream
from harness.clock import MS, S
from harness.codec import messages as wire
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
HALF = p.Delivery(at_least=Fraction(90, 100))


@pytest.mark.parametrize(
    ("lost", "verdict"),
    [
        (set(), PASS),
        (set(range(30, 224, 17)), PASS),
        (set(range(30, 224, 10)), OPEN),
        (set(range(30, 224, 6)), FAIL),
    ],
    ids=["none", "12 of 200", "20 of 200", "33 of 200"],
)
def test_delivery_is_guarded_by_its_interval(lost, verdict):
    """Exact one-sided limits at 95 %: 12 of 200 lost show 90 %, 33 show less, 20 show nothing."""
    found = judged(HALF, lost=lambda packet: packet.index in lost)
    assert found.verdict is verdict
    assert found.interval[0] < found.value <= found.interval[1]
    assert found.counts["lost"] == len(lost)
    assert found.samples == found.counts["applied in time"] + found.counts["lost"]


def test_delivery_that_is_inconclusive_says_how_many_packets_would_settle_it():
    found = judged(p.Delivery(at_least=Fraction(99, 100)))
    assert (found.verdict, found.needed) == (OPEN, 299 - found.samples)
    settled = judged(p.Delivery(at_least=Fraction(99, 100)), seconds=(found.samples + found.needed) / 50)
    assert settled.verdict is PASS


def test_no_packets_show_a_hundred_per_cent():
    found = judged(p.Delivery(at_least=Fraction(1)))
    assert (found.verdict, found.needed) == (OPEN, None)
    assert "100 %" in found.advice[0]
    assert judged(p.Delivery(at_least=Fraction(1)), lost=every(99, 1000)).verdict is FAIL


def test_delivery_without_packets_is_inconclusive():
    found = judged(HALF, seconds=0.0, pings=False, drop=lambda role, *_: role == TX)
    assert found.verdict is OPEN
    assert "transmitter said nothing" in found.reason


def test_a_perfect_radio_with_serial_losses_is_never_a_failed_link():
    found = judged(p.Delivery(at_least=Fraction(99, 100)), drop=drop_every(RX, 5), seconds=8.0)
    assert found.verdict is OPEN
    assert found.counts["lost"] == 0
    assert "serial" in found.reason


def test_radio_losses_fail_in_spite_of_some_serial_losses():
    found = judged(HALF, lost=every(25, 4), drop=drop_every(RX, 80))
    assert found.verdict is FAIL
    assert found.counts["unknown"] > 0


def test_losses_in_bursts_need_more_packets_for_a_pass():
    """6 % lost singly pass 90 %; the same number in two bursts of six do not."""
    single = judged(HALF, lost=lambda packet: packet.index % 17 == 0)
    burst = judged(HALF, lost=lambda packet: packet.index in {*range(50, 56), *range(150, 156)})
    assert (single.verdict, burst.verdict) == (PASS, OPEN)
    assert single.counts["lost"] == burst.counts["lost"] == 12
    assert "2 bursts" in burst.reason


def test_the_lower_limit_holds_its_confidence_when_losses_come_in_bursts():
    """300 seeded two-state links of 1500 packets, 3.8 % lost in bursts of 4: false passes at that share.

    Exact limits for independent packets would pass about a fifth of them.
    """
    from harness.measure.delivery import burst_factor
    from harness.stats.binomial import clopper_pearson_lower

    passed = naive = 0
    for seed in range(300):
        lost = two_state(seed, 1500)
        good, factor = len(lost) - int(lost.sum()), burst_factor(lost)
        passed += clopper_pearson_lower(good / factor, len(lost) / factor, 0.95) >= 1 - 0.0384615
        naive += clopper_pearson_lower(good, len(lost), 0.95) >= 1 - 0.0384615
    assert passed <= 300 * 0.05 + 12
    assert naive > 2 * passed


def two_state(seed, count):
    """Losses of a link that goes bad with 1 % and good again with 25 % (loss 1/26, mean burst 4)."""
    import numpy as np

    chance = stream(seed, "two states")
    lost, state = np.zeros(count, dtype=bool), chance.random() < 1 / 26
    for place in range(count):
        state = chance.random() < (0.75 if state else 0.01)
        lost[place] = state
    return lost


@settings(max_examples=30)
@given(st.sets(st.integers(25, 224), min_size=20, max_size=60), st.integers(25, 224), st.data())
def test_one_more_lost_packet_never_mends_a_failed_delivery(lost, extra, data):
    limit = p.Delivery(at_least=Fraction(data.draw(st.integers(70, 99)), 100))
    before = judged(limit, lost=lambda packet: packet.index in lost)
    after = judged(limit, lost=lambda packet: packet.index in lost | {extra})
    assert before.verdict is not FAIL or after.verdict is FAIL


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


LATENCY = p.Latency(percentile=Fraction(90, 100), at_most_ns=20 * MS)


@pytest.mark.parametrize(
    ("slow", "verdict"),
    [(lambda n: 2, PASS), (lambda n: 19 if n % 20 else 60, PASS), (lambda n: 19 if n % 10 else 60, OPEN),
     (lambda n: 19 if n % 5 else 60, FAIL), (lambda n: 21, FAIL)],
    ids=["quick", "1 in 20 slow", "1 in 10 slow", "1 in 5 slow", "all slow"],
)  # fmt: skip
def test_latency_is_guarded_by_order_statistics(slow, verdict):
    found = judged(LATENCY, latency_ns=lambda packet: slow(packet.index) * MS)
    assert found.verdict is verdict
    assert found.interval[0] <= found.value <= found.interval[1]
    assert found.unit == "ms"


@pytest.mark.parametrize(("latency_us", "verdict"), [(19_800, PASS), (20_000, OPEN), (20_200, FAIL)])
def test_latency_is_widened_by_what_the_clocks_are_known_to(latency_us, verdict):
    found = judged(LATENCY, latency_ns=lambda _: latency_us * 1000)
    assert found.verdict is verdict
    assert 0.05 < found.uncertainty < 0.2


def test_lost_packets_are_infinitely_late():
    found = judged(LATENCY, lost=every(30, 5))
    assert found.verdict is FAIL
    assert found.value == float("inf")
    assert "lost" in found.reason


def test_a_latency_percentile_needs_enough_packets():
    found = judged(p.Latency(percentile=Fraction(99, 100), at_most_ns=20 * MS))
    assert (found.verdict, found.needed) == (OPEN, 299 - found.samples)
    assert found.interval[1] == float("inf")


def test_serial_losses_leave_latency_open():
    assert judged(LATENCY, drop=drop_every(RX, 4)).verdict is OPEN


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

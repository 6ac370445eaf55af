"""Verdicts on delivery: a bad link fails, a good one just passes, and too few bursts leave it open."""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from imaginary import RX, TX, drop_every, every, judged

from harness.codec import messages as wire
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
NINETY = p.Delivery(at_least=Fraction(90, 100))
LONG_S = 8.0
"""400 packets: ten bursts of four at 90 %."""


def losing(places):
    places = set(places)
    return lambda packet: packet.index in places


@pytest.mark.parametrize(
    ("places", "verdict"),
    [((), PASS), (range(30, 420, 15), PASS), (range(30, 420, 10), OPEN), (range(30, 420, 7), FAIL)],
    ids=["none", "26 of 400", "39 of 400", "56 of 400"],
)
def test_delivery_is_guarded_by_its_interval(places, verdict):
    """One-sided limits at 95 %: 26 single losses of 400 show 90 %, 56 show less, 39 show nothing."""
    found = judged(NINETY, lost=losing(places), seconds=LONG_S)
    assert found.verdict is verdict
    assert found.interval[0] < found.value <= found.interval[1]
    assert found.counts["lost"] == len(places)
    assert found.samples == found.counts["applied in time"] + found.counts["lost"]


@pytest.mark.parametrize(("packets", "verdict"), [(299, OPEN), (301, PASS)])
def test_delivery_without_a_loss_needs_ten_bursts_of_three_at_the_limit(packets, verdict):
    """10 bursts of 3 lost packets are 30, that is 10 % of 300."""
    found = judged(NINETY, seconds=packets / 50)
    assert found.verdict is verdict
    assert found.samples == packets
    assert ("10 are wanted" in found.reason) is (verdict is OPEN)


def test_delivery_that_is_inconclusive_says_why_and_how_many_packets_would_settle_it():
    found = judged(p.Delivery(at_least=Fraction(99, 100)))
    assert (found.verdict, found.needed) == (OPEN, 3000 - found.samples)
    assert (
        f"at the limit only 0.7 bursts of about 3 packets would be expected in {found.samples} packets: "
        f"too few to tell, 10 are wanted; {found.needed} more would do"
    ) in found.reason


def test_the_packets_that_are_needed_settle_it():
    found = judged(NINETY)
    settled = judged(NINETY, seconds=(found.samples + found.needed) / 50)
    assert (found.verdict, settled.verdict) == (OPEN, PASS)


def test_no_packets_show_a_hundred_per_cent():
    found = judged(p.Delivery(at_least=Fraction(1)))
    assert (found.verdict, found.needed) == (OPEN, None)
    assert "100 %" in found.advice[0]
    assert judged(p.Delivery(at_least=Fraction(1)), lost=every(99, 1000)).verdict is FAIL


def test_delivery_without_packets_is_inconclusive():
    found = judged(NINETY, seconds=0.0, pings=False, drop=lambda role, *_: role == TX)
    assert found.verdict is OPEN
    assert "transmitter said nothing" in found.reason


@pytest.mark.parametrize("limit", [50, 90, 99])
@pytest.mark.parametrize("lost", [lambda _: True, every(20, 2)], ids=["all lost", "every second lost"])
def test_a_link_that_is_plainly_bad_fails(limit, lost):
    found = judged(p.Delivery(at_least=Fraction(limit, 100)), lost=lost)
    assert (found.verdict is FAIL) is (limit > 50 or found.value == 0)


def test_one_short_burst_beyond_a_strict_limit_is_no_failure_yet():
    """Five packets of 400 in one burst, with 0.05 % allowed: nothing tells how often that happens."""
    strict = p.Delivery(at_least=Fraction(9995, 10000))
    found = judged(strict, lost=losing(range(100, 105)), seconds=LONG_S)
    assert found.verdict is OPEN
    assert "too few to tell" in found.reason


def test_losses_in_bursts_need_more_packets_for_a_verdict():
    """4.5 % lost singly pass 90 %; the same number in three bursts of six do not."""
    single = judged(NINETY, lost=losing(range(30, 414, 22)), seconds=LONG_S)
    burst = judged(NINETY, lost=losing((*range(50, 56), *range(150, 156), *range(300, 306))), seconds=LONG_S)
    assert single.counts["lost"] == burst.counts["lost"] == 18
    assert (single.verdict, burst.verdict) == (PASS, OPEN)
    assert "3 bursts of up to 6 packets" in burst.reason
    assert "burst" not in single.reason
    assert burst.interval[0] < single.interval[0]
    assert burst.interval[1] > single.interval[1]


def test_a_perfect_radio_with_serial_losses_is_never_a_failed_link():
    found = judged(p.Delivery(at_least=Fraction(99, 100)), drop=drop_every(RX, 5), seconds=8.0)
    assert found.verdict is OPEN
    assert found.counts["lost"] == 0
    assert "serial" in found.reason


@pytest.mark.parametrize(("limit", "told"), [(99, False), (80, True)])
def test_no_number_is_promised_where_missing_reports_stand_in_the_way(limit, told):
    """Every 20th report is missing: 99 % can never be shown so, 80 % can in a longer run."""
    found = judged(
        p.Delivery(at_least=Fraction(limit, 100)), drop=drop_every(RX, 20, wire.Applied), seconds=2.0
    )
    assert found.verdict is OPEN
    assert found.counts["unknown"] > 0
    assert (found.needed is not None) is told


def test_losses_in_fades_are_counted_as_fades():
    """Three fades lose every fourth packet of 48: 36 single losses of 1500 would show 95 %, these do not."""
    fades = [start + 4 * k for start in (100, 600, 1200) for k in range(12)]
    rule = p.Delivery(at_least=Fraction(95, 100))
    in_fades = judged(rule, lost=losing(fades), seconds=30.0)
    single = judged(rule, lost=losing(range(30, 1500, 41)), seconds=30.0)
    assert (in_fades.counts["lost"], single.counts["lost"]) == (36, 36)
    assert (in_fades.verdict, single.verdict) == (OPEN, PASS)
    assert "of about 22 packets would be expected" in in_fades.reason
    assert in_fades.interval[0] < single.interval[0] < single.interval[1] < in_fades.interval[1]


def test_radio_losses_fail_in_spite_of_some_serial_losses():
    found = judged(NINETY, lost=every(25, 4), drop=drop_every(RX, 80))
    assert found.verdict is FAIL
    assert found.counts["unknown"] > 0


@settings(max_examples=8, deadline=None)
@given(st.sets(st.integers(25, 224), min_size=20, max_size=60), st.integers(25, 224), st.data())
def test_one_more_lost_packet_never_turns_a_fail_into_a_pass(lost, extra, data):
    limit = p.Delivery(at_least=Fraction(data.draw(st.integers(70, 99)), 100))
    before = judged(limit, lost=losing(lost))
    after = judged(limit, lost=losing(lost | {extra}))
    assert not (before.verdict is FAIL and after.verdict is PASS)

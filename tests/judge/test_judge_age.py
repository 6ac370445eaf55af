"""Verdicts on control age: too old for too long fails, just short of it passes, doubt leaves it open."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from imaginary import RUN_NS, RX, TX, Silence, drop_every, judged

from harness.clock import MS, US, S
from harness.codec import messages as wire
from harness.measure.age import AgePieces, age_samples, age_times
from harness.measure.arrays import ints
from harness.measure.percentiles import judge_percentile
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
AGE = p.ControlAge(percentile=Fraction(90, 100), at_most_ns=30 * MS)
LONG = 16.0
"""Seconds: 800 packet periods, a tenth of which are 26 bursts of three."""


@pytest.mark.parametrize(
    ("latency_us", "verdict"),
    [(2_000, PASS), (11_000, PASS), (12_000, OPEN), (13_100, FAIL), (31_000, FAIL)],
)
def test_control_age_is_guarded_by_its_interval(latency_us, verdict):
    """A latency L gives ages from L to L + 20 ms, so 90 % of the time up to L + 18 ms."""
    found = judged(AGE, latency_ns=lambda _: latency_us * US, seconds=LONG)
    assert found.verdict is verdict
    assert found.value == pytest.approx(latency_us / 1000 + 18, abs=found.uncertainty)
    assert found.interval[0] - 0.2 <= found.value <= found.interval[1] + 0.2
    assert (found.interval[1] + found.uncertainty <= 30) == (verdict is PASS)
    assert (found.interval[0] - found.uncertainty > 30) == (verdict is FAIL)


@pytest.mark.parametrize(("in_a_row", "verdict"), [(1, PASS), (2, PASS), (8, FAIL)])
def test_control_age_depends_on_how_long_control_stays_away(in_a_row, verdict):
    """Of 40 packets so many are lost in a row: that is longer than 30 ms old for 20 ms each, less 8."""
    found = judged(AGE, lost=lambda packet: packet.index % 40 < in_a_row, seconds=LONG)
    assert found.verdict is verdict
    above = LONG * (20 * in_a_row - 8) / 800
    assert found.counts["us above"] / 1e6 == pytest.approx(above, rel=0.05)


def test_control_age_that_is_too_old_names_the_worst_moments():
    found = judged(AGE, lost=lambda packet: packet.index % 40 < 8, seconds=LONG)
    assert len(found.examples) == 5
    assert float(found.examples[0].split(" ms old")[0]) == pytest.approx(182, abs=0.2)
    assert "FIFO" in found.advice[0]


def test_control_age_needs_enough_time():
    found = judged(p.ControlAge(percentile=Fraction(99, 100), at_most_ns=30 * MS))
    assert (found.verdict, found.sample_unit) == (OPEN, "packet periods")
    assert "too few to tell" in found.reason
    assert found.needed == pytest.approx(3_000 - 200, abs=2)


def test_missing_reports_never_fail_control_age():
    """One report in three is missing: it looks as if control had been 40 ms old for a third of the time."""
    for role, kind in ((RX, wire.Applied), (TX, wire.Sent)):
        found = judged(AGE, drop=drop_every(role, 3, kind), seconds=LONG)
        assert found.verdict is OPEN
        assert "reports are missing" in found.reason


def test_a_link_that_dies_fails_and_a_cut_does_not():
    assert judged(AGE, lost=lambda packet: packet.index > 600, seconds=LONG).verdict is FAIL
    cuts = [Silence(RUN_NS + place * 2 * S, 900 * MS) for place in range(1, 7)]
    assert judged(AGE, silences=cuts, seconds=LONG).verdict is PASS


def test_control_age_without_an_applied_packet_is_inconclusive():
    found = judged(AGE, lost=lambda _: True)
    assert found.verdict is OPEN
    assert "no packet was applied" in found.reason


@settings(max_examples=15, deadline=None)
@given(
    lost=st.sets(st.integers(20, 120), max_size=60),
    dropped=st.sets(st.tuples(st.sampled_from([TX, RX]), st.integers(30, 320)), max_size=60),
    late=st.sets(st.integers(20, 120), max_size=10),
)
def test_odd_recordings_never_raise(lost, dropped, late):
    found = judged(
        AGE,
        lost=lambda packet: packet.index in lost,
        drop=lambda role, place, message: (role, place) in dropped,
        latency_ns=lambda packet: 105 * MS if packet.index in late else 3 * MS,
        seconds=2.0,
    )
    assert found.verdict in (PASS, FAIL, OPEN)


PERIOD = 20 * MS


def fading(rng, loss, fade, count):
    """A link that loses packets in fades of this mean length, as pieces of age."""
    lost, place = np.zeros(count, dtype=bool), 0
    begins = loss / (1 - loss) / fade
    while place < count:
        place += rng.geometric(begins)
        length = rng.geometric(1 / fade)
        lost[place : place + length] = True
        place += length
    sampled = np.flatnonzero(~lost) * PERIOD
    starts, ends = sampled + 2 * MS, np.append(sampled[1:], count * PERIOD) + 2 * MS
    none = sampled < 0
    return AgePieces(ints(starts), ints(ends), ints(sampled), ~none, none, 0)


@pytest.mark.parametrize(("loss", "fade"), [(0.05, 1.5), (0.05, 4)])
def test_a_verdict_at_the_limit_itself_is_seldom_wrong(loss, fade):
    """The limit is what a link of a million packets shows to be exceeded 4 % of the time.

    300 links of 6 000 packets: a pass or a fail is wrong, 5 % each may be. 27 or more of one kind have a
    chance of 0.2 % (binomial), so 0.8 % for all four.
    """
    rng = np.random.default_rng(31)
    limit = age_times(fading(rng, loss, fade, 1_000_000)).percentile_ns(0.96)
    kept = []
    for _ in range(300):
        samples = age_samples(fading(rng, loss, fade, 6_000), PERIOD)
        kept.append(judge_percentile(samples, 0.96, 0.95, limit, 0).kept)
    assert kept.count(True) < 27
    assert kept.count(False) < 27

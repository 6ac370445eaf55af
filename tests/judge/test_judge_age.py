"""Verdicts on control age: too old for too long fails, just short of it passes, doubt leaves it open."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from imaginary import RUN_NS, RX, TX, Reset, Scenario, Silence, drop_every, judged, plan_for

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


def test_a_link_that_never_came_up_fails():
    """Packets were sent for 16 s and none was applied: the age is at least the time since the first."""
    found = judged(AGE, lost=lambda _: True, seconds=LONG)
    assert found.verdict is FAIL
    assert found.reason.startswith("no packet was ever applied")
    assert found.counts["us above"] == pytest.approx(16_000_000, abs=2)


@pytest.mark.parametrize(("dead_s", "verdict"), [(0.06, PASS), (12, FAIL)])
def test_time_before_the_first_applied_packet_counts(dead_s, verdict):
    """Packets are sent from 0.5 s before the first step on."""
    found = judged(AGE, lost=lambda packet: packet.at_ns < RUN_NS + dead_s * S, seconds=LONG)
    assert found.verdict is verdict
    assert found.counts["us looked at"] == 16_000_000
    assert found.counts["us above"] == pytest.approx(dead_s * 1e6, abs=25_000)


def test_a_link_that_never_comes_back_from_a_cut_fails():
    """Excused are 0.9 s of cut, and 0.3 s of `recover_within` and `lost_after` after it."""
    cut = [Silence(RUN_NS + 8 * S, 900 * MS)]
    found = judged(AGE, silences=cut, lost=lambda packet: packet.at_ns > RUN_NS + 8 * S, seconds=LONG)
    assert found.verdict is FAIL
    assert found.counts["us looked at"] == pytest.approx(16e6 - 1.205e6, abs=1000)


def waiting(dead_s, rule=AGE, **fields):
    """A step that waits for the link, 1 s longer than that is dead, and one that moves sticks."""
    steps = (
        p.PlanStep(p.Wait(until="linked"), "wait", "steps[0]"),
        p.PlanStep(p.Hold(for_ns=S), "fly", "steps[1]"),
    )
    end = RUN_NS + int(dead_s * S) + 5 * MS
    scenario = Scenario(seconds=30.0, lost=lambda packet: packet.at_ns < RUN_NS + dead_s * S, **fields)
    scenario.plan = plan_for(rule, steps=steps)
    for place, name, start, stop in ((0, "wait", RUN_NS, end), (1, "fly", end, scenario.end_ns)):
        scenario.mark(start, "step", path=f"steps[{place}]", kind="", name=name, title=name)
        scenario.mark(stop, "step end", path=f"steps[{place}]")
    return judged(rule, scenario)


def test_waiting_for_the_link_is_left_out_and_said():
    """2 s of 30 s are less than the tenth that may be too old."""
    found = waiting(2)
    assert found.verdict is PASS
    assert "left out: 2.00" in found.reason
    assert "s before the link came up" in found.reason
    assert found.counts["us left out"] == pytest.approx(2e6, abs=5000)


def test_a_long_wait_for_the_link_is_left_out_too():
    found = waiting(6)
    assert found.verdict is PASS
    assert "left out: 6.00" in found.reason
    assert waiting(6, replace(AGE, during=("fly",))).verdict is PASS


def margined(back_s, weak_s=4.0):
    """20 s of flight around a margin step in which nothing arrives, and nothing for `back_s` after it."""
    steps = tuple(
        p.PlanStep(action, name, f"steps[{place}]")
        for place, (action, name) in enumerate(
            (
                (p.Hold(for_ns=S), "before"),
                (p.Margin(by="power", from_x10=0, to_x10=-100), "margin"),
                (p.Hold(for_ns=S), "after"),
            )
        )
    )
    begins, ends = RUN_NS + 10 * S, RUN_NS + 10 * S + int(weak_s * S)
    lost = lambda packet: begins + S <= packet.at_ns < ends + back_s * S  # noqa: E731
    scenario = Scenario(seconds=20 + weak_s, lost=lost)
    scenario.plan = plan_for(AGE, steps=steps)
    for place, start, stop in ((0, RUN_NS, begins), (1, begins, ends), (2, ends, scenario.end_ns)):
        scenario.mark(start, "step", path=f"steps[{place}]", kind="", name="", title="")
        scenario.mark(stop, "step end", path=f"steps[{place}]")
    return judged(AGE, scenario)


@pytest.mark.parametrize(("back_s", "above_s", "verdict"), [(0, 0, PASS), (0.25, 0, PASS), (10, 9.7, FAIL)])
def test_loss_on_purpose_does_not_make_control_old(back_s, above_s, verdict):
    """Excused after a step that loses packets: 0.3 s, the plan's `recover_within` and `lost_after`."""
    found = margined(back_s)
    assert found.verdict is verdict
    assert found.counts["us above"] == pytest.approx(1e6 * above_s, abs=25_000)


def test_a_value_nearer_to_the_limit_than_the_clocks_are_known_asks_for_no_longer_run():
    """The age reaches 30 ms at 90 % to the microsecond."""
    found = judged(AGE, latency_ns=lambda _: 12_000 * US, seconds=LONG)
    assert (found.verdict, found.needed) == (OPEN, None)
    assert found.reason.startswith("the clocks are known only to +- ")
    assert "lies within that of the limit: running longer will not help" in found.reason
    assert "spells" not in found.reason
    assert not any("run longer" in line for line in found.advice)


def test_clocks_too_poor_for_the_limit_are_named_first():
    """Pings are answered 40 ms late, so that the clocks are known to tens of ms."""
    found = judged(AGE, seconds=LONG, pong_after_ns=lambda _: 40 * MS)
    assert found.uncertainty > 28
    assert (found.verdict, found.needed) == (OPEN, None)
    assert "too poor for this limit" in found.reason.split(";")[0]
    assert found.advice == (
        "the clocks are known too poorly: set the serial adapter's latency timer to 1 ms",
    )


def test_advice_names_the_serial_line_only_if_it_lost_something():
    """Restarts hide reports too: short of time, running on is what helps."""
    resets = [Reset(RX, RUN_NS + place * S + 7 * MS) for place in (1, 3)]
    few = p.ControlAge(percentile=Fraction(99, 100), at_most_ns=30 * MS)
    found = judged(few, resets=resets, seconds=8.0)
    assert found.verdict is OPEN
    assert found.needed
    assert not any("serial line (" in line for line in found.advice)
    lossy = judged(AGE, drop=drop_every(RX, 3, wire.Applied), seconds=LONG)
    assert "serial line" in lossy.advice[0]


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

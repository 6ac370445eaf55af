"""Points of a clock map: RFC 5905's formulae, wraps, a clock's resolution, its rate and how that changes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.clock import MS, US, S
from harness.measure.arrays import ints
from harness.measure.clockpoints import (
    RATE_LIMIT,
    RESOLUTION_NS,
    WANDER,
    Points,
    Rate,
    answers,
    narrowest,
    nodes_of,
    rate_between,
    resolution_ns,
    seen_wander,
    tightened,
    unwrap,
)
from harness.measure.exchanges import WRAP_US, Exchanges, frequency_error, offset_and_delay


def points(times_us, middles_ns, half_ns):
    """Points around these middles, each `half_ns` wide on both sides."""
    middles = ints(middles_ns)
    return Points(ints(times_us), middles - half_ns, middles + half_ns)


def line(count, half_ns, *, ppm=0.0, bend_ppm=0.0, every_us=1_000_000, noise_ns=0, seed=1):
    """Points of a clock `ppm` off whose rate changes evenly by `bend_ppm` from first to last."""
    at = np.arange(count) * every_us
    whole = at[-1]
    ahead = at * US * ppm * 1e-6 + bend_ppm * 1e-6 * at * US * at / whole / 2
    noise = np.random.default_rng(seed).uniform(-noise_ns, noise_ns, count)
    return points(at, np.rint(at * US + ahead + noise), half_ns)


def test_offset_and_delay_are_the_rfc_5905_formulas_for_arrays_too():
    """RFC 5905 section 8 (formulas read; the numbers were made up from them: derived)."""
    times = np.array([[0.0, 0.11, 0.115, 0.035], [10.0, 9.5, 9.6, 10.4]])
    offset, delay = offset_and_delay(*times.T)
    assert offset == pytest.approx([0.095, -0.65], abs=1e-12)
    assert delay == pytest.approx([0.03, 0.3], abs=1e-12)


def test_a_delay_is_never_less_than_the_precision():
    """RFC 5905 section 8: the delay is clamped to not less than the system precision."""
    assert offset_and_delay(0.0, 1.0, 7.4, 0.0, 1e-6)[1] == 1e-6
    assert offset_and_delay(0.0, 1.0, 1.0, 2.0, 1e-6)[1] == 2.0


def test_100_ppm_over_64_s_look_like_a_delay_of_minus_6_4_ms():
    """RFC 5905 section 8 (read): the apparent delay that a frequency difference causes."""
    assert frequency_error(100e-6, 64.0) == pytest.approx(-6.4e-3, abs=1e-12)


def test_an_answer_lies_half_the_delay_around_the_offset():
    exchanges = Exchanges(
        ints([700]), ints([5 * MS]), ints([2 * MS]), ints([4 * MS]), ints([0]), ints([0]), 0
    )
    found = answers(exchanges, (700, 5 * MS), 0)
    offset, delay = offset_and_delay(2.0 * MS, 700.0 * US, 700.0 * US, 4.0 * MS)
    assert (found.middle_ns.tolist(), found.half_ns.tolist()) == ([700 * US - offset], [delay / 2])


@given(
    base=st.integers(0, WRAP_US - 1),
    hours=st.lists(st.floats(0, 24), min_size=1, max_size=20),
    ppm=st.floats(-200, 200),
    late_ms=st.integers(0, 300),
)
def test_stamps_are_unwrapped_over_many_wraps(base, hours, ppm, late_ms):
    """A day has twenty wraps of 71.6 min; a message may be heard 0.3 s late on a clock 200 ppm off."""
    true_ns = ints([round(hour * 3600 * S) for hour in sorted(hours)])
    whole = base + (true_ns * (1 + ppm * 1e-6)).astype(np.int64) // US
    heard = 9 * S + true_ns + late_ms * MS
    assert unwrap(whole % WRAP_US, heard, base, 9 * S).tolist() == whole.tolist()


def stamped(times_us):
    """Points at these times, as wide as a millisecond."""
    return points(times_us, [at * US for at in times_us], MS)


def test_a_clock_that_counts_by_four_has_a_resolution_of_four():
    said = stamped([20_000 * place for place in range(50)])
    assert resolution_ns(stamped([4 * place * place for place in range(20)]), said) == 4 * US
    assert resolution_ns(stamped([7_000 * place for place in range(20)]), said) == MS


def test_a_clock_with_one_odd_stamp_counts_by_one():
    said = stamped([20_000 * place for place in range(50)] + [1_000_001])
    assert resolution_ns(stamped([4 * place * place for place in range(20)]), said) == RESOLUTION_NS


def test_a_device_that_paces_its_packets_has_no_coarse_clock_for_that():
    paced = stamped([20_000 * place for place in range(50)])
    assert resolution_ns(paced[[]], paced) == RESOLUTION_NS
    assert resolution_ns(paced[[0, 3, 4]], paced) == RESOLUTION_NS
    assert resolution_ns(paced, paced) == RESOLUTION_NS


@given(ppm=st.floats(-200, 200), half_us=st.integers(1, 500), seconds=st.integers(20, 90))
def test_the_rate_lies_within_its_error(ppm, half_us, seconds):
    found = rate_between(line(seconds, half_us * US, ppm=ppm, noise_ns=half_us * US), RESOLUTION_NS)
    assert abs(found.rate - 1 - ppm * 1e-6) <= found.error


def test_a_rate_is_unknown_until_two_points_tell_it_well():
    wide, well = (points([0, 2_000_000], [0, 2 * S], half * MS) for half in (10, 9))
    assert rate_between(wide, RESOLUTION_NS).error == RATE_LIMIT
    assert rate_between(well, RESOLUTION_NS).error < RATE_LIMIT


def test_a_clock_that_warms_up_is_seen_to_change_its_rate():
    assert seen_wander(line(30, 50 * US, ppm=90, bend_ppm=40, noise_ns=5 * US)) == pytest.approx(
        40e-6, rel=0.2
    )


def test_an_even_clock_is_not_seen_to_change_its_rate():
    """Near miss; at three standard errors the false alarm is under 1 %, and the seed is fixed."""
    assert seen_wander(line(30, 50 * US, ppm=90, noise_ns=5 * US)) == 0.0
    assert seen_wander(line(5, 50 * US, bend_ppm=40)) == 0.0


def test_limits_are_carried_from_a_narrow_point_to_a_wide_one():
    asked = Points(ints([0, 1_000_000]), ints([0, S - 8 * MS]), ints([100 * US, S + 8 * MS]))
    narrow = tightened(asked, asked, Rate(1.0, 10e-6), RESOLUTION_NS)
    assert narrow.half_ns.tolist() == [50 * US, 60 * US]


def test_limits_that_contradict_each_other_are_not_carried():
    """A step of the device's clock apart is no contradiction, more is."""
    rate = Rate(1.0, 1e-6)
    for jump_ns, told in ((RESOLUTION_NS, True), (3 * RESOLUTION_NS, False)):
        asked = Points(ints([0, 1_000]), ints([0, MS + 10 * US + jump_ns]), ints([10 * US, MS + 30 * US]))
        assert (tightened(asked, asked, rate, RESOLUTION_NS) is not None) is told


def test_nodes_are_the_narrowest_points_of_their_windows_and_none_is_beaten_by_a_better_one():
    halves = [50, 400, 56, 52, 55, 50]
    given_points = Points(
        ints([0, 1_000_000, 2_000_000, 3_000_000, 3_100_000, 5_000_000]),
        ints([-half * US for half in halves]),
        ints([half * US for half in halves]),
    )
    nodes = nodes_of(given_points, Rate(1.0, 5e-6, WANDER))
    assert nodes.dev_us.tolist() == [0, 2_000_000, 3_000_000, 5_000_000]
    assert len(narrowest(given_points[[0]])) == 1

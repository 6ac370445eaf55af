"""The harness turns converter counts into pulses, exactly at both ends."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.devices.scales import MOST_PULSE_US, PLAIN, Scale, ScaleError, read_counts, scale_of

ENDS = st.integers(-5000, 70_000)


@pytest.mark.parametrize(
    ("low", "high", "low_us", "high_us"),
    [(0, 1023, 1000, 2000), (0, 4095, 988, 2012), (1023, 0, 1000, 2000), (172, 1811, 988, 2012)],
)
def test_both_ends_are_exact_both_ways(low, high, low_us, high_us):
    scale = Scale(low, high, low_us, high_us)
    assert (scale.pulse_us(low), scale.pulse_us(high)) == (low_us, high_us)
    assert (scale.raw(low_us), scale.raw(high_us)) == (low, high)


def test_between_the_ends_halves_are_rounded_up():
    scale = Scale(0, 4, 1000, 1002)
    assert [scale.pulse_us(raw) for raw in range(5)] == [1000, 1001, 1001, 1002, 1002]


@given(ENDS, ENDS, ENDS)
def test_a_pulse_is_the_nearest_whole_number_to_the_line(low, high, raw):
    if low == high:
        return
    scale = Scale(low, high, 1000, 2000)
    exact = 1000 + Fraction(raw - low, high - low) * 1000
    if 0 <= exact <= MOST_PULSE_US - 1:
        assert abs(scale.pulse_us(raw) - exact) <= Fraction(1, 2)


@given(st.integers(1000, 2000))
def test_a_pulse_survives_the_way_there_and_back_where_counts_are_finer(pulse_us):
    scale = Scale(0, 1023, 1000, 2000)
    assert scale.pulse_us(scale.raw(pulse_us)) == pulse_us


def test_a_count_past_an_end_is_seen_as_one():
    scale = Scale(0, 1000, 1000, 2000)
    assert scale.pulse_us(1100) == 2100
    assert scale.pulse_us(-10_000) == 0
    assert scale.pulse_us(10**9) == MOST_PULSE_US


def test_without_a_scale_counts_are_microseconds():
    assert [PLAIN.pulse_us(pulse_us) for pulse_us in (0, 950, 1500, 65_535)] == [0, 950, 1500, 65_535]
    one, two = Scale(0, 1, 0, 1), Scale(0, 2, 0, 1)
    assert scale_of((), 3) == PLAIN
    assert scale_of((one,), 3) == one
    assert scale_of((one, two), 2) == two


@pytest.mark.parametrize("text", ["", "0", "0 to", "0-1023", "0 to 0", "a to b", "0 to 99999999", "0 to 1.5"])
def test_ranges_that_cannot_be_read_are_refused(text):
    with pytest.raises(ScaleError, match="0 to 1023"):
        read_counts(text)


def test_ranges_may_go_down_and_below_zero():
    assert read_counts(" -512  to 511") == (-512, 511)
    assert read_counts("1023 to 0") == (1023, 0)

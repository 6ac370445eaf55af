"""The harness moves sticks one after the other or together, and no two of them in step."""

from collections import Counter
from dataclasses import replace
from fractions import Fraction
from itertools import combinations

import pytest
from test_timeline import LINK, plan_of, sticks

from harness.clock import MS, S
from harness.plan import model as p
from harness.plan.extent import moves_on, stairs_together
from harness.timeline import build_timeline

SIX = replace(
    LINK,
    channels=tuple(
        p.Channel(f"c{n}", role="throttle" if n < 2 else "control", failsafe="low") for n in range(6)
    ),
)
SHAPES = ("triangle", "sine", "staircase")


def columns(action, link=LINK, share=Fraction(1)):
    """Each channel's pulses over a sweep, as sent."""
    timeline = build_timeline(replace(plan_of(action), link=link), 0, throttle_share=share)
    assert len(timeline.segments) == 1
    return list(zip(*(pulses for _, pulses in sticks(timeline)), strict=True))


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("link", [LINK, SIX], ids=["three", "six"])
def test_channels_that_sweep_together_each_go_over_their_whole_span(shape, link):
    for channel, column in zip(
        link.channels, columns(p.Sweep(shape=shape, together=True), link), strict=True
    ):
        assert min(column) - channel.range.low_us <= 12
        assert channel.range.high_us - max(column) <= 12


@pytest.mark.parametrize("shape", SHAPES)
def test_channels_that_sweep_together_begin_at_different_places(shape):
    starts = [column[0] for column in columns(p.Sweep(shape=shape, together=True), SIX)]
    assert len(set(starts)) == 6


@pytest.mark.parametrize("shape", SHAPES)
def test_no_two_channels_go_in_step_or_mirrored(shape):
    """In step is a distance, mirrored a sum, that stays the same for a large part of the time.

    Two straight lines with equal or opposite slopes would have one for as long as neither turns.
    """
    for one, other in combinations(columns(p.Sweep(shape=shape, together=True), SIX), 2):
        for how in (lambda a, b: a - b, lambda a, b: a + b):
            common = Counter(how(a, b) for a, b in zip(one, other, strict=True)).most_common(1)[0][1]
            assert common < len(one) / 3


@pytest.mark.parametrize("shape", SHAPES)
def test_two_channels_are_seldom_at_the_same_pulse(shape):
    """Swapped outputs show in nearly every packet."""
    for one, other in combinations(columns(p.Sweep(shape=shape, together=True), SIX), 2):
        assert sum(a == b for a, b in zip(one, other, strict=True)) < len(one) / 20


@pytest.mark.parametrize("share", [Fraction(1), Fraction(1, 4), Fraction(0)])
@pytest.mark.parametrize("cycles", [1, 2])
def test_a_staircase_of_all_channels_shows_every_value_of_each_as_often_as_it_says(share, cycles):
    found = columns(p.Sweep(shape="staircase", together=True, cycles=cycles), share=share)
    for channel, column in zip(LINK.channels, found, strict=True):
        high = channel.range.high_us
        if channel.role == "throttle":
            high = 1000 + int(1000 * share)
        wanted = set(range(channel.range.low_us, high + 1, channel.resolution_us))
        assert set(column) == wanted
        stood = Counter(after for before, after in zip((0, *column), column, strict=False) if before != after)
        assert min(stood.values()) >= (cycles if len(wanted) > 1 else 1)


def test_a_staircase_of_all_channels_takes_little_longer_than_that_of_one():
    one = build_timeline(replace(plan_of(p.Sweep(channels=("c0",), shape="staircase")), link=SIX), 0)
    all_of_them = build_timeline(replace(plan_of(p.Sweep(shape="staircase", together=True)), link=SIX), 0)
    assert one.length_ns < all_of_them.length_ns < one.length_ns * 6 / 5


def test_channels_that_are_not_named_stay_at_rest():
    found = columns(p.Sweep(channels=("tilt", "roll"), together=True, period_ns=S))
    assert set(found[1]) == {1000}
    assert len(set(found[0])) > 10 < len(set(found[2]))


@pytest.mark.parametrize("place", [0, 1, 2, 5, 15])
def test_the_stairs_of_a_channel_are_counted_as_it_goes_up(place):
    for values in (1, 2, 7, 8, 9, 60, 1001):
        counts = [0] * place + [values]
        needed = stairs_together(p.Sweep(shape="staircase"), counts)
        assert moves_on(needed - 1, place) == values - 1
        assert needed == 1 or moves_on(needed - 2, place) == values - 2


def test_channels_together_are_named_in_the_title():
    def title(**keys):
        plan = plan_of(p.Sweep(together=True, **keys))
        return build_timeline(plan, 0).segments[0].title

    assert title(period_ns=1500 * MS) == "all channels sweep together, triangle, 1.5 s"
    assert title(channels=("tilt", "roll"), shape="sine") == "tilt, roll sweep together, sine, 4 s"
    assert title(shape="staircase") == "all channels go up through every value, together"

"""The harness knows a device's clock from pings, within the bound it says."""

import random

from hypothesis import given
from hypothesis import strategies as st

from harness.clock import MS, US, S
from harness.pinged import PingedClock

WRAP = 1 << 32


def device_us(at_ns, start_us, ppm):
    """Return what a clock shows that runs `ppm` fast."""
    return int(start_us + at_ns * (1 + ppm / 1e6) / 1000) % WRAP


def pinged(seed, ppm, start_us, *, seconds=30):
    """Ping once a second with delays both ways that differ; yields (clock, time) after each answer."""
    draw = random.Random(seed)
    clock = PingedClock()
    times = [n * 40 * MS for n in range(8)] + [S + n * S for n in range(seconds)]
    for nonce, at_ns in enumerate(times):
        there, back = draw.randrange(200 * US, 20 * MS), draw.randrange(200 * US, 20 * MS)
        clock.asked(nonce, at_ns)
        clock.told(nonce, device_us(at_ns + there, start_us, ppm), at_ns + there + back)
        yield clock, at_ns + there + back


@given(st.integers(0, 2**32), st.integers(-4_000, 4_000), st.integers(0, WRAP - 1))
def test_the_truth_lies_within_the_bound(seed, ppm, start_us):
    """Whatever the delays, the drift up to 0.4 % and the place in the 71.6 minutes of a 32-bit clock."""
    for clock, now_ns in pinged(seed, ppm, start_us):
        for later_ns in (0, S):
            at_ns = now_ns + later_ns
            found = clock.host_ns(device_us(at_ns, start_us, ppm))
            assert abs(found - at_ns) <= clock.bound_ns(at_ns) + 2 * US


def test_the_bound_gets_smaller_than_the_delays():
    *_, (clock, now_ns) = pinged(7, 50, 0)
    assert clock.bound_ns(now_ns) < 10 * MS
    assert clock.answers == 38


def test_nothing_is_known_before_the_first_answer():
    clock = PingedClock()
    assert (clock.base, clock.bound_ns(5)) == (None, 0)


def test_an_answer_that_nobody_asked_for_changes_nothing():
    clock = PingedClock()
    clock.told(1, 5, 5)
    clock.asked(2, 10 * MS)
    clock.told(2, 7, 5 * MS)  # before it was asked for
    assert clock.base is None
    assert clock.answers == 0


def test_pings_without_answers_are_forgotten():
    clock = PingedClock()
    for nonce in range(100):
        clock.asked(nonce, nonce)
    clock.told(0, 5, 200)
    assert clock.answers == 0
    clock.told(99, 5, 200)
    assert clock.answers == 1


def test_a_start_forgets_the_map():
    *_, (clock, now_ns) = pinged(7, 0, 5_000_000)
    clock.begin_anew()
    assert clock.base is None
    clock.asked(1000, now_ns)
    clock.told(1000, 20, now_ns + 2 * MS)
    assert abs(clock.host_ns(20) - now_ns) <= 2 * MS

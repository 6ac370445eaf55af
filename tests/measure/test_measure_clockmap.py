"""Device stamps in host time: offset, skew, wraps, restarts, and a bound that always holds the truth."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenario import BAUD, DeviceClock, line_ns

from harness.chance import stream as chance_stream
from harness.clock import MS, US, S
from harness.codec import encode
from harness.codec import messages as wire
from harness.measure.arrays import ints
from harness.measure.clockmap import RATE_LIMIT, map_clock
from harness.measure.exchanges import byte_time_ns, offset_and_delay
from harness.measure.tables import read_stream
from harness.recording.model import Direction, PortPackets

ORIGIN = 5_000 * S


def mapped(clock, pings=(), says=(), *, baud=BAUD, starts=()):
    """Map a clock from pings (sent at, waits before the stamp, waits after it) and `Applied` (at, waits)."""
    told, heard = [], []
    for nonce, (at_ns, before, after) in enumerate(pings):
        told.append((at_ns, encode(wire.Ping(nonce), nonce)))
        stamped = at_ns + line_ns(11, baud) + before
        heard.append((stamped + after + line_ns(15, baud), wire.Pong(nonce, reading(clock, stamped, starts))))
    for at_ns, wait in says:
        message = wire.Applied(0, reading(clock, at_ns, starts), 0, ())
        heard.append((at_ns + wait + line_ns(len(encode(message, 0)), baud), message))
    heard += [(at_ns, wire.Started(0, reading(clock, at_ns, starts))) for at_ns in starts]
    return map_clock(_read(_counted(heard), Direction.TO_PC), _read(told, Direction.TO_DEVICE), baud)


def reading(clock, at_ns, starts):
    begun = [start for start in starts if start <= at_ns]
    return DeviceClock(0, clock.ppm).stamp(at_ns - max(begun)) if begun else clock.stamp(at_ns)


def _counted(heard):
    rows, counter = [], 0
    for at_ns, message in sorted(heard, key=lambda row: row[0]):
        counter = 0 if isinstance(message, wire.Started) else counter
        rows.append((at_ns, encode(message, counter)))
        counter += 1
    return rows


def _read(rows, direction):
    ports = PortPackets([row[0] for row in rows], [direction] * len(rows), [row[1] for row in rows])
    return read_stream(ports, direction)


def error_ns(clock_map, clock, at_ns, segment=0, starts=()):
    """How far off the map is at a true time."""
    stamp, where = ints([reading(clock, at_ns, starts)]), ints([segment])
    dev_us = clock_map.unwrap(stamp, ints([at_ns + 2 * MS]), where)
    return abs(int(clock_map.to_host_ns(dev_us, where)[0]) - at_ns)


def steady(seconds, *, before=20 * US, after=20 * US, start=ORIGIN):
    return [(start + place * S, before, after) for place in range(seconds)]


def test_offset_and_delay_are_the_rfc_5905_formulas():
    """RFC 5905 section 8 (formulas read; the numbers were made up from them: derived)."""
    assert offset_and_delay(0.0, 0.11, 0.115, 0.035) == pytest.approx((0.095, 0.03), abs=1e-12)
    assert offset_and_delay(10.0, 9.5, 9.6, 10.4) == pytest.approx((-0.65, 0.3), abs=1e-12)


def test_an_exchange_bounds_the_offset_by_half_the_delay_as_rfc_5905_says():
    """With no byte times the one node is T1 + delay/2 for a stamp taken at once (T2 = T3)."""
    clock = DeviceClock(0, 0)
    clock_map = mapped(clock, [(ORIGIN, 40 * US, 360 * US)], baud=10**9)
    delay = offset_and_delay(0, 40, 40, 400)[1] * US
    assert error_ns(clock_map, clock, ORIGIN + 40 * US) <= delay / 2
    assert delay / 2 <= clock_map.bound_ns <= delay / 2 + 5 * US


def test_byte_times_are_ten_bits_a_byte():
    """115200 baud 8N1: 11520 bytes a second, less 3 % that a baud rate may be off."""
    assert byte_time_ns(11_520, 115_200) == pytest.approx(0.97 * S, rel=1e-6)
    assert byte_time_ns(11_520, 0) == 0


def test_a_skewed_clock_is_mapped_within_a_fraction_of_a_millisecond():
    clock = DeviceClock(123_456_789, 180.0)
    clock_map = mapped(clock, steady(60))
    assert clock_map.how == "pings"
    assert clock_map.bound_ns < 150 * US
    for second in range(60):
        assert error_ns(clock_map, clock, ORIGIN + second * S + 333 * MS) <= clock_map.bound_ns


def test_the_counter_wraps_without_notice():
    """A 32-bit microsecond counter wraps every 71.6 min; here 10 s into the recording."""
    clock = DeviceClock(2**32 - 5_010 * 1_000_000, 0.0)
    clock_map = mapped(clock, steady(30))
    for second in (0, 9, 10, 11, 29):
        assert error_ns(clock_map, clock, ORIGIN + second * S) <= clock_map.bound_ns


def test_each_start_begins_a_map_of_its_own():
    starts = (ORIGIN + 10 * S + 1, ORIGIN + 20 * S + 1)
    clock = DeviceClock(77, 40.0)
    clock_map = mapped(clock, steady(30), starts=starts)
    assert len(clock_map.segments) == 3
    for second, segment in ((5, 0), (15, 1), (25, 2)):
        at_ns = ORIGIN + second * S + 500 * MS
        assert error_ns(clock_map, clock, at_ns, segment, starts) <= clock_map.bounds_ns(ints([segment]))[0]


def test_the_narrowest_exchanges_count():
    """An adapter that batches by 16 ms: one quick exchange in five seconds keeps the bound small."""
    pings = [(ORIGIN + n * S, 20 * US, 20 * US if n % 5 == 2 else 15 * MS) for n in range(40)]
    clock_map = mapped(DeviceClock(0, 25.0), pings)
    assert clock_map.bound_ns < 300 * US


def test_a_line_without_byte_times_is_recognised():
    """A pseudo-terminal answers in 0.1 ms whatever baud it was given: nothing may be taken off."""
    told = [(ORIGIN + n * S, encode(wire.Ping(n), n)) for n in range(10)]
    clock = DeviceClock(5, 0)
    heard = [(at + 100 * US, wire.Pong(n, clock.stamp(at + 95 * US))) for n, (at, _) in enumerate(told)]
    clock_map = map_clock(_read(_counted(heard), Direction.TO_PC), _read(told, Direction.TO_DEVICE), BAUD)
    assert error_ns(clock_map, clock, ORIGIN + 3 * S) <= clock_map.bound_ns <= 60 * US


def test_without_pings_arrivals_map_the_clock_with_a_wider_bound():
    clock = DeviceClock(99, -300.0)
    says = [(ORIGIN + n * 20 * MS, n % 7 * MS) for n in range(500)]
    clock_map = mapped(clock, says=says)
    assert clock_map.how == "arrivals"
    assert 20 * MS <= clock_map.bound_ns < 60 * MS
    assert error_ns(clock_map, clock, ORIGIN + 4 * S) <= clock_map.bound_ns


def test_a_port_without_any_stamp_has_no_map():
    clock_map = mapped(DeviceClock())
    assert clock_map.how == "nothing"


def test_an_exchange_that_contradicts_the_map_widens_the_bound():
    """A device that jumps by 5 ms without a start: the line cannot hold, and the bound says so."""
    told = [(ORIGIN + n * S, encode(wire.Ping(n), n)) for n in range(20)]
    heard = []
    for n, (at_ns, _) in enumerate(told):
        stamped = at_ns + line_ns(11) + 20 * US
        jump = 5_000 if n == 8 else 0
        heard.append((stamped + 20 * US + line_ns(15), wire.Pong(n, DeviceClock().stamp(stamped) + jump)))
    clock_map = map_clock(_read(_counted(heard), Direction.TO_PC), _read(told, Direction.TO_DEVICE), BAUD)
    assert clock_map.bound_ns > 4 * MS


def test_a_pong_with_an_unknown_nonce_is_no_exchange():
    heard = _read([(ORIGIN + 5 * MS, encode(wire.Pong(3, 1), 0))], Direction.TO_PC)
    told = _read([(ORIGIN, encode(wire.Ping(4), 0))], Direction.TO_DEVICE)
    assert map_clock(heard, told, BAUD).how == "arrivals"


def test_a_span_on_one_clock_needs_its_rate_only():
    """RFC 3393 section 2.7.1: a skew K adds K times the span (formula read; the numbers derived)."""
    clock_map = mapped(DeviceClock(0, 50.0), steady(60))
    span, bound = clock_map.span_ns(500_000, 0)
    assert span == pytest.approx(500 * MS - 25 * US, abs=bound)
    assert bound < 6 * US


@settings(max_examples=60)
@given(
    offset=st.integers(0, 2**32 - 1),
    ppm=st.floats(-5000, 5000),
    seconds=st.integers(1, 40),
    jitter_us=st.integers(0, 16_000),
    pinged=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_the_bound_holds_the_truth(offset, ppm, seconds, jitter_us, pinged, seed):
    """Any offset, rate, wrap, number of pings and delay on either way: the truth lies within the bound."""
    chance = chance_stream(seed, "delays")
    clock = DeviceClock(offset, ppm)
    pings = [
        (ORIGIN + n * S, chance.randint(0, jitter_us) * US, chance.randint(0, jitter_us) * US)
        for n in range(seconds)
    ]
    says = [(ORIGIN + n * 50 * MS, chance.randint(0, jitter_us) * US) for n in range(20 * seconds)]
    clock_map = mapped(clock, pings if pinged else (), says)
    for second in np.linspace(0, seconds - 1, 7).tolist():
        assert error_ns(clock_map, clock, ORIGIN + int(second * S)) <= clock_map.bound_ns


def test_the_rate_is_never_taken_for_better_than_it_can_be():
    clock_map = mapped(DeviceClock(), steady(1))
    assert clock_map.rate_error == RATE_LIMIT

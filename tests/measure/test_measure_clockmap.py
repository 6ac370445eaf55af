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
from harness.measure.clockmap import MOST_LIVES, RATE_LIMIT, WANDER, map_clock
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


def test_offset_and_skew_are_told_with_their_bounds():
    """Device less host, as RFC 5905's theta; how fast the device runs, in ppm."""
    clock = DeviceClock(123_456_789, 180.0)
    (part,) = mapped(clock, steady(60)).segments
    at_us, at_ns = int(part.nodes_us[0]), int(part.nodes_ns[0])
    whole = round((123_456_789 + ORIGIN // US * 1.00018) // 2**32) * 2**32
    assert part.offset_ns == at_us * US - at_ns
    assert abs(at_us + whole - 123_456_789 - at_ns / US * 1.00018) * US <= part.bound_ns
    assert part.skew_ppm == pytest.approx(180.0, abs=part.rate.error * 1e6)
    assert part.rate.error < 10e-6


def test_round_trips_are_told_best_and_median_with_the_byte_times_in_them():
    pings = [(ORIGIN + n * S, 20 * US, (20 + 100 * (n % 2)) * US) for n in range(9)]
    (part,) = mapped(DeviceClock(), pings).segments
    whole = line_ns(11) + line_ns(15)
    assert part.trips.answered == 9
    assert part.trips.best_ns == part.trips.median_ns == pytest.approx(whole + 40 * US, abs=10)
    assert part.trips.byte_ns == pytest.approx(0.97 * whole, abs=10)


def test_a_bound_is_the_sum_of_its_parts_and_never_less_than_half_the_best_trip():
    (part,) = mapped(DeviceClock(), steady(60)).segments
    assert part.bound_ns == sum(part.parts)
    assert part.parts.line_ns == pytest.approx(0.03 * (line_ns(11) + line_ns(15)) / 2, abs=10)
    assert part.parts.exchange_ns + part.parts.line_ns >= (part.trips.best_ns - part.trips.byte_ns) / 2


@pytest.mark.parametrize("trip_us", [100, 1_000])
def test_on_a_clean_line_the_bound_is_half_the_best_round_trip_and_a_tenth_at_most(trip_us):
    """A line without byte times, every exchange alike: the rest is drift between pings."""
    clock = DeviceClock(3 * 10**9, 200.0)
    pings = [(ORIGIN + n * S, 0, trip_us * US) for n in range(60)]
    told = [(at, encode(wire.Ping(n), n)) for n, (at, _, _) in enumerate(pings)]
    heard = [(at + trip_us * US, wire.Pong(n, clock.stamp(at))) for n, (at, _, _) in enumerate(pings)]
    clock_map = map_clock(_read(_counted(heard), Direction.TO_PC), _read(told, Direction.TO_DEVICE), BAUD)
    assert trip_us * US / 2 <= clock_map.bound_ns <= 1.1 * trip_us * US / 2
    assert error_ns(clock_map, clock, ORIGIN + 30 * S) <= clock_map.bound_ns


def test_several_wraps_go_by_without_notice():
    """Four hours, three wraps, one ping a minute."""
    clock = DeviceClock(2**32 - 5_002 * 1_000_000, 150.0)
    clock_map = mapped(clock, [(ORIGIN + n * 60 * S, 20 * US, 20 * US) for n in range(240)])
    assert clock_map.bound_ns < 500 * US
    for hour in (0, 1, 2, 3):
        for second in (1, 1_799, 3_500):
            at_ns = ORIGIN + (3_600 * hour + second) * S
            assert error_ns(clock_map, clock, at_ns) <= clock_map.bound_ns


@pytest.mark.parametrize("wrap_s", [9, 10, 11])
def test_a_restart_near_the_wrap_is_no_wrap(wrap_s):
    """The counter wraps 1 s before a restart, with it, or would have 1 s after: the new count begins at 0."""
    starts = (ORIGIN + 10 * S + 1,)
    clock = DeviceClock((2**32 - (5_000 + wrap_s) * 1_000_000) % 2**32, 0.0)
    clock_map = mapped(clock, steady(20), starts=starts)
    assert len(clock_map.segments) == 2
    for second, segment in ((1, 0), (9, 0), (11, 1), (19, 1)):
        at_ns = ORIGIN + second * S + 2 * MS
        assert error_ns(clock_map, clock, at_ns, segment, starts) <= clock_map.bounds_ns(ints([segment]))[0]


class CoarseClock(DeviceClock):
    """Counts by steps of 256 us, as a timer with a slow prescaler does."""

    def stamp(self, at_ns):
        return super().stamp(at_ns) // 256 * 256


def test_a_coarse_clock_has_its_step_in_the_bound():
    clock = CoarseClock(0, 30.0)
    says = [(ORIGIN + n * 37 * MS, 0) for n in range(500)]
    clock_map = mapped(clock, steady(20), says)
    (part,) = clock_map.segments
    assert part.parts.resolution_ns == 256 * US
    assert part.span_step_ns == 256 * US
    for at_ns, _ in says[::7]:
        assert error_ns(clock_map, clock, at_ns) <= clock_map.bound_ns


class WarmingClock(DeviceClock):
    """Changes its rate by 1 ppm each second."""

    def stamp(self, at_ns):
        gone = (at_ns - ORIGIN) / S
        return super().stamp(at_ns) + round(gone * gone / 2)


def test_a_clock_that_warms_up_has_a_wider_bound():
    clock = WarmingClock(0, 30.0)
    clock_map = mapped(clock, steady(60), [(ORIGIN + n * 50 * MS, 0) for n in range(1_180)])
    (part,) = clock_map.segments
    assert (
        part.rate.wander > 40e-6 > WANDER == mapped(DeviceClock(0, 30.0), steady(60)).segments[0].rate.wander
    )
    for second in range(58):
        assert error_ns(clock_map, clock, ORIGIN + second * S + 500 * MS) <= clock_map.bound_ns


def test_bytes_that_take_no_time_after_all_widen_the_bound():
    """Every pong is slow enough for its byte times, but long messages come faster than theirs."""
    told = [(ORIGIN + n * S, encode(wire.Ping(n), n)) for n in range(20)]
    heard = [(at + 3 * MS, wire.Pong(n, DeviceClock().stamp(at + 50 * US))) for n, (at, _) in enumerate(told)]
    for n in range(200):
        at_ns = ORIGIN + n * 100 * MS + 40 * MS
        heard.append((at_ns + 200 * US, wire.Applied(n, DeviceClock().stamp(at_ns), 0, (1500,) * 16)))
    clock_map = map_clock(_read(_counted(heard), Direction.TO_PC), _read(told, Direction.TO_DEVICE), BAUD)
    assert clock_map.segments[0].parts.misfit_ns > 0
    assert error_ns(clock_map, DeviceClock(), ORIGIN + 5 * S) <= clock_map.bound_ns


def test_a_broken_stamp_is_no_clock_error():
    """One report stamped an hour ahead costs nothing; one 5 ms ahead shows the map to be wrong."""
    says = [(ORIGIN + n * 100 * MS, MS) for n in range(100)]
    plain = mapped(DeviceClock(), steady(10), says).bound_ns
    broken = mapped(DeviceClock(), steady(10), [*says, (ORIGIN + 3_601 * S, -3_600 * S + 200)]).bound_ns
    ahead = mapped(DeviceClock(), steady(10), [*says, (ORIGIN + 8 * S + 7 * MS, -5 * MS)]).bound_ns
    assert broken == plain
    assert ahead > 2 * MS > plain


def test_a_device_whose_stamps_stand_still_has_no_clock_and_arrivals_take_their_place():
    says = [(ORIGIN + n * 20 * MS, n % 7 * MS) for n in range(500)]
    still = [(at + wait, wire.Applied(n, 777, 0, ())) for n, (at, wait) in enumerate(says)]
    heard = _read(_counted([(at + line_ns(15), message) for at, message in still]), Direction.TO_PC)
    clock_map = map_clock(heard, _read([], Direction.TO_DEVICE), BAUD)
    assert (clock_map.how, clock_map.ticks) == ("arrivals", False)
    assert mapped(DeviceClock(777), says=says).ticks
    segment = heard.segment
    dev_us = clock_map.unwrap(np.full(len(says), 777), heard.at_ns, segment)
    off = np.abs(clock_map.to_host_ns(dev_us, segment) - ints([at for at, _ in says]))
    assert off.max() <= clock_map.bound_ns
    assert 20 * MS <= clock_map.bound_ns < 25 * MS
    assert clock_map.span_ns(20_000, 0)[1] >= clock_map.bound_ns


def test_a_life_without_pings_allows_for_waits_seen_in_another():
    """The line held messages for 60 ms when pings told; in a life without pings it may have as well."""
    starts = (ORIGIN + 20 * S + 500 * MS,)
    says = [(ORIGIN + n * 100 * MS, 60 * MS if n == 50 or n > 205 else 0) for n in range(210)]
    clock_map = mapped(DeviceClock(5), steady(20), says, starts=starts)
    assert [part.how for part in clock_map.segments] == ["pings", "arrivals"]
    assert clock_map.segments[1].bound_ns >= 60 * MS
    calm = mapped(DeviceClock(5), steady(20), [(at, 0) for at, _ in says], starts=starts)
    assert calm.segments[1].bound_ns < 30 * MS


def test_starts_without_end_share_one_map_by_arrivals():
    """Message counters at random look like a start each; a recording cannot make judging endless."""
    rows = [(ORIGIN + n * MS, wire.Applied(0, n * 1000, 0, ())) for n in range(MOST_LIVES + 500)]
    heard = _read([(at_ns, encode(message, 0)) for at_ns, message in rows], Direction.TO_PC)
    clock_map = map_clock(heard, _read([], Direction.TO_DEVICE), BAUD)
    assert len(clock_map.segments) == MOST_LIVES + 500
    assert len(set(map(id, clock_map.segments))) == MOST_LIVES + 1
    where = heard.segment[-400:]
    stamps = ints([message.at_us for _, message in rows[-400:]])
    dev_us = clock_map.unwrap(stamps, heard.at_ns[-400:], where)
    off = np.abs(clock_map.to_host_ns(dev_us, where) - heard.at_ns[-400:])
    assert (off <= clock_map.bounds_ns(where)).all()
    assert clock_map.how == "arrivals"

"""The emulator runs cores in virtual time, exactly, repeatably, and without being taken down by them.

Cycle counts are those of the AVR Instruction Set Manual (DS40002198), what registers do is from the
part's data sheet (DS40002070); its sections are named. Both document numbers are from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

import pytest
from cores import BYTE_NS, CYCLE_NS, FRAME, HZ, MODULE_BYTE_NS, Bench, flash, of, text
from hypothesis import given
from hypothesis import strategies as st

from harness.clock import MS, US, S
from mocks.avr.emulator import Kind


@pytest.fixture
def echo() -> Iterator[Bench]:
    with Bench("echo") as bench:
        bench.go(1 * MS)
        yield bench


@pytest.fixture
def probe() -> Iterator[Bench]:
    with Bench("probe") as bench:
        bench.go(1 * MS)
        yield bench


# ---- cycles ----


def test_instructions_take_the_cycles_of_the_manual() -> None:
    with Bench() as bench:
        core = bench.add_core(flash("steps"))
        bench.enable_markers(core)
        bench.run(1 * MS)
        (one, first), (two, second), (three, third) = bench.markers(core)
    assert (one, two, three) == (1, 2, 3)
    assert second - first == 1 + 10  # OUT, ten NOP
    assert third - second == 1 + 2 + 2 + 2 + 3 + 2 + 2  # OUT, RJMP, PUSH, POP, RCALL (16-bit PC), POP, POP


@pytest.mark.parametrize("skew_ppm", [-100, 0, 50])
def test_cycles_are_time_times_frequency(skew_ppm: int) -> None:
    with Bench() as bench:
        hz = HZ + 16 * skew_ppm
        core = bench.add_core(flash("echo"), frequency_hz=hz)
        bench.go(2 * S)
        assert bench.cycles(core) == 2 * hz + 1


def test_a_transmitter_is_off_until_it_is_switched_on() -> None:
    with Bench("capture") as bench:
        bench.go(1 * MS)
        assert bench.byte_ns(0, 0) == bench.byte_ns(0, 1) == 0


def test_markers_are_kept_only_when_asked_for() -> None:
    with Bench("steps") as bench:
        bench.run(1 * MS)
        assert bench.markers(0) == []


@pytest.mark.parametrize("defines", [{}, {"BUSY": 1}], ids=["asleep", "busy"])
def test_a_compare_unit_makes_pulses_right_to_the_cycle(defines: Mapping[str, int]) -> None:
    with Bench() as bench:
        bench.add_core(flash("pulse", defines))
        bench.watch(0, "D", 5)
        edges = of(bench.go(100 * MS), Kind.EDGE)
    assert [edge.level for edge in edges] == [1, 0] * (len(edges) // 2) + [1] * (len(edges) % 2)
    widths = [after.at_ns - before.at_ns for before, after in pairwise(edges)]
    assert len(widths) > 40
    assert set(widths[::2]) == {1500 * US}
    assert set(widths[1::2]) == {2500 * US}


# ---- what UARTs send ----


def test_bytes_end_one_byte_time_after_the_write_and_then_after_one_another(echo: Bench) -> None:
    echo.watch(0, "B", 0)
    echo.say(b"Dunlin\0")
    events = echo.go(10 * MS)
    first_up = of(events, Kind.EDGE)[0].at_ns
    (piece,) = of(events, Kind.BENCH)
    assert piece.data == b"Dunlin\0"
    from_write = piece.at_ns - 6 * BYTE_NS - BYTE_NS - first_up
    assert 0 < from_write < 10 * CYCLE_NS  # the write stands a few instructions after the edge


@pytest.mark.parametrize(
    ("defines", "bits", "divisor"),
    [
        ({}, 10, 17),
        ({"DIVISOR": 1}, 10, 2),
        ({"FORMAT": "(1<<USBS0|1<<UCSZ01|1<<UCSZ00)"}, 11, 17),
        ({"FORMAT": "(1<<UPM01|1<<UCSZ01|1<<UCSZ00)"}, 11, 17),
        ({"FORMAT": "(1<<UCSZ01)"}, 9, 17),
    ],
    ids=["8N1", "1 Mbit/s", "8N2", "8E1", "7N1"],
)
def test_a_byte_lasts_as_many_bits_as_were_set_up(
    defines: Mapping[str, str | int], bits: int, divisor: int
) -> None:
    with Bench() as bench:
        core = bench.add_core(flash("echo", defines))
        assert bench.byte_ns(core, 0) == 0
        bench.go(1 * MS)
        lasts_ns = bits * divisor * 8 * 1000 // 16
        assert bench.byte_ns(core, 0) == lasts_ns
        assert bench.byte_ns(core, 1) == MODULE_BYTE_NS
        bench.say(b"ab\0", byte_ns=lasts_ns)
        bench.say(b"", core=core)
        (piece,) = of(bench.go(5 * MS), Kind.BENCH)
    assert piece.data == b"ab\0"
    assert 0 < piece.at_ns - (1 * MS + 4 * lasts_ns) < 4 * US


def test_pieces_end_with_zero_or_at_64_bytes_or_when_the_line_falls_silent(echo: Bench) -> None:
    echo.say(b"\0a\0" + bytes(range(100, 199)))
    pieces = of(echo.go(40 * MS), Kind.BENCH)
    assert [piece.data for piece in pieces] == [b"\0", b"a\0", bytes(range(100, 164)), bytes(range(164, 199))]
    ends = [piece.at_ns for piece in pieces]
    assert [after - before for before, after in pairwise(ends)] == [2 * BYTE_NS, 64 * BYTE_NS, 35 * BYTE_NS]


@pytest.mark.parametrize(("gap_ns", "pieces"), [(2 * BYTE_NS - 100, [b"ab"]), (2 * BYTE_NS, [b"a", b"b"])])
def test_a_line_is_silent_after_two_byte_times(echo: Bench, gap_ns: int, pieces: list[bytes]) -> None:
    echo.feed(0, 0, 2 * MS, BYTE_NS, b"a")
    echo.feed(0, 0, 2 * MS + BYTE_NS + gap_ns, BYTE_NS, b"b")
    assert [piece.data for piece in of(echo.go(5 * MS), Kind.BENCH)] == pieces


def test_events_are_told_when_their_time_is_reached(echo: Bench) -> None:
    echo.say(b"\0")
    (piece,) = of(Bench.go(echo, 2 * MS), Kind.BENCH)
    with Bench("echo") as again:
        again.go(1 * MS)
        again.say(b"\0")
        assert of(again.go(piece.at_ns - 1), Kind.BENCH) == []
        assert of(again.go(piece.at_ns), Kind.BENCH) == [piece]


def test_a_transmitter_drops_what_does_not_fit_and_what_it_gets_while_off(probe: Bench) -> None:
    probe.say(b"f")
    (piece,) = of(probe.go(5 * MS), Kind.BENCH)
    assert piece.data == b"ab"  # "USART: Sending Frames": a write to a full buffer is ignored
    assert 0 < piece.at_ns - (1 * MS + BYTE_NS + 2 * BYTE_NS) < 3 * US  # one after the other
    probe.say(b"t")
    assert text(probe.go(10 * MS)) == b""


def test_module_frames_come_whole_however_close_they_stand(echo: Bench) -> None:
    echo.say(FRAME * 3 + b"\xb2\x00\x4e", uart=1, byte_ns=MODULE_BYTE_NS)
    frames = of(echo.go(3 * MS), Kind.MODULE)
    assert [frame.data for frame in frames] == [FRAME] * 3 + [b"\xb2\x00\x4e"]
    ends = [frame.at_ns for frame in frames]
    assert [after - before for before, after in pairwise(ends)] == [5 * MODULE_BYTE_NS] * 2 + [
        3 * MODULE_BYTE_NS
    ]


def test_a_module_frame_of_the_longest_payload_passes_and_a_longer_one_is_looked_into_anew(
    echo: Bench,
) -> None:
    longest = b"\xa1\x28" + bytes(40) + b"\x37"
    echo.say(longest + b"\xa1\x29" + FRAME, uart=1, byte_ns=MODULE_BYTE_NS)
    assert [frame.data for frame in of(echo.go(5 * MS), Kind.MODULE)] == [longest, FRAME]


@pytest.mark.parametrize(("gap_ns", "whole"), [(4_900 * US, True), (5_100 * US, False)])
def test_a_partial_module_frame_is_dropped_after_5_ms(echo: Bench, gap_ns: int, whole: bool) -> None:
    echo.feed(0, 1, 2 * MS, MODULE_BYTE_NS, FRAME[:3])
    echo.feed(0, 1, 2 * MS + 3 * MODULE_BYTE_NS + gap_ns, MODULE_BYTE_NS, FRAME[3:] + FRAME)
    frames = [frame.data for frame in of(echo.go(20 * MS), Kind.MODULE)]
    assert (frames == [FRAME] * 2) == whole


# ---- what UARTs receive ----


@given(offset_ns=st.integers(0, 10_000))
def test_a_byte_is_there_at_its_own_cycle(offset_ns: int) -> None:
    with Bench("echo") as bench:
        bench.watch(0, "B", 0)
        bench.go(1 * MS)
        end_ns = 2 * MS + offset_ns
        bench.feed(0, 0, end_ns, BYTE_NS, b"x")
        up = of(bench.go(3 * MS), Kind.EDGE)[0]
    late = up.at_ns - end_ns
    assert (
        20 * CYCLE_NS <= late < 24 * CYCLE_NS
    )  # asleep: only the way into the interrupt routine lies between


def test_bytes_never_come_closer_than_a_byte_time(echo: Bench) -> None:
    echo.watch(0, "B", 0)
    for byte in b"abc":
        echo.feed(0, 0, 2 * MS, BYTE_NS, bytes([byte]))
    ups = [edge.at_ns for edge in of(echo.go(4 * MS), Kind.EDGE) if edge.level]
    assert [after - before for before, after in pairwise(ups)] == [BYTE_NS, BYTE_NS]


def test_bytes_of_the_past_come_at_once(echo: Bench) -> None:
    echo.go(10 * MS)
    echo.feed(0, 0, 2 * MS, BYTE_NS, b"late\0")
    (piece,) = of(echo.go(20 * MS), Kind.BENCH)
    assert piece.data == b"late\0"
    assert 0 < piece.at_ns - (10 * MS + 5 * BYTE_NS) < 3 * US


def test_a_receiver_holds_three_bytes(probe: Bench) -> None:
    probe.say(b"p123456")
    assert text(probe.go(20 * MS)) == b"123"  # two in the buffer, one in the shift register, the rest overrun
    probe.say(b"p123")
    assert text(probe.go(40 * MS)) == b"123"


def test_a_receive_interrupt_comes_again_while_bytes_wait(echo: Bench) -> None:
    echo.watch(0, "B", 0)
    echo.say(b"Lab")  # both arrive while the routine is busy with the first
    edges = of(echo.go(3 * MS), Kind.EDGE)
    assert [edge.level for edge in edges] == [1, 0, 1, 0, 1, 0]
    gaps = [up.at_ns - down.at_ns for down, up in zip(edges[1::2], edges[2::2], strict=False)]
    assert max(gaps) < 3 * US


def test_a_receiver_that_is_off_hears_nothing() -> None:
    with Bench("probe") as bench:
        bench.say(b"a", byte_ns=1)
        assert len(text(bench.go(20 * MS))) == 2  # the greeting alone

"""The emulator runs cores in virtual time, exactly, repeatably, and without being taken down by them.

Cycle counts are those of the AVR Instruction Set Manual (Microchip DS40002198), what registers do is from the
ATmega1284P data sheet (Microchip DS40002070); its sections are named. Both document numbers are from memory.
"""

from __future__ import annotations

import gc
import threading
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.clock import MS, US, S
from mocks.avr.emulator import CORES_MAX, WIRES_MAX, Emulator, Event, Kind
from mocks.avr.toolchain import build_firmware

FIRMWARE = Path(__file__).parent / "firmware"
HZ = 16_000_000
CYCLE_NS = 62.5
BYTE_NS = 85_000
"""Ten bits at divisor 16 and double speed: 10 * 8 * 17 cycles of 62.5 ns ("USART: Baud Rate Generation")."""

MODULE_BYTE_NS = 20_000
FRAME = b"\xa1\x02\x11\x22\x2a"


def flash(name: str, defines: Mapping[str, str | int] | None = None) -> bytes:
    return build_firmware([FIRMWARE / f"{name}.c"], defines or {}).image


class Bench(Emulator):
    """An emulator with all it told so far."""

    def __init__(self, *names: str, **options: int) -> None:
        super().__init__()
        self.told: list[Event] = []
        for name in names:
            self.add_core(flash(name), **options)

    def go(self, until_ns: int, lookahead_ns: int = 0) -> list[Event]:
        """Run, and return what is new."""
        self.run(until_ns, lookahead_ns)
        new = self.events()
        self.told += new
        return new

    def say(self, data: bytes, *, core: int = 0, uart: int = 0, byte_ns: int = BYTE_NS) -> None:
        self.feed(core, uart, self.now_ns + byte_ns, byte_ns, data)


def of(events: Sequence[Event], kind: Kind) -> list[Event]:
    return [event for event in events if event.kind is kind]


def text(events: Sequence[Event]) -> bytes:
    return b"".join(event.data for event in events if event.kind is Kind.BENCH)


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


def test_markers_are_kept_only_when_asked_for() -> None:
    with Bench("steps") as bench:
        bench.run(1 * MS)
        assert bench.markers(0) == []


def test_a_compare_unit_makes_pulses_right_to_the_cycle() -> None:
    with Bench("pulse") as bench:
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
    echo.say(b"\0a\0" + bytes(range(1, 100)))
    pieces = of(echo.go(40 * MS), Kind.BENCH)
    assert [piece.data for piece in pieces] == [b"\0", b"a\0", bytes(range(1, 65)), bytes(range(65, 100))]
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
    assert text(probe.go(5 * MS)) == b"ab"  # "USART: Sending Frames": a write to a full buffer is ignored
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


def test_a_receiver_that_is_off_hears_nothing() -> None:
    with Bench("probe") as bench:
        bench.say(b"a", byte_ns=1)
        assert len(text(bench.go(20 * MS))) == 2  # the greeting alone


# ---- pins ----


def test_a_wire_carries_pulses_cycle_for_cycle() -> None:
    with Bench("pulse", "capture") as bench:
        bench.wire(0, "D", 5, 1, "C", 0)
        bench.watch(0, "D", 5)
        bench.enable_markers(1)
        edges = of(bench.go(200 * MS), Kind.EDGE)
        markers = bench.markers(1)
    assert [edge.level for edge in edges] == [marker.value for marker in markers]
    late = {marker.cycle - round(edge.at_ns / CYCLE_NS) for edge, marker in zip(edges, markers, strict=True)}
    assert len(late) == 1
    assert len(edges) > 80


@pytest.mark.parametrize("skew_ppm", [-200, 100])
def test_a_wire_between_different_clocks_keeps_time(skew_ppm: int) -> None:
    hz = HZ + 16 * skew_ppm
    with Bench("pulse") as bench:
        bench.add_core(flash("capture"), frequency_hz=hz)
        bench.wire(0, "D", 5, 1, "C", 0)
        bench.enable_markers(1)
        bench.run(1 * S)
        markers = bench.markers(1)
    widths = [after.cycle - before.cycle for before, after in pairwise(markers) if before.value]
    exact = 24_000 * hz / HZ
    assert {width - int(exact) for width in widths} <= {0, 1}
    assert sum(widths) / len(widths) == pytest.approx(exact, abs=0.1)


def test_a_wire_takes_up_the_level_that_is_there_and_drops_it_with_the_power() -> None:
    with Bench("probe", "capture") as bench:
        bench.go(5 * MS)
        bench.enable_markers(1)
        bench.wire(0, "B", 1, 1, "C", 0)
        bench.go(6 * MS)
        bench.power(0, False)
        bench.go(7 * MS)
        assert [marker.value for marker in bench.markers(1)] == [1, 0] or [
            marker.value for marker in bench.markers(1)
        ] == [0]


def test_an_input_keeps_its_level_over_a_reset_of_its_core() -> None:
    with Bench("probe", "capture") as bench:
        bench.wire(0, "B", 1, 1, "C", 0)
        bench.go(5 * MS)
        bench.reset(1)
        bench.go(6 * MS)
        bench.enable_markers(1)
        bench.power(0, False)
        bench.go(7 * MS)
        assert [marker.value for marker in bench.markers(1)] == [0]


def test_only_watched_pins_are_told() -> None:
    with Bench("pulse") as bench:
        bench.watch(0, "D", 4)
        assert of(bench.go(50 * MS), Kind.EDGE) == []


@pytest.mark.parametrize(
    ("millivolt", "reading"), [(0, 0), (1250, 256), (2500, 512), (4990, 1021), (5000, 1023)]
)
def test_an_analog_input_is_measured_against_5_v(probe: Bench, millivolt: int, reading: int) -> None:
    # "ADC Conversion Result": 1024 * input / reference, at most 1023. simavr counts 1023 steps.
    probe.analog(0, 3, millivolt)
    probe.say(b"\x03")
    low, high = text(probe.go(5 * MS))
    assert abs(low + 256 * high - reading) <= 1


# ---- power and resets ----


def test_a_core_is_off_until_its_time() -> None:
    with Bench("probe", power_on_ns=3 * MS + 1) as bench:
        bench.watch(0, "B", 1)
        assert bench.go(3 * MS) == []
        assert bench.state(0) == "off"
        start, edge, *_ = bench.go(4 * MS)
        assert (start.kind, start.cause, start.at_ns) == (Kind.RESET, "power", 3 * MS + 63)
        assert edge.level == 1
        assert bench.state(0) == "running"


def test_power_off_lowers_pins_and_cuts_off_what_was_being_sent(echo: Bench) -> None:
    echo.watch(0, "B", 0)
    echo.say(b"abc")
    echo.go(1 * MS + 3 * BYTE_NS + 10 * US)
    echo.power(0, False)
    echo.power(0, False)
    assert text(echo.go(5 * MS)) == b"ab"
    assert echo.state(0) == "off"
    echo.say(b"unheard")
    assert echo.go(10 * MS) == []
    assert echo.byte_ns(0, 0) == 0


def test_power_on_loses_the_memory_and_a_reset_keeps_it(probe: Bench) -> None:
    # "MCUSR": PORF is bit 0, EXTRF bit 1; "SRAM": contents are kept over a reset.
    assert text(probe.told) == b"\x01\x01"
    probe.reset(0)
    assert text(probe.go(2 * MS)) == b"\x02\x02"
    probe.power(0, False)
    probe.go(3 * MS)
    probe.power(0, True)
    probe.power(0, True)
    assert text(probe.go(4 * MS)) == b"\x01\x01"
    causes = [event.cause for event in of(probe.told, Kind.RESET)]
    assert causes == ["power", "external", "power"]


def test_a_reset_lowers_pins_and_the_start_raises_them_again(probe: Bench) -> None:
    probe.watch(0, "B", 1)
    probe.reset(0)
    edges = of(probe.go(2 * MS), Kind.EDGE)
    assert [edge.level for edge in edges] == [0, 1]
    assert edges[0].at_ns == 1 * MS


@pytest.mark.parametrize("letter", [b"w", b"d"], ids=["hanging", "asleep without interrupts"])
def test_the_watchdog_resets_a_core_that_hangs(probe: Bench, letter: bytes) -> None:
    probe.say(letter)
    begin_ns = probe.now_ns + BYTE_NS
    events = probe.go(30 * MS)
    (reset,) = of(events, Kind.RESET)
    assert reset.cause == "watchdog"
    # "Watchdog Timer Prescale Select": 2048 cycles of 128 kHz, 16 ms
    assert 16 * MS <= reset.at_ns - begin_ns < 16 * MS + 100 * US
    assert text(events) == b"\x08\x02"  # WDRF is bit 3
    assert of(events, Kind.STOPPED) == []


def test_a_reset_of_a_core_that_is_off_does_nothing() -> None:
    with Bench("probe", power_on_ns=5 * MS) as bench:
        bench.go(1 * MS)
        bench.reset(0)
        assert bench.go(2 * MS) == []


def test_memory_at_power_on_depends_on_the_seed_alone() -> None:
    def start(seed: int) -> list[Event]:
        with Bench("probe", seed=seed) as bench:
            return bench.go(5 * MS)

    assert start(1) == start(1)


# ---- cores that stop ----


@pytest.mark.parametrize(
    ("letter", "cause"),
    [(b"c", "crashed"), (b"s", "crashed"), (b"h", "halted")],
    ids=["jump", "write", "deaf sleep"],
)
def test_a_core_that_stops_is_told_once_and_runs_again_after_a_reset(
    probe: Bench, letter: bytes, cause: str, capfd: pytest.CaptureFixture[str]
) -> None:
    probe.say(letter)
    probe.go(1 * S)
    probe.go(2 * S)
    (stopped,) = of(probe.told, Kind.STOPPED)
    assert stopped.cause == cause
    assert probe.state(0) == cause
    assert probe.now_ns == 2 * S
    assert probe.cycles(0) == 2 * HZ + 1
    probe.reset(0)
    assert text(probe.go(3 * S)) == b"\x02\x02"
    assert capfd.readouterr() == ("", "")


def test_an_erased_flash_runs_off_its_end() -> None:
    with Emulator() as bench:
        bench.add_core(b"\xff" * 128 * 1024)
        bench.run(1 * S)
        assert [event.cause for event in bench.events()] == ["power", "crashed"]


@given(program=st.binary(min_size=2, max_size=400), seed=st.integers(0, 2**32))
def test_no_program_takes_the_emulator_down(program: bytes, seed: int) -> None:
    with Emulator() as bench:
        bench.add_core(program, seed=seed)
        bench.add_core(program * (128 * 1024 // len(program)), seed=seed)
        assert bench.run(2 * MS) == 2 * MS
        bench.feed(0, 0, 2 * MS, BYTE_NS, program)
        bench.reset(1)
        assert bench.run(3 * MS) == 3 * MS


# ---- repeatable ----


def story(cuts: Sequence[int], *, late: bool = False) -> tuple[object, ...]:
    """Four cores that hear, drive and measure, run to 60 ms in the steps given; everything seen."""
    with Bench("echo", "pulse", "probe") as bench:
        bench.add_core(flash("capture"), frequency_hz=HZ + 1234, power_on_ns=5 * MS + 77)
        bench.wire(1, "D", 5, 3, "C", 0)
        bench.wire(0, "B", 0, 3, "C", 1)
        for core, port, bit in ((0, "B", 0), (1, "D", 5), (2, "B", 1)):
            bench.watch(core, port, bit)
        bench.enable_markers(3)
        feeds = [
            (10 * MS, partial(bench.feed, 0, 0, 10 * MS + 33, BYTE_NS, b"one\0two\0three")),
            (11 * MS, partial(bench.feed, 0, 1, 11 * MS + 7, MODULE_BYTE_NS, FRAME * 4)),
            (12 * MS, partial(bench.feed, 2, 0, 12 * MS + 1, BYTE_NS, b"\x01fp123\x07w")),
            (40 * MS, partial(bench.feed, 2, 0, 40 * MS, BYTE_NS, b"\x02h")),
        ]
        for until_ns in [*sorted(cuts), 60 * MS]:
            while feeds and (not late or until_ns >= feeds[0][0]):
                feeds.pop(0)[1]()
            bench.go(until_ns)
        cycles = [bench.cycles(core) for core in range(4)]
        return sorted(bench.told), bench.markers(3), cycles, [bench.state(core) for core in range(4)]


@given(st.lists(st.integers(0, 60 * MS), max_size=30))
def test_a_trace_does_not_depend_on_where_runs_are_cut(cuts: list[int]) -> None:
    assert story(cuts) == story([])


@given(st.integers(1, 3000), st.integers(0, 3000))
def test_a_trace_does_not_depend_on_the_step_in_a_busy_stretch(step_ns: int, offset_ns: int) -> None:
    begin_ns = 10 * MS + offset_ns
    assert story(range(begin_ns, begin_ns + 600 * step_ns, step_ns)) == story([])


def test_a_trace_does_not_depend_on_when_the_future_is_fed() -> None:
    assert story(range(0, 60 * MS, 1 * MS), late=True) == story([])


def test_a_trace_is_the_same_in_two_threads_at_once() -> None:
    alone, together = story([]), []
    threads = [threading.Thread(target=lambda: together.append(story([1 * MS]))) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert together == [alone, alone]


# ---- lookahead ----


def test_a_run_stops_after_the_first_module_frame_for_as_long_as_asked() -> None:
    with Bench("echo", "echo") as bench:
        bench.go(1 * MS)
        bench.say(FRAME * 2, uart=1, byte_ns=MODULE_BYTE_NS)
        (frame,) = of(bench.go(5 * MS, 50 * US), Kind.MODULE)
        assert bench.now_ns == frame.at_ns + 50 * US
        (second,) = of(bench.go(5 * MS, 50 * US), Kind.MODULE)
        assert second.at_ns == frame.at_ns + 5 * MODULE_BYTE_NS
        assert bench.now_ns == second.at_ns + 50 * US
        assert bench.run(5 * MS, 50 * US) == 5 * MS


def test_a_frame_of_a_later_core_stops_the_time_too() -> None:
    with Bench("echo", "echo") as bench:
        bench.go(1 * MS)
        bench.say(FRAME, core=1, uart=1, byte_ns=MODULE_BYTE_NS)
        (frame,) = of(bench.go(5 * MS, 50 * US), Kind.MODULE)
        assert (frame.core, bench.now_ns) == (1, frame.at_ns + 50 * US)


def test_frames_with_lookahead_are_the_same_as_without() -> None:
    def frames(lookahead_ns: int) -> list[Event]:
        with Bench("echo", "echo") as bench:
            bench.go(1 * MS)
            for core in (0, 1):
                bench.feed(core, 1, (2 + core) * MS, MODULE_BYTE_NS, FRAME * 5)
                bench.feed(core, 0, 2 * MS, BYTE_NS, b"meanwhile\0")
            while bench.now_ns < 9 * MS:
                bench.go(9 * MS, lookahead_ns)
            return sorted(bench.told)

    assert frames(30 * US) == frames(0)


# ---- the edges of the API ----


def test_a_closed_emulator_says_so() -> None:
    bench = Bench("echo")
    bench.close()
    bench.close()
    with pytest.raises(ValueError, match="closed"):
        bench.run(1)
    with pytest.raises(ValueError, match="closed"):
        bench.state(0)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda bench: bench.add_core(b""), "flash bytes is 0"),
        (lambda bench: bench.add_core(bytes(128 * 1024 + 1)), "must be from 1 to 131072"),
        (lambda bench: bench.add_core(b"ab", frequency_hz=0), "frequency_hz is 0"),
        (lambda bench: bench.add_core(b"ab", power_on_ns=-1), "power_on_ns is -1"),
        (lambda bench: bench.run(1 * MS - 1), "until_ns is 999999; it must be from 1000000"),
        (lambda bench: bench.feed(0, 2, 0, BYTE_NS, b""), "uart is 2"),
        (lambda bench: bench.feed(0, 0, 0, 0, b""), "byte_ns is 0"),
        (lambda bench: bench.watch(0, "E", 0), "no port 'E'"),
        (lambda bench: bench.watch(0, "A", 8), "bit is 8"),
        (lambda bench: bench.wire(0, "A", 0, 0, "A", 1), "only cores after it"),
        (lambda bench: bench.analog(0, 8, 0), "channel is 8"),
        (lambda bench: bench.analog(0, 0, 5001), "millivolt is 5001"),
    ],
)
def test_a_call_with_nonsense_is_refused(echo: Bench, call: object, words: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=words):
        call(echo)
    assert echo.run(2 * MS) == 2 * MS


@pytest.mark.parametrize("core", [-1, 1])
def test_a_core_that_is_not_there_is_refused(echo: Bench, core: int) -> None:
    with pytest.raises(IndexError, match=f"no core {core}"):
        echo.reset(core)


def test_a_bench_has_room_for_eight_cores_and_sixteen_wires_each() -> None:
    with Bench(*["capture"] * CORES_MAX) as bench:
        with pytest.raises(ValueError, match="cores is 9"):
            bench.add_core(b"ab")
        for _ in range(WIRES_MAX):
            bench.wire(0, "A", 0, 1, "C", 0)
        with pytest.raises(ValueError, match="16 wires"):
            bench.wire(0, "A", 0, 1, "C", 0)
        assert bench.run(1 * MS) == 1 * MS


def resident_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="needs Linux's /proc")
def test_a_closed_bench_leaves_no_memory_behind() -> None:
    image = flash("echo")

    def use(times: int) -> None:
        for _ in range(times):
            with Emulator() as bench:
                for _ in range(2):
                    bench.add_core(image)
                bench.enable_markers(0)
                bench.feed(0, 0, 1 * MS, BYTE_NS, b"hello\0" * 20)
                bench.run(2 * MS)
                bench.events()
                bench.reset(0)
                bench.power(1, False)
                bench.run(20 * MS)

    use(50)
    gc.collect()
    before = resident_bytes()
    use(200)
    gc.collect()
    assert resident_bytes() - before < 200 * 1024  # 1 KB a bench; simavr itself would leave 12 KB

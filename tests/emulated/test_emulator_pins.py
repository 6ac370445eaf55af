"""The emulator carries pins, power and resets from core to core, and outlives any firmware.

What registers do is from the part's data sheet (DS40002070), its sections are named. The
document number is from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import pytest
from cores import BYTE_NS, CYCLE_NS, HZ, Bench, flash, of, text
from hypothesis import given
from hypothesis import strategies as st

from harness.clock import MS, US, S
from mocks.avr.emulator import Emulator, Event, Kind


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


# ---- pins ----


def test_a_wire_carries_pulses_cycle_for_cycle() -> None:
    with Bench("pulse", "capture") as bench:
        bench.wire(0, "D", 5, 1, "C", 0)
        bench.watch(0, "D", 5)
        bench.enable_markers(1)
        edges = of(bench.go(200 * MS), Kind.EDGE)
        markers = bench.markers(1)
    assert markers.pop(0).value == 16
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
        markers = bench.markers(1)[1:]
    widths = [after.cycle - before.cycle for before, after in pairwise(markers) if before.value]
    exact = 24_000 * hz / HZ
    assert {width - int(exact) for width in widths} <= {0, 1}
    assert sum(widths) / len(widths) == pytest.approx(exact, abs=0.1)


def test_a_wire_takes_up_the_level_that_is_there_and_drops_it_with_the_power() -> None:
    with Bench("probe", "capture") as bench:
        bench.go(5 * MS)
        bench.enable_markers(1)
        bench.wire(0, "B", 1, 1, "C", 0)
        bench.reset(1)
        bench.go(6 * MS)
        bench.power(0, False)
        bench.go(7 * MS)
        assert [marker.value for marker in bench.markers(1)] == [16 + 1, 0]


def test_an_input_keeps_its_level_over_a_reset_of_its_core() -> None:
    with Bench("probe", "capture") as bench:
        bench.wire(0, "B", 1, 1, "C", 0)
        bench.go(5 * MS)
        bench.enable_markers(1)
        bench.reset(1)
        bench.go(6 * MS)
        bench.power(0, False)
        bench.go(7 * MS)
        assert [marker.value for marker in bench.markers(1)] == [16 + 1, 0]


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


def test_reset_flags_gather_until_they_are_cleared_or_the_power_goes() -> None:
    # "MCUSR": a flag is reset by a power-on reset, or by writing a logic zero to it.
    with Bench() as bench:
        bench.add_core(flash("probe", {"KEEP_FLAGS": 1}))
        seen = [text(bench.go(1 * MS))[0]]
        bench.reset(0)
        seen.append(text(bench.go(2 * MS))[0])
        bench.power(0, False)
        bench.power(0, True)
        seen.append(text(bench.go(3 * MS))[0])
    assert seen == [1, 1 | 2, 1]


def test_a_reset_in_the_middle_of_a_pulse_ends_it() -> None:
    with Bench("pulse") as bench:
        bench.watch(0, "D", 5)
        bench.go(3 * MS)
        bench.reset(0)
        edges = of(bench.go(12 * MS), Kind.EDGE)
    up, *rest = of(bench.told, Kind.EDGE)
    assert (up.level, [edge.level for edge in rest]) == (1, [0, 1, 0, 1, 0])
    assert edges[0].at_ns == 3 * MS
    assert [edges[i + 1].at_ns - edges[i].at_ns for i in (1, 3)] == [1500 * US] * 2


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
    probe.feed(0, 0, 5 * MS, BYTE_NS, b"hello")  # raises an interrupt, and wakes nobody
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

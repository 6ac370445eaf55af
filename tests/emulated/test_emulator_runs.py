"""The emulator gives the same trace however it is run, stops when asked to, and refuses nonsense."""

from __future__ import annotations

import gc
import threading
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path

import pytest
from cores import BYTE_NS, FRAME, HZ, MODULE_BYTE_NS, Bench, flash, of
from hypothesis import given
from hypothesis import strategies as st

from harness.clock import MS, US
from mocks.avr.emulator import CORES_MAX, WIRES_MAX, Emulator, Event, Kind


@pytest.fixture
def echo() -> Iterator[Bench]:
    with Bench("echo") as bench:
        bench.go(1 * MS)
        yield bench


# ---- repeatable ----


def story(cuts: Sequence[int], *, late: bool = False) -> tuple[object, ...]:
    """Four cores that hear, drive and measure, run to 60 ms in the steps given; everything seen."""
    with Bench("echo") as bench:
        bench.add_core(flash("pulse", {"BUSY": 1}))
        bench.add_core(flash("probe"))
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
            bench.watch(0, "B", 0)
            for core, late_ns in ((0, 40 * US), (1, 0)):
                bench.feed(core, 1, 2 * MS + late_ns, MODULE_BYTE_NS, FRAME * 5)
                bench.feed(core, 0, 2 * MS, BYTE_NS, b"meanwhile\0")
                bench.feed(core, 1, 4 * MS + late_ns, MODULE_BYTE_NS, FRAME)
            while bench.now_ns < 9 * MS:
                for frame in of(bench.go(9 * MS, lookahead_ns), Kind.MODULE):
                    assert not lookahead_ns or bench.now_ns <= frame.at_ns + lookahead_ns
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

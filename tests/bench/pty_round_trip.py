"""How much slower than C does the serial bench see an answer? A benchmark, run by hand on an idle machine.

    python tests/bench/pty_round_trip.py [--trips N] [--rounds N]

32 bytes go over a pseudo-terminal to an echo program in C and back. The time from before the write to after
the last read is taken by a client in C and by `SerialBench`, in turns, in two ways: one trip after the other
("back to back": the bench is asked without waiting), and one every 2 ms ("paced": the bench sleeps until
the answer is there, as in a run). The C client runs twice a round (A and A'): if A'/A is outside 0.85-1.15
the machine was not idle and the run is void. The target is a bench/C ratio of at most 4.
"""

from __future__ import annotations

import argparse
import os
import pty
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from harness.bench.protocol import Role
from harness.bench.serial import PortSpec, SerialBench
from harness.clock import US

SIZE = 32
PACE_NS = 2000 * US
TARGET = 4.0
CONTROL = (0.85, 1.15)
GIVE_UP_NS = 1_000_000 * US


def compile_echo(folder: Path) -> str:
    """Compile `echo.c` into `folder` and return the program's path."""
    program = folder / "echo"
    source = Path(__file__).with_name("echo.c")
    subprocess.run([shutil.which("gcc") or "cc", "-O2", "-Wall", "-o", program, source], check=True)
    return str(program)


@contextmanager
def echoing(program: str) -> Iterator[str]:
    """Run the echo on the far side of a pseudo-terminal; gives the near side's name."""
    far, near = pty.openpty()
    echo = subprocess.Popen([program, str(far)], pass_fds=[far])
    os.close(far)
    try:
        yield os.ttyname(near)
    finally:
        echo.terminate()
        echo.wait()
        os.close(near)


def c_trips(program: str, path: str, trips: int, *, paced: bool) -> list[int]:
    """Return the round-trip times in ns that the C client took."""
    pause_us = PACE_NS // US if paced else 0
    command = [program, path, str(trips), str(SIZE), str(pause_us)]
    return [int(line) for line in subprocess.run(command, check=True, capture_output=True).stdout.split()]


def bench_trips(path: str, trips: int, *, paced: bool) -> list[int]:
    """Return the round-trip times in ns that the serial bench stamped."""
    bench = SerialBench({Role.TRANSMITTER: PortSpec(path)})
    try:
        return [one_trip(bench, paced=paced) for _ in range(trips)]
    finally:
        bench.close()


def one_trip(bench: SerialBench, *, paced: bool) -> int:
    """Send once, and return the time to the last byte's arrival by the bench's own stamps."""
    sent_ns = bench.send(Role.TRANSMITTER, b"U" * SIZE)
    until_ns = sent_ns + PACE_NS if paced else sent_ns
    got = 0
    while got < SIZE:
        for chunk in bench.advance(until_ns):
            got += len(chunk.data)
            at_ns = chunk.at_ns
        if bench.now_ns() > sent_ns + GIVE_UP_NS:
            raise SystemExit("the echo did not answer within a second")
    return at_ns - sent_ns


def measure(program: str, trips: int, rounds: int, *, paced: bool) -> tuple[float, float, float]:
    """Return the medians in us of C, of C again and of the bench, over all rounds, taken in turns."""
    first: list[int] = []
    again: list[int] = []
    bench: list[int] = []
    with echoing(program) as path:
        for _ in range(rounds):
            first += c_trips(program, path, trips, paced=paced)
            bench += bench_trips(path, trips, paced=paced)
            again += c_trips(program, path, trips, paced=paced)
    one, two, three = (statistics.median(times) / US for times in (first, again, bench))
    return one, two, three


def report(name: str, medians: tuple[float, float, float]) -> bool:
    """Print one row; return whether the control held and the target was met."""
    first, again, bench = medians
    control, ratio = again / first, bench / min(first, again)
    void = not CONTROL[0] <= control <= CONTROL[1]
    word = "void: machine not idle" if void else "met" if ratio <= TARGET else "MISSED"
    print(f"{name:14} {first:8.1f} {again:8.1f} {bench:8.1f} {control:8.2f} {ratio:8.2f}   {word}")
    return not void and ratio <= TARGET


def main() -> int:
    """Run both ways and print the table; 0 if both met the target."""
    parser = argparse.ArgumentParser(description="Round trip over a pseudo-terminal, bench and C.")
    parser.add_argument("--trips", type=int, default=400, help="round trips a round (400)")
    parser.add_argument("--rounds", type=int, default=5, help="rounds (5)")
    asked = parser.parse_args()
    print(f"median of {asked.trips * asked.rounds} round trips in us; target {TARGET:g} x C")
    print(f"{'':14} {'C':>8} {'C again':>8} {'bench':>8} {'A-A':>8} {'bench/C':>8}")
    with tempfile.TemporaryDirectory() as folder:
        program = compile_echo(Path(folder))
        met = [
            report(name, measure(program, asked.trips, asked.rounds, paced=paced))
            for name, paced in (("back to back", False), ("paced 2 ms", True))
        ]
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())

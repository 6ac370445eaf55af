"""What does it cost to show a run? Run by hand: `python tests/bench/live_view.py [--rounds N]`.

Two things. First the same plan in virtual time (ten minutes at 50 packets a second, played and judged) with
nobody looking (A and A'), with plain lines, and with the view drawn inline: processor time as a ratio to A.
If A' differs from A by more than a tenth the ratios are void. Second what one drawing takes, without the
terminal, and what the serving thread spends on a message, a look and a snapshot: processor time of the
thread, so that others at work on the machine do not count. Targets: a run that is watched costs at most 1.25
of A; a usual drawing takes less than 1 ms.
"""

from __future__ import annotations

import argparse
import io
import os
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

from harness.bench.rig import find_rig
from harness.clock import S, SystemClock, VirtualClock
from harness.codec import encode
from harness.codec import messages as m
from harness.plan.reader import parse_plan
from harness.recording import RecordingWriter, parse_recording
from harness.report.live import LiveView, PlainLines, Quiet
from harness.report.snapshot import Snapshot
from harness.runner import Runner
from harness.running import Request, header_for, judge_recording, open_for, timeline_for
from harness.showing import Observer

CONTROL = 1.1
TARGET = 1.25
DRAWING_US = 1_000
sys.path.insert(0, str(Path(__file__).parent))
from virtual_speed import PLAN  # noqa: E402


class Screen(io.StringIO):
    """A terminal that takes everything at once."""

    def isatty(self) -> bool:
        """Say that it is one."""
        return True


class Keeper:
    """Keeps every state that is shown."""

    def __init__(self) -> None:
        self.shots: list[Snapshot] = []

    def update(self, snapshot: Snapshot) -> None:
        """Keep it."""
        self.shots.append(snapshot)

    def say(self, line: str) -> None:
        """Do nothing."""


def one_run(observer: Observer, rig: str = "mock") -> tuple[float, Runner]:
    """Carry out the plan; returns the processor seconds it took, and the runner."""
    request = Request(plan=parse_plan(PLAN, "bench"), file="bench", rig=find_rig(rig), seed=7)
    bench, file = open_for(request), io.BytesIO()
    writer = RecordingWriter(file, header_for(request, bench), bench.now_ns())
    runner = Runner(bench, writer, request.plan, observer)
    timeline = timeline_for(request)
    begun = time.process_time()
    runner.run(timeline)
    writer.close()
    judge_recording(parse_recording(file.getvalue(), "bench"))
    return time.process_time() - begun, runner


def runs(rounds: int) -> bool:
    """Print the ratios of whole runs; returns whether the target was met."""
    ways: dict[str, Callable[[], Observer]] = {
        "A: nobody looks": Quiet,
        "plain lines": lambda: PlainLines(SystemClock(), io.StringIO()),
        "view, drawn inline": lambda: LiveView(SystemClock(), Screen()),
        "A': nobody looks": Quiet,
    }
    found: dict[str, list[float]] = {way: [] for way in ways}
    for _ in range(rounds):
        for way, observer in ways.items():
            found[way].append(one_run(observer())[0])
    took = {way: statistics.median(times) for way, times in found.items()}
    least = took["A: nobody looks"]
    for way, seconds in took.items():
        print(f"{way:22}{seconds:8.3f} s of processor{seconds / least:8.3f} of A")
    control = took["A': nobody looks"] / least
    void = not 1 / CONTROL < control < CONTROL
    worst = max(took["plain lines"], took["view, drawn inline"]) / least
    print(
        f"A'/A {control:.3f}; target {TARGET}: {'void' if void else 'met' if worst <= TARGET else 'MISSED'}"
    )
    return not void and worst <= TARGET


def thread_us(work: Callable[[], object], times: int) -> list[float]:
    """Return the processor time of this thread that each of many calls took, in us, sorted."""
    took = []
    for _ in range(times):
        begun = time.thread_time_ns()
        work()
        took.append((time.thread_time_ns() - begun) / 1e3)
    return sorted(took)


def row(name: str, took: list[float]) -> None:
    """Print one line of the table."""
    middle, late = took[len(took) // 2], took[len(took) * 99 // 100]
    print(f"{name:32}{middle:9.1f}{late:9.1f}{took[-1]:9.1f}")


def parts() -> bool:
    """Print what single pieces cost; returns whether drawing met its target."""
    keeper = Keeper()
    _, runner = one_run(keeper)
    showing = runner.showing
    gauges = showing._gauges
    assert gauges is not None
    from harness.codec.frames import find_body

    found = find_body(encode(m.Applied(7, 1_000_000, -128, (1500,) * 6), 9))
    assert found is not None
    body, role = found[0], runner.talk.bench.baud
    receiver = list(role)[1]
    print(f"{'processor time of the thread, us':32}{'p50':>9}{'p99':>9}{'most':>9}")
    row("a message heard", thread_us(lambda: gauges.hear(receiver, body, 600 * S), 5_000))
    row("a look, 7 a second", thread_us(showing._look, 2_000))
    row("a snapshot", thread_us(showing._snapshot, 2_000))
    met = True
    for columns, lines in ((80, 24), (120, 40)):
        os.environ.update(COLUMNS=str(columns), LINES=str(lines), TERM="xterm-256color")
        clock = VirtualClock(10**15)
        view = LiveView(clock, Screen())
        shots = iter(keeper.shots[:2_000])

        def draw() -> None:
            clock.sleep_until_ns(clock.now_ns() + S)  # noqa: B023
            view.update(next(shots))  # noqa: B023

        took = thread_us(draw, 1_500)
        view.close()
        row(f"a drawing, {columns} x {lines}", took)
        met = met and took[len(took) // 2] < DRAWING_US
    return met


def main() -> int:
    """Print both tables; 0 if the targets were met."""
    parser = argparse.ArgumentParser(description="What it costs to show a run.")
    parser.add_argument("--rounds", type=int, default=3, help="runs of each way (3)")
    asked = parser.parse_args()
    one_run(LiveView(SystemClock(), Screen()))  # imports and caches
    met = runs(asked.rounds)
    return 0 if parts() and met else 1


if __name__ == "__main__":
    sys.exit(main())

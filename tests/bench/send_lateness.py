"""How late do stick positions leave, 250 a second, with and without what stands in the way? Run by hand.

    python tests/bench/send_lateness.py [--seconds N] [--rounds N] [--real-time]

The mock devices are served on pseudo-terminals by a process of their own. A run sends stick positions every
4 ms; the time from when one was due to the `send` stamp is taken from the recording, as in the report. In
turns: without a display, with one drawn by the thread that serves the ports, with one drawn by a thread of
its own, the same with `--real-time`, and with a second thread that judges without pause. The first way runs
twice a round (A and A'): if its 99th percentile differs by a factor of more than 1.5, or misses the target
by itself, the machine was not idle, and the figures are void. The display is a real terminal whose output
somebody reads. With `--real-time` every way asks for it, and the ways with and without a display can be told
apart on a busy machine too; judging beside is then left out. Target: p99 under 0.5 ms with the display on.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import pty
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event, Thread

from harness.bench.rig import find_rig
from harness.clock import US, SystemClock
from harness.lateness import MARK, Lateness, all_together, read_lateness
from harness.plan.reader import parse_plan
from harness.recording import parse_recording
from harness.report.apart import Apart
from harness.report.live import LiveView, Quiet
from harness.runner import Runner
from harness.running import Request, judge_recording, open_for, timeline_for, writer_for
from harness.showing import Observer

TARGET_US = 500
CONTROL = 1.5
RIG = "propsoff_rig: 1\nbench: mock\nmock: {baud: 460800}\n"
PLAN = """\
propsoff: 1
title: Sticks 250 times a second
link:
  packet_rate: 250 Hz
  channels:
    throttle: {role: throttle, failsafe: low}
    rudder: {failsafe: centre}
  failsafe: {within: 500 ms}
steps:
  - wait: {until: linked, deadline: 3 s}
  - wander: {for: SECONDS s}
checks:
  - delivery: {at_least: 60 %}
"""


@contextlib.contextmanager
def devices(folder: Path) -> Iterator[str]:
    """Serve the mock devices from another process; gives the rig file."""
    rig = folder / "mock.yaml"
    rig.write_text(RIG)
    command = [sys.executable, "-m", "harness", "mock", "--rig", str(rig), "--link", str(folder / "ports")]
    mock = subprocess.Popen([*command, "--plan", str(folder / "plan.yaml")], stdout=subprocess.PIPE)
    assert mock.stdout is not None
    try:
        for _ in range(2):
            mock.stdout.readline()
        yield str(folder / "ports" / "rig.yaml")
    finally:
        mock.terminate()
        mock.wait()


@contextlib.contextmanager
def terminal() -> Iterator[io.TextIOWrapper]:
    """A terminal of 80 columns whose output another process reads."""
    far, near = pty.openpty()
    reader = subprocess.Popen(["cat"], stdin=far, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    os.close(far)
    os.environ.update(TERM="xterm-256color", COLUMNS="80")
    stream = io.TextIOWrapper(io.FileIO(near, "w"), write_through=True)
    try:
        yield stream
    finally:
        with contextlib.suppress(OSError):
            stream.close()
        reader.wait()


@contextlib.contextmanager
def shown(*, apart: bool) -> Iterator[Observer]:
    """A live display, drawn by the thread that serves the ports or by one of its own."""
    with terminal() as stream:
        view = LiveView(SystemClock(), stream)
        display = Apart(view) if apart else view
        yield display
        display.close()


@contextlib.contextmanager
def judging(data: bytes) -> Iterator[None]:
    """Judge a recording over and over in another thread."""
    stop = Event()

    def run() -> None:
        while not stop.is_set():
            judge_recording(parse_recording(data, "bench"))

    thread = Thread(target=run)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def one_run(request: Request, observer: Observer) -> tuple[Lateness, bytes]:
    """Carry out the plan once; returns how late its messages were, and the recording."""
    bench, file = open_for(request), io.BytesIO()
    with contextlib.closing(bench):
        print("   ", *(f"{bench.facts[k]};" for k in ("scheduling", "memory") if k in bench.facts), end="\r")
        writer = writer_for(request, bench, file)
        end = Runner(bench, writer, request.plan, observer).run(timeline_for(request))
        writer.close()
    assert end.why == "complete", end
    recording = parse_recording(file.getvalue(), "bench")
    parts = [read_lateness(mark.fields) for mark in recording.marks if mark.kind == MARK]
    return all_together(part for part in parts if part is not None), file.getvalue()


def ways(plain: Request, urgent: Request) -> dict[str, Callable[[], Lateness]]:
    """Every way to run, by name."""

    def quiet() -> Lateness:
        return one_run(plain, Quiet())[0]

    def display(request: Request, *, apart: bool) -> Lateness:
        with shown(apart=apart) as observer:
            return one_run(request, observer)[0]

    def beside_judging() -> Lateness:
        _, data = one_run(plain, Quiet())
        with judging(data):
            return one_run(plain, Quiet())[0]

    return {
        "A: no display": quiet,
        "display, same thread": lambda: display(plain, apart=False),
        "display, own thread": lambda: display(plain, apart=True),
        "own thread, real time": lambda: display(urgent, apart=True),
        "judging beside": beside_judging,
        "A': no display": quiet,
    }


def row(name: str, late: Lateness) -> str:
    """One line of the table, in us."""
    figures = (late.quantile_ns(0.5), late.quantile_ns(0.99), late.quantile_ns(0.999), late.most_ns)
    return f"{name:24}{late.count:7}{late.left_out:5}" + "".join(f"{ns / US:9.0f}" for ns in figures)


def main() -> int:
    """Run every way in turns and print the table; 0 if the target was met and the control held."""
    parser = argparse.ArgumentParser(description="Lateness of stick positions, 250 a second.")
    parser.add_argument("--seconds", type=int, default=10, help="seconds a run (10)")
    parser.add_argument("--rounds", type=int, default=2, help="runs of each way (2)")
    parser.add_argument("--real-time", action="store_true", help="for a machine that is not idle")
    asked = parser.parse_args()
    text = PLAN.replace("SECONDS", str(asked.seconds))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "plan.yaml").write_text(text)
        with devices(folder) as rig:
            plan = parse_plan(text, "plan.yaml")
            plain = Request(plan=plan, file="plan.yaml", rig=find_rig(rig), seed=7, props_off=True)
            urgent = Request(
                plan=plan, file="plan.yaml", rig=find_rig(rig), seed=7, props_off=True, real_time=True
            )
            every = ways(urgent if asked.real_time else plain, urgent)
            if asked.real_time:
                del every["judging beside"], every["own thread, real time"]
            found: dict[str, list[Lateness]] = {way: [] for way in every}
            for _ in range(asked.rounds):
                for way, run in every.items():
                    found[way].append(run())
    print(f"{'lateness in us':24}{'sent':>7}{'out':>5}{'p50':>9}{'p99':>9}{'p99.9':>9}{'most':>9}")
    whole = {name: all_together(parts) for name, parts in found.items()}
    for name, late in whole.items():
        print(row(name, late))
    first, again = (whole[name].quantile_ns(0.99) for name in ("A: no display", "A': no display"))
    control = max(first, again) / max(1, min(first, again))
    p99_us = whole["display, own thread"].quantile_ns(0.99) / US
    void = control > CONTROL or first / US >= TARGET_US  # late without any display: others are at work
    word = "void: machine not idle" if void else "met" if p99_us < TARGET_US else "MISSED"
    print(f"A-A {control:.2f}; p99 with the display on {p99_us:.0f} us, target {TARGET_US} us: {word}")
    return 0 if word == "met" else 1


if __name__ == "__main__":
    sys.exit(main())

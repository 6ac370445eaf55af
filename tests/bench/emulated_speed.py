"""How many seconds of real firmware does one wall second buy, and how long does a fresh bench take?

Run by hand: `python tests/bench/emulated_speed.py`; needs the emulator's tools (shared/firmware/README.md).
Ten minutes of wandering at 50 packets a second, recorded and judged, with the pins captured and without,
beside the same plan on the Python mock and beside the bare emulator, in turns in one process. Targets: at
least 80 emulated s per wall s, a fresh bench in under 5 ms once the firmware is built, the plan `failsafe`
in under 10 s. An A/A control (the same run twice) voids the figures outside 0.85 to 1.15.
"""

from __future__ import annotations

import io
import statistics
import time
from dataclasses import replace

from virtual_speed import PLAN

from harness.bench.rig import Rig, find_rig
from harness.plan.find import shipped_plans
from harness.plan.model import Plan
from harness.plan.reader import load_plan, parse_plan
from harness.recording import RecordingWriter, parse_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, header_for, judge_recording, open_for, timeline_for
from mocks.avr.boards import open_boards

TURNS = 5
BARE_NS = 60 * 10**9
SLICE_NS = 20 * 10**6


def timed(work, *words):
    begun = time.perf_counter()
    result = work(*words)
    return time.perf_counter() - begun, result


def plan_to_verdict(plan: Plan, rig: Rig) -> float:
    """Return the emulated seconds of a run that passed."""
    request = Request(plan=plan, file="bench", rig=rig, seed=7)
    bench, file = open_for(request), io.BytesIO()
    writer = RecordingWriter(file, header_for(request, bench), bench.now_ns())
    Runner(bench, writer, plan, Quiet()).run(timeline_for(request))
    writer.close()
    outcome = judge_recording(parse_recording(file.getvalue(), "bench"))
    assert outcome.judgement.verdict.value == "pass", outcome.judgement
    simulated = bench.now_ns() / 1e9
    bench.close()
    return simulated


def bare_boards(rig: Rig) -> float:
    """Run the boards alone: nobody records what they say."""
    boards = open_boards(rig.simulated, 7)
    while boards.now_ns() < BARE_NS:
        boards.advance(boards.now_ns() + SLICE_NS)
    boards.close()
    return BARE_NS / 1e9


def open_and_close(rig: Rig) -> None:
    open_boards(rig.simulated, 7).close()


def main() -> None:
    rig = find_rig("avr")
    blind = replace(rig, simulated=replace(rig.simulated, witness="none"))
    failsafe = load_plan(shipped_plans()["failsafe"])
    wander = parse_plan(PLAN.replace("yaw: {", "yaw: {direction: reversed, "), "bench")  # as Dunlin has it
    open_and_close(rig)  # builds what is not built
    fresh = statistics.median(timed(open_and_close, rig)[0] for _ in range(101))
    print(f"a fresh bench: {1e3 * fresh:.2f} ms (target: under 5)")
    ways = {
        "boards alone, own sticks": lambda: bare_boards(rig),
        "plan to verdict, no witness": lambda: plan_to_verdict(wander, blind),
        "plan to verdict, pins captured": lambda: plan_to_verdict(wander, rig),
        "the same again (A/A)": lambda: plan_to_verdict(wander, rig),
        "plan to verdict, Python mock": lambda: plan_to_verdict(wander, find_rig("mock")),
    }
    speeds: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(TURNS):
        for name, way in ways.items():
            took, simulated = timed(way)
            speeds[name].append(simulated / took)
    for name, row in speeds.items():
        print(f"{name:<32}{statistics.median(row):8.0f} emulated s per wall s (target 80)")
    control = statistics.median(
        a / b for a, b in zip(*(speeds[name] for name in list(ways)[2:4]), strict=True)
    )
    print(f"A/A control {control:.2f}" + ("" if 0.85 <= control <= 1.15 else ": VOID, the machine is busy"))
    took, simulated = timed(plan_to_verdict, failsafe, rig)
    print(f"plan failsafe: {simulated:.0f} s of link time in {took:.2f} s (target: under 10)")


if __name__ == "__main__":
    main()

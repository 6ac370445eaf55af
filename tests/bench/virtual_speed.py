"""How many simulated seconds does one wall second buy, from plan to verdict?

Run by hand: `python tests/bench/virtual_speed.py`. The whole pipeline (virtual bench at 50 packets a second
with six channels and byte-timed lines, recording on, judged at the end) stands beside a bare `heapq` loop
with one event for each recorded frame, timed in turns in the same process. Target: at least 300 simulated s
per wall s.
"""

from __future__ import annotations

import heapq
import io
import statistics
import time

from harness.bench.rig import find_rig
from harness.plan.reader import parse_plan
from harness.recording import RecordingWriter, parse_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, header_for, judge_recording, open_for, timeline_for

TURNS = 5
PLAN = """\
propsoff: 1
title: Ten minutes of wandering
link:
  packet_rate: 50 Hz
  channels:
    throttle: {role: throttle, failsafe: low}
    roll: {failsafe: centre}
    pitch: {failsafe: centre}
    yaw: {failsafe: centre}
    tilt: {failsafe: hold}
    shutter: {failsafe: low}
  failsafe: {within: 500 ms}
  telemetry:
    packets: {type: u16, source: device}
    supply: {type: u16, scale: 0.001, unit: V}
    temperature: {type: i16, scale: 0.1, unit: degC}
    current: {type: f32, unit: A}
steps:
  - wander: {for: 10 min}
checks:
  - delivery: {at_least: 99 %}
  - latency: {percentile: 95 %, at_most: 15 ms}
  - control_gap: {at_most: 100 ms}
  - fidelity
  - no_glitch
  - no_false_failsafe
"""


def whole_pipeline(rig: str) -> tuple[float, int, int]:
    """Return simulated seconds, recorded frames, and the recording's bytes."""
    request = Request(plan=parse_plan(PLAN, "bench"), file="bench", rig=find_rig(rig), seed=7)
    bench, file = open_for(request), io.BytesIO()
    writer = RecordingWriter(file, header_for(request, bench), bench.now_ns())
    Runner(bench, writer, request.plan, Quiet()).run(timeline_for(request))
    writer.close()
    recording = parse_recording(file.getvalue(), "bench")
    outcome = judge_recording(recording)
    assert outcome.judgement.verdict.value == "pass", outcome.judgement
    packets = sum(len(port.data) for port in recording.ports.values())
    return bench.now_ns() / 1e9, packets, len(file.getvalue())


def bare_loop(events: int) -> None:
    """Push and pop as many events as there were recorded packets, and do nothing else."""
    heap = [(0, 0)]
    for number in range(events):
        at, _ = heapq.heappop(heap)
        heapq.heappush(heap, (at + 20_000_000, number))


def timed(work, *words):
    begun = time.perf_counter()
    result = work(*words)
    return time.perf_counter() - begun, result


def main() -> None:
    for rig in ("ideal-mock", "mock"):
        whole_pipeline(rig)  # imports and caches
        rows = []
        for _ in range(TURNS):
            took, (simulated, packets, size) = timed(whole_pipeline, rig)
            bare, _ = timed(bare_loop, packets)
            rows.append((simulated / took, simulated / bare))
        speed, floor = (statistics.median(column) for column in zip(*rows, strict=True))
        print(f"{rig}: {simulated:.0f} simulated s, {packets} frames, {size} bytes recorded, {TURNS} turns")
        print(f"  plan to verdict {speed:8.0f} simulated s per wall s (target 300)")
        print(f"  bare heapq loop {floor:8.0f} simulated s per wall s, {floor / speed:.0f} x the pipeline")


if __name__ == "__main__":
    main()

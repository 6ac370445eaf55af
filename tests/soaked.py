"""What tests of soaks share: a plan with short rounds, played in virtual time, whole and by its rounds."""

import io
from functools import cache

from harness.bench.rig import find_rig
from harness.plan.reader import parse_plan
from harness.recording import RecordingWriter, parse_recording, parse_windows
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, header_for, open_for, rounds_for, timeline_for
from harness.soak import judge_windows

LINK = """\
propsoff: 1
title: A short soak
link:
  packet_rate: 50 Hz
  channels:
    throttle: {role: throttle, failsafe: 950 us}
    roll: {failsafe: centre}
    pitch: {failsafe: centre}
    tilt: {failsafe: hold}
  failsafe: {within: 500 ms, not_before: 200 ms}
  telemetry:
    packets: {type: u16, source: device}
    supply: {type: u16, scale: 0.001, unit: V}
"""
STEPS = """\
steps:
  - wait: {until: linked}
  - wander: {for: 12 s}
    name: flight
  - inject: {times: 6, every: 257 ms}
  - cut: {duration: 700 ms, times: 2}
"""
CHECKS = """\
checks:
  - delivery: {at_least: 98 %}
  - packet_rate: {at_least: 49 Hz}
  - latency: {percentile: 95 %, at_most: 15 ms}
  - control_age: {percentile: 95 %, at_most: 60 ms}
  - control_gap: {at_most: 140 ms}
  - loss_pattern: {longest_run: 5, periodic: allowed}
  - duplicates
  - order
  - fidelity
  - output_range
  - no_glitch
  - failsafe_entry: {share: 60 %}
  - failsafe_outputs
  - failsafe_exit
  - no_false_failsafe
  - telemetry_value
  - telemetry_age: {at_most: 150 ms}
  - bench
"""


def plan_text(soak: str = "50 s", steps: str = STEPS, checks: str = CHECKS) -> str:
    """Return a plan's text with this soak."""
    return f"{LINK}soak: {{for: {soak}}}\n{steps}{checks}"


def request_for(text: str, seed: int = 1, rig: str = "mock", defect: str | None = None, *, near_miss=False):
    """Return a request to play this plan."""
    plan = parse_plan(text, "soaked")
    return Request(plan=plan, file="soaked", rig=find_rig(rig), seed=seed, defect=defect, near_miss=near_miss)


@cache
def played(
    text: str, seed: int = 1, rig: str = "mock", defect: str | None = None, *, near_miss=False
) -> bytes:
    """Play a soak in virtual time; return its recording's bytes."""
    request = request_for(text, seed, rig, defect, near_miss=near_miss)
    bench, file = open_for(request), io.BytesIO()
    writer = RecordingWriter(file, header_for(request, bench), bench.now_ns())
    timeline = timeline_for(request)
    rounds = rounds_for(request.plan, timeline, lambda: parse_recording(file.getvalue(), "soaked"))
    Runner(bench, writer, request.plan, Quiet()).run(timeline, rounds)
    writer.close()
    return file.getvalue()


def by_rounds(data: bytes, text: str):
    """Return the judgement of a recording by its rounds."""
    return judge_windows(parse_plan(text, "soaked"), parse_windows(data, "soaked"))


def kinds(judgement):
    """Return each check's result by its kind."""
    return {result.kind: result for result in judgement.results}

"""Short runs on the mock to hold against each other, each played once for all tests."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from harness.bench.rig import parse_rig
from harness.compare.sides import RunSeen, Side, run_seen
from harness.plan.reader import parse_plan
from harness.recording import read_recording
from harness.report.folder import RECORDING, RunFolder
from harness.report.live import Quiet
from harness.running import Request, judge_seen, run

SHORT = """\
propsoff: 1
title: Short
link:
  packet_rate: 50 Hz
  channels:
    left motor: {role: throttle, failsafe: low}
    rudder: {failsafe: centre}
  failsafe: {within: 500 ms}
steps:
  - wait: {until: linked, deadline: 3 s}
  - wander: {for: 20 s, every: 17 ms}
  - cut: {duration: 700 ms, times: 8, before: 100 ms, after: 100 ms}
checks:
  - latency: {percentile: 90 %, at_most: 20 ms}
  - control_gap: {at_most: 200 ms}
  - failsafe_entry: {share: 50 %}
  - fidelity
  - bench
"""


def rig(settings: str = "") -> str:
    """A mock rig file with these settings."""
    return f"propsoff_rig: 1\nbench: mock\nmock: {{{settings}}}\n"


def play_into(
    folder: Path, seed: int, settings: str = "", defect: str | None = None, plan: str = SHORT
) -> None:
    """Play a plan into a run folder."""
    request = Request(
        plan=parse_plan(plan, "short.yaml", "short"), file="short.yaml", rig=parse_rig(rig(settings), "rig"),
        seed=seed, defect=defect,
    )  # fmt: skip
    with RunFolder.create(folder) as made:
        run(request, made, Quiet())


@cache
def played(seed: int, settings: str = "", defect: str | None = None, plan: str = SHORT) -> RunSeen:
    """What one run shows."""
    with TemporaryDirectory() as made:
        folder = Path(made) / "run"
        play_into(folder, seed, settings, defect, plan)
        outcome, evidence = judge_seen(read_recording(folder / RECORDING))
    return run_seen(Path(f"run-{seed}"), f"{seed} {settings} {defect} {plan}", outcome, evidence)


def side(*runs: RunSeen, words: str = "side") -> Side:
    """These runs as one side."""
    return Side(words, runs)

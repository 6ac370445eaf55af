"""Complete runs on the mock, read as `propsoff compare` reads them."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

from harness.bench.rig import parse_rig
from harness.compare.sides import RunSeen, Side, run_seen
from harness.plan.find import find_plan
from harness.plan.reader import load_plan
from harness.recording import read_recording
from harness.report.folder import RECORDING, RunFolder
from harness.report.live import Quiet
from harness.running import Request, judge_seen, run

MOCK = "propsoff_rig: 1\nbench: mock\nmock: {}\n"


def rig_text(**settings: str) -> str:
    """A mock rig file with these settings."""
    inside = ", ".join(f"{name}: {value}" for name, value in settings.items())
    return f"propsoff_rig: 1\nbench: mock\nmock: {{{inside}}}\n"


def play(
    plan: str, seed: int, text: str = MOCK, defect: str | None = None, *, near_miss: bool = False
) -> RunSeen:
    """Play a shipped plan once, without playing it again for want of samples."""
    path = find_plan(plan)
    request = Request(
        plan=replace(load_plan(path), extend=None), file=str(path), rig=parse_rig(text, "mock rig"),
        seed=seed, defect=defect, near_miss=near_miss,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as made:
        folder = RunFolder.create(Path(made) / "run")
        with folder:
            run(request, folder, Quiet())
        outcome, evidence = judge_seen(read_recording(folder.final / RECORDING))
        return run_seen(Path(f"{plan}-{seed}"), str(seed), outcome, evidence)


def side(words: str, *runs: RunSeen) -> Side:
    """These runs as one side."""
    return Side(words, runs)

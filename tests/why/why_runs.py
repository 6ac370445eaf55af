"""Runs of the mock for the tests of causes: recorded, lined up, and every check said to have failed.

That every check failed is made up: what a suspect says must come from the recording, whatever a verdict says.
"""

from __future__ import annotations

import io
from contextlib import closing
from functools import lru_cache

from harness.bench.mocked import list_defects
from harness.bench.rig import Rig, find_rig
from harness.board.playing import plan_of, shortened
from harness.likely import Likely
from harness.measure.evidence import Evidence, gather
from harness.plan.model import Plan
from harness.recording import Follower, Recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, open_for, rounds_for, timeline_for, writer_for
from harness.verdict import CheckResult, Verdict
from harness.why import likely_causes

MANY_CUTS = "steps[24]"
"""Sixty plain cuts of the failsafe plan: the other seventy say as much of causes."""
PLAN_OF = {one.name: one.plan for one in list_defects("mock")}


def plan_for(word: str) -> Plan:
    """Return a shipped plan, the longest one shortened."""
    return shortened(word, MANY_CUTS) if word == "failsafe" else plan_of(word)


def record(plan: str, defect: str | None = None, *, near: bool = False, seed: int = 1) -> Recording:
    """Carry out a plan on the mock from first step to last."""
    return _carried_out(Request(plan_for(plan), plan, find_rig("mock"), seed, defect, near))


def record_on(plan: str, rig: Rig, seed: int) -> Recording:
    """Carry out a plan on a rig."""
    return _carried_out(Request(plan_for(plan), plan, rig, seed, None, near_miss=False))


def _carried_out(request: Request) -> Recording:
    file = io.BytesIO()
    with closing(open_for(request)) as bench:
        writer = writer_for(request, bench, file)
        timeline = timeline_for(request)
        rounds = rounds_for(request.plan, timeline, lambda: Follower("the run").read(file.getvalue()))
        Runner(bench, writer, request.plan, Quiet()).run(timeline, rounds)
        writer.close()
    return Follower("the run").read(file.getvalue())


@lru_cache(maxsize=2)
def evidence_of(defect: str | None = None, *, near: bool = False, plan: str = "first-look") -> Evidence:
    """Line up a run of a defect's own plan, of its near-miss, or of a healthy mock."""
    name = PLAN_OF[defect] if defect else plan
    return gather(plan_for(name), record(name, defect, near=near))


def all_failed(plan: Plan) -> tuple[CheckResult, ...]:
    """Every check of a plan, said to have failed."""
    return tuple(CheckResult(check.name, check.rule.WORD, Verdict.FAIL, "") for check in plan.checks)


def causes_of(evidence: Evidence) -> tuple[Likely, ...]:
    """Return what is said of a run, less what is so by design."""
    found = likely_causes(evidence, all_failed(evidence.plan))
    return tuple(one for one in found if not one.by_design)

"""The harness claims nothing of links without a fault, even where every check is said to have failed."""

from __future__ import annotations

import pytest
from why_runs import PLAN_OF, causes_of, evidence_of, plan_for, record_on

from harness.bench.rig import parse_rig
from harness.board import Job
from harness.board.healthy import healthy_jobs
from harness.measure.evidence import gather

HEALTHY = [
    job
    for plan, count in (("first-look", 8), ("acceptance", 6), ("limits", 5), ("margin", 5), ("failsafe", 1))
    for job in healthy_jobs(plan, count, 3001)
]
NEAR = (
    "slow-loop", "receiver-deaf", "telemetry-stale", "stale-throttle-on-reconnect", "duplicates-applied",
    "flag-byte-lost", "end-stop-refused", "brown-out-at-throttle", "clock-fast", "version-untrue",
    "display-draws-telemetry", "restart-slow", "loss-in-step", "repetition-late", "stranger-upsets-radio",
)  # fmt: skip
TRUE = {"repetitions"}
"""A healthy rig may lose one attempt in ten and repeat once: more repetitions would help it indeed."""


@pytest.mark.parametrize("job", HEALTHY, ids=[f"{job.plan}-{job.seed}" for job in HEALTHY])
def test_nothing_false_is_claimed_of_a_healthy_rig(job: Job) -> None:
    plan = plan_for(job.plan)
    evidence = gather(plan, record_on(job.plan, parse_rig(job.rig_text, job.rig), job.seed))
    few = "retransmit_limit: 0\n" in job.rig_text or "retransmit_limit: 1\n" in job.rig_text
    assert {one.key for one in causes_of(evidence)} <= (TRUE if few else set())


@pytest.mark.parametrize("defect", NEAR)
def test_nothing_is_claimed_of_a_near_miss_of_the_link(defect: str) -> None:
    assert PLAN_OF[defect]
    assert [one.key for one in causes_of(evidence_of(defect, near=True))] == []

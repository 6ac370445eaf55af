"""The harness's shipped plans pass a healthy link, catch every defect and spare its near miss."""

import io

import pytest

from harness.bench.rig import find_rig
from harness.clock import S
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan
from harness.recording import RecordingWriter, parse_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, header_for, judge_recording, open_for, timeline_for
from harness.verdict import Verdict
from mocks.defects import CATALOGUE

PLANS = {name: load_plan(path) for name, path in shipped_plans().items()}
SEED = 7


def judged(plan, seed=SEED, defect=None, *, near_miss=False, rig="mock"):
    """Run a shipped plan in memory and return its judgement."""
    request = Request(
        plan=PLANS[plan], file=plan, rig=find_rig(rig), seed=seed, defect=defect, near_miss=near_miss
    )
    bench, file = open_for(request), io.BytesIO()
    writer = RecordingWriter(file, header_for(request, bench), bench.now_ns())
    Runner(bench, writer, request.plan, Quiet()).run(timeline_for(request))
    writer.close()
    return judge_recording(parse_recording(file.getvalue(), plan)).judgement


def unhappy(judgement):
    return {result.kind: result.reason for result in judgement.results if result.verdict is not Verdict.PASS}


@pytest.mark.parametrize("rig", ["mock", "ideal-mock"])
@pytest.mark.parametrize("plan", PLANS)
def test_a_healthy_link_passes(plan, rig):
    assert unhappy(judged(plan, rig=rig)) == {}


@pytest.mark.parametrize("defect", CATALOGUE, ids=lambda defect: defect.name)
def test_a_defect_fails_the_check_that_must_catch_it(defect):
    judgement = judged(defect.plan, defect=defect.name)
    assert judgement.verdict is Verdict.FAIL
    failed = {result.kind for result in judgement.results if result.verdict is Verdict.FAIL}
    assert defect.caught_by in failed


@pytest.mark.parametrize("defect", CATALOGUE, ids=lambda defect: defect.name)
def test_its_near_miss_passes_the_whole_plan(defect):
    assert unhappy(judged(defect.plan, defect=defect.name, near_miss=True)) == {}


def test_first_look_takes_under_a_minute_of_link_time():
    assert judged("first-look").link_seconds < 60


def test_the_failsafe_plan_cuts_the_link_at_least_fifty_times_at_random_phase():
    request = Request(plan=PLANS["failsafe"], file="", rig=find_rig("mock"), seed=SEED)
    timeline = timeline_for(request)
    assert timeline.cuts >= 50
    delays = {due.message.delay_us for s in timeline.segments for due in s.due(0) if due.mark == "cut"}
    assert len(delays) > 0.9 * timeline.cuts


@pytest.mark.parametrize("plan", PLANS)
def test_every_plan_fits_in_ten_minutes(plan):
    request = Request(plan=PLANS[plan], file="", rig=find_rig("mock"), seed=SEED)
    assert timeline_for(request).length_ns <= 600 * S


@pytest.mark.parametrize("plan", PLANS)
def test_every_plan_is_written_to_be_read(plan):
    path = shipped_plans()[plan]
    lines = path.read_text().splitlines()
    assert lines[0] == "# yaml-language-server: $schema=../shared/plan.schema.json"
    assert len(PLANS[plan].about) > 200
    assert max(map(len, lines)) <= 100

"""Device clocks that wrap during a run of a shipped plan change no verdict."""

import io
from dataclasses import replace

import pytest

from harness.bench.rig import find_rig
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan
from harness.recording import RecordingWriter, parse_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, header_for, judge_recording, open_for, timeline_for
from harness.verdict import Verdict

PLAN = load_plan(shipped_plans()["first-look"])
TWO_SECONDS_BEFORE = 2**32 - 2_000_000


def judged(**settings):
    """Judge first-look on a mock with these settings on top of the rig's."""
    rig = find_rig("mock")
    rig = replace(rig, simulated=replace(rig.simulated, **settings))
    request = Request(plan=PLAN, file="first-look", rig=rig, seed=7)
    bench, file = open_for(request), io.BytesIO()
    writer = RecordingWriter(file, header_for(request, bench), bench.now_ns())
    Runner(bench, writer, request.plan, Quiet()).run(timeline_for(request))
    writer.close()
    return judge_recording(parse_recording(file.getvalue(), "first-look")).judgement


def told(judgement):
    return {result.name: (result.verdict, result.value, result.samples) for result in judgement.results}


@pytest.fixture(scope="module")
def without():
    """A run whose clocks start at zero, and do not wrap."""
    return judged(transmitter_clock_us=0, receiver_clock_us=0)


@pytest.mark.parametrize("wraps", [("transmitter",), ("receiver",), ("transmitter", "receiver")])
def test_a_wrap_two_seconds_into_the_run_changes_no_verdict_and_no_value(without, wraps):
    """A 32-bit count of microseconds wraps every 71.6 min: 2**32 us are 4294.967296 s."""
    judgement = judged(**{f"{device}_clock_us": TWO_SECONDS_BEFORE for device in wraps})
    assert without.verdict is judgement.verdict is Verdict.PASS
    for name, (verdict, value, samples) in told(without).items():
        assert told(judgement)[name][0] is verdict
        assert told(judgement)[name][1:] == (pytest.approx(value), samples)

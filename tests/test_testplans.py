"""The harness's shipped plans pass a healthy link, catch every defect and spare its near miss."""

import io

import pytest

from harness.bench.protocol import Role
from harness.bench.rig import find_rig
from harness.chance import stream
from harness.clock import S
from harness.conversation import Conversation
from harness.errors import BenchError
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan
from harness.recording import RecordingWriter, parse_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, header_for, judge_recording, open_for, rounds_for, timeline_for
from harness.verdict import Verdict
from mocks.defects import CATALOGUE

PLANS = {name: load_plan(path) for name, path in shipped_plans().items() if name != "soak"}
"""The soak takes hours; tests/soak/test_soak_plan.py plays a short one."""
SHORT = [defect for defect in CATALOGUE if defect.plan in PLANS]
SEED = 7


def recorded(plan, seed=SEED, defect=None, *, near_miss=False, rig="mock"):
    """Run a shipped plan in memory and return its recording's bytes."""
    request = Request(
        plan=PLANS[plan], file=plan, rig=find_rig(rig), seed=seed, defect=defect, near_miss=near_miss
    )
    bench, file = open_for(request), io.BytesIO()
    writer = RecordingWriter(file, header_for(request, bench), bench.now_ns())
    timeline = timeline_for(request)
    rounds = rounds_for(request.plan, timeline, lambda: parse_recording(file.getvalue(), plan))
    Runner(bench, writer, request.plan, Quiet()).run(timeline, rounds)
    writer.close()
    return file.getvalue()


def judged(plan, seed=SEED, defect=None, *, near_miss=False, rig="mock"):
    """Run a shipped plan in memory and return its judgement."""
    data = recorded(plan, seed, defect, near_miss=near_miss, rig=rig)
    return judge_recording(parse_recording(data, plan)).judgement


WITHOUT_WITNESS = {"pins": "not judged: no witness on this bench"}
WITNESSED = """\
propsoff_rig: 1
bench: mock
mock:
  {loss: 2 %, usb_latency: 1 ms, witness: true, witness_skew_ppm: 60, witness_clock_us: 4294900000,
   distance: 1 m, attenuation: 20 dB}
"""


def unhappy(judgement):
    return {result.kind: result.reason for result in judgement.results if result.verdict is not Verdict.PASS}


@pytest.fixture
def witnessed(tmp_path):
    """A rig file of a healthy mock with a witness."""
    (tmp_path / "witnessed.yaml").write_text(WITNESSED)
    return str(tmp_path / "witnessed.yaml")


@pytest.mark.parametrize("rig", ["mock", "ideal-mock"])
@pytest.mark.parametrize("plan", PLANS)
def test_a_healthy_link_passes(plan, rig):
    if (plan, rig) == ("margin", "ideal-mock"):
        with pytest.raises(BenchError, match=r"it cannot set its transmit power, which steps.2. needs"):
            judged(plan, rig=rig)  # no distance, no power
        return
    judgement = judged(plan, rig=rig)
    assert judgement.verdict is Verdict.PASS
    assert unhappy(judgement) == WITHOUT_WITNESS


@pytest.mark.parametrize("plan", PLANS)
def test_a_healthy_link_passes_before_a_witness(plan, witnessed):
    assert unhappy(judged(plan, rig=witnessed)) == {}


OF_THE_BENCH = [defect for defect in SHORT if defect.caught_by == "bench"]


@pytest.mark.parametrize("defect", OF_THE_BENCH, ids=lambda defect: defect.name)
def test_a_device_that_is_not_what_it_says_is_refused_or_called_bench_trouble(defect):
    try:
        judgement = judged(defect.plan, defect=defect.name)
    except BenchError:
        return
    errors = {result.kind for result in judgement.results if result.verdict is Verdict.ERROR}
    assert errors == {"bench"}


LINKED = [defect for defect in SHORT if defect not in OF_THE_BENCH]


@pytest.mark.parametrize("defect", LINKED, ids=lambda defect: defect.name)
def test_a_defect_fails_the_check_that_must_catch_it(defect):
    judgement = judged(defect.plan, defect=defect.name)
    assert judgement.verdict is Verdict.FAIL
    failed = {result.kind for result in judgement.results if result.verdict is Verdict.FAIL}
    assert defect.caught_by in failed


@pytest.mark.parametrize(
    ("defect", "name"), [("sticks-queued", "stick to output"), ("acknowledgement-late", "acknowledgement")]
)
def test_each_kind_of_latency_is_caught_by_its_own_check(defect, name):
    judgement = judged("regression", defect=defect)
    assert [result.name for result in judgement.results if result.verdict is Verdict.FAIL] == [name]


@pytest.mark.parametrize("defect", SHORT, ids=lambda defect: defect.name)
def test_its_near_miss_passes_the_whole_plan(defect):
    judgement = judged(defect.plan, defect=defect.name, near_miss=True)
    assert judgement.verdict is Verdict.PASS
    assert unhappy(judgement) == ({} if defect.caught_by == "pins" else WITHOUT_WITNESS)


@pytest.mark.parametrize("seed", range(8))
def test_losses_on_any_line_never_fail_the_pins(seed, tmp_path):
    lossy = ", ".join(f"{role}_message_loss: 1 %" for role in Role)
    (tmp_path / "lossy.yaml").write_text(f"propsoff_rig: 1\nbench: mock\nmock: {{witness: true, {lossy}}}\n")
    judgement = judged("failsafe", seed=seed, rig=str(tmp_path / "lossy.yaml"))
    assert {r.kind: r.verdict for r in judgement.results}["pins"] is Verdict.INCONCLUSIVE


@pytest.mark.parametrize("seed", range(20))
def test_no_damage_to_a_passing_recording_makes_it_fail_or_pass_without_a_word(seed, witnessed):
    chance = stream(seed, "damage")
    data = bytearray(recorded("first-look", rig=witnessed))
    at = chance.randrange(len(data) // 10, len(data) - 2000)
    size = chance.choice([1, 50, 400])
    if chance.random() < 0.5:
        data[at : at + size] = bytes(size)
    else:
        del data[at : at + size]
    recording = parse_recording(bytes(data), "damaged")
    verdicts = {result.verdict for result in judge_recording(recording).judgement.results}
    assert Verdict.FAIL not in verdicts
    if not recording.complete:
        assert verdicts != {Verdict.PASS}


def test_a_stalled_pc_is_bench_trouble_and_not_wrong_telemetry(monkeypatch):
    """Suspended for a second in the middle of the injections, the PC sends no keep-alive and no command."""
    stalled = []
    advance = Conversation.advance

    def stalling(talk, until_ns):
        if not stalled and talk.bench.now_ns() > 17 * S:
            stalled.append(talk.bench.now_ns())
            talk._take(talk.bench.advance(talk.bench.now_ns() + S))
        advance(talk, until_ns)

    monkeypatch.setattr(Conversation, "advance", stalling)
    judgement = judged("first-look")
    assert stalled
    found = {result.kind: result for result in judgement.results}
    assert Verdict.FAIL not in {result.verdict for result in judgement.results}
    assert found["bench"].verdict is Verdict.INCONCLUSIVE
    assert "the PC fell silent" in found["bench"].reason


def test_commands_damaged_on_the_line_never_fail_telemetry(tmp_path):
    rig = tmp_path / "noisy.yaml"
    rig.write_text("propsoff_rig: 1\nbench: mock\nmock: {bit_errors: 0.3 %}\n")
    judgement = judged("first-look", seed=23, rig=str(rig))
    found = {result.kind: result.verdict for result in judgement.results}
    assert found["telemetry_value"] is not Verdict.FAIL
    assert found["bench"] is Verdict.ERROR


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

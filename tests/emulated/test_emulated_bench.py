"""Real firmware behind the bench protocol: the shipped plans, the defects, and firmware that goes wrong."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from harness.bench.opening import open_bench
from harness.bench.protocol import DEVICES, Role
from harness.bench.rig import Rig, find_rig
from harness.clock import MS, S
from harness.codec import Frame, decode_piece
from harness.errors import BenchError, UserError
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan, parse_plan
from harness.recording import RecordingWriter, parse_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, header_for, judge_recording, open_for, timeline_for
from harness.verdict import Verdict
from mocks.avr.boards import open_boards
from mocks.avr.defects import CATALOGUE
from mocks.avr.settings import AvrSettings

ROOT = Path(__file__).resolve().parents[2]
AVR = find_rig("avr")
PLANS = {name: load_plan(path) for name, path in shipped_plans().items()}


def with_settings(**changes) -> Rig:
    return replace(AVR, simulated=replace(AVR.simulated, **changes))


def run(plan, rig=AVR, seed=7, **defect):
    """Return a run's outcome and its recording's bytes."""
    request = Request(plan=PLANS[plan], file=plan, rig=rig, seed=seed, **defect)
    file = io.BytesIO()
    with closing(open_for(request)) as bench:
        writer = RecordingWriter(file, header_for(request, bench), bench.now_ns())
        Runner(bench, writer, request.plan, Quiet()).run(timeline_for(request))
        writer.close()
    return judge_recording(parse_recording(file.getvalue(), plan)), file.getvalue()


def judged(*words, **more):
    return run(*words, **more)[0].judgement


def not_passed(judgement):
    return {result.name: str(result.verdict) for result in judgement.results if result.verdict != "pass"}


@cache
def near_miss(plan, receiver, transmitter):
    """Several defects share a near-miss: each is run once per plan."""
    defines = {
        "receiver_defines": tuple(f"{name}={value}" for name, value in receiver),
        "transmitter_defines": tuple(f"{name}={value}" for name, value in transmitter),
    }
    return judged(plan, with_settings(**defines))


def test_a_plan_that_needs_a_power_setting_is_refused_in_plain_words():
    with pytest.raises(BenchError, match=r"cannot set its transmit power, which .* write `by: hand` there"):
        run("margin")


def test_a_hand_at_an_attenuator_finds_the_margin_of_real_firmware():
    """Sensitivity, 1 m of free space and 20 dB in the line leave 25 dB; the curve decides on tenths."""
    text, last = PLANS["margin"].text, "  - wait: {until: linked, deadline: 5 s}\n  - wander: {for: 10 s}"
    steps = """\
steps:
  - wait: linked
  - wander: {for: 20 s}
    name: full power
  - margin: {by: hand, normal: 0 dB, from: 16 dB, to: 40 dB, packets: 60, in_line: 20 dB}
"""
    text = text[: text.index("steps:")] + steps + text[text.index(last) :]
    PLANS["by hand"] = parse_plan(text, "by-hand.yaml")
    judgement = judged("by hand", with_settings(distance_mm=1_000, attenuation_x10=200))
    (margin,) = (result for result in judgement.results if result.kind == "link_margin")
    assert margin.verdict is Verdict.PASS
    assert 43.5 < margin.interval[0] < margin.interval[1] < 46.5
    del PLANS["by hand"]


@pytest.mark.parametrize("plan", [plan for plan in PLANS if plan not in ("margin", "soak")])
def test_the_shipped_plans_pass_on_real_firmware(plan):
    judgement = judged(plan)
    assert judgement.verdict is Verdict.PASS, not_passed(judgement)
    assert not_passed(judgement) == {}


def test_clocks_that_wrap_two_seconds_after_the_start_change_no_verdict_on_real_firmware():
    """A 32-bit count of microseconds wraps at 4294.967296 s; the boards begin 2 s before that."""
    late = (f"CLOCK_START_US={2**32 - 2_000_000}",)
    judgement = judged("first-look", with_settings(transmitter_defines=late, receiver_defines=late))
    assert not_passed(judgement) == {}


@pytest.mark.parametrize("defect", CATALOGUE, ids=lambda defect: defect.name)
def test_a_shipped_plan_catches_every_firmware_defect_by_the_check_that_should(defect):
    judgement = judged(defect.plan, defect=defect.name)
    failed = {result.kind for result in judgement.results if result.verdict == "fail"}
    assert defect.caught_by in failed, not_passed(judgement)


@pytest.mark.parametrize("defect", CATALOGUE, ids=lambda defect: defect.name)
def test_a_shipped_plan_passes_the_near_miss_of_every_firmware_defect(defect):
    near = tuple(sorted(defect.near_receiver.items())), tuple(sorted(defect.near_transmitter.items()))
    assert any(near), "a near-miss changes something"
    assert not_passed(near_miss(defect.plan, *near)) == {}


def test_near_misses_and_defects_are_told_by_name_in_the_recording():
    with closing(open_bench(AVR, PLANS["first-look"].link, 1, defect="pins-hold", near_miss=True)) as bench:
        assert bench.facts["defect"] == "near-miss of pins-hold"
    with pytest.raises(UserError, match="did you mean pins-hold"):
        open_bench(AVR, PLANS["first-look"].link, 1, defect="pins-held")


# -- the same seed, the same bytes ---------------------------------------------------------------------


def test_a_run_repeats_to_the_byte_and_another_seed_does_not():
    once, again, other = (run("first-look", seed=seed)[1] for seed in (5, 5, 6))
    assert once == again
    assert once != other


def test_what_the_boards_say_does_not_depend_on_the_steps_of_time():
    def said(step_ns):
        heard = dict.fromkeys(Role, b"")
        with closing(open_boards(AvrSettings(), 3)) as boards:
            while boards.now_ns() < S // 2:
                for chunk in boards.advance(min(boards.now_ns() + step_ns, S // 2)):
                    heard[chunk.role] += chunk.data
        return heard

    assert said(S // 2) == said(7_919_993) == said(333_333)


def test_the_boards_start_at_random_moments_under_the_seed():
    """Else the phase between packets and servo frames would be the same in every run."""

    def first_words(seed):
        with closing(open_boards(AvrSettings(witness="none"), seed)) as boards:
            return [(chunk.role, chunk.at_ns) for chunk in boards.advance(40 * MS)][:4]

    assert first_words(1) == first_words(1)
    assert len({tuple(first_words(seed)) for seed in range(5)}) == 5


# -- the witness -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("witness", ["captured", "firmware"])
def test_either_witness_sees_the_pins_do_what_the_receiver_says(witness):
    judgement = judged("first-look", with_settings(witness=witness))
    assert not_passed(judgement) == {}
    assert judgement.devices["witness"].startswith("dunlin witness" if witness == "firmware" else "")


@pytest.mark.parametrize("name", ["pins-hold", "pins-swapped", "report-copies"])
def test_the_witness_firmware_catches_pins_that_differ_from_the_report(name):
    judgement = judged("first-look", with_settings(witness="firmware"), defect=name)
    assert not_passed(judgement)["pins"] == "fail"


@pytest.mark.parametrize("name", ["pins-hold", "pins-swapped", "pins-offset"])
def test_without_a_witness_wrong_pins_go_unseen_and_the_report_says_that_nobody_looked(name):
    """Why a witness is worth its while: the receiver's own reports are right."""
    judgement = judged("first-look", with_settings(witness="none"), defect=name)
    assert not_passed(judgement) == {"pins": "none"}
    assert judgement.verdict is Verdict.PASS


# -- firmware that goes wrong ------------------------------------------------------------------------------


@pytest.mark.parametrize("role", DEVICES)
@pytest.mark.parametrize("fault", ["FAULT_CRASH_MS", "FAULT_SILENT_MS"])
def test_a_device_that_falls_silent_is_named_with_the_moment(role, fault):
    judgement = judged("first-look", with_settings(**{f"{role}_defines": (f"{fault}=9000",)}))
    bench = next(result for result in judgement.results if result.kind == "bench")
    assert judgement.verdict is Verdict.ERROR
    assert f"the {role}'s port fell silent at 8." in bench.reason


@pytest.mark.parametrize("role", DEVICES)
def test_a_device_that_its_watchdog_resets_is_named_with_the_moment(role):
    judgement = judged("first-look", with_settings(**{f"{role}_defines": ("FAULT_HANG_MS=9000",)}))
    assert judgement.verdict is Verdict.FAIL
    note = next(note for note in judgement.notes if "watchdog" in note)
    assert f"the {role} restarted by itself at " in note


@pytest.mark.parametrize("role", DEVICES)
def test_a_device_that_floods_its_port_is_bench_trouble_and_never_a_fault_of_the_link(role):
    judgement = judged("first-look", with_settings(**{f"{role}_defines": ("FAULT_FLOOD_MS=9000",)}))
    assert judgement.verdict is Verdict.ERROR
    assert "fail" not in not_passed(judgement).values()
    assert any(f"the {role} printed" in note for note in judgement.notes)


@pytest.mark.parametrize(
    ("role", "define", "words"),
    [
        (Role.RECEIVER, "FAULT_CRASH_MS=1", r"no answer to identify; \d+ bytes came"),
        (Role.RECEIVER, "FAULT_ROLE=1", "leads to the transmitter: swap the two ports"),
        (Role.TRANSMITTER, "FAULT_ROLE=3", "leads to the witness"),
        (Role.TRANSMITTER, "FAULT_ROLE=9", "of role 9, which is not known here"),
        (Role.RECEIVER, "BENCH_PROTOCOL_VERSION=2", "speaks bench protocol 2"),
        (Role.TRANSMITTER, "BENCH_BAUD=57600", "does not speak at the 115200 baud"),
        (Role.RECEIVER, "BENCH_BAUD=250000", "does not speak at the 115200 baud"),
        (Role.RECEIVER, "FAULT_FLOOD_MS=1", "prints so much that its answers find no room"),
    ],
)
def test_a_device_that_cannot_be_used_is_refused_in_plain_words(role, define, words):
    with pytest.raises(BenchError, match=words) as caught:
        run("first-look", with_settings(**{f"{role}_defines": (define,)}))
    assert caught.value.role == role


def test_the_boards_are_built_for_the_rate_that_the_rig_says():
    rig = with_settings(baud=57_600, witness="firmware")
    with closing(open_bench(rig, PLANS["failsafe"].link, 1)) as bench:
        pieces = dict.fromkeys(Role, b"")
        for chunk in bench.advance(300 * MS):
            pieces[chunk.role] += chunk.data
    frames = {
        role: [decode_piece(piece) for piece in data.split(b"\0")[:-1]] for role, data in pieces.items()
    }
    assert all(found and all(isinstance(frame, Frame) for frame in found) for found in frames.values())


@pytest.mark.parametrize("define", ["A B", "X=1.5", "FAULT_FAILSAFE_NEVR", "FAILSAFE_AFTER_MS=99999999999"])
def test_a_macro_that_cannot_be_used_is_refused(define):
    with pytest.raises(UserError, match=r"write|see model\.h"):
        open_bench(with_settings(receiver_defines=(define,)), PLANS["failsafe"].link, 1)


def test_firmware_that_does_not_compile_is_one_error_with_the_compilers_words():
    rig = with_settings(receiver_defines=("BENCH_FIELDS=-1",))
    with pytest.raises(BenchError, match="avr-gcc failed") as caught:
        open_bench(rig, PLANS["failsafe"].link, 1)
    assert "error" in str(caught.value)
    assert len(str(caught.value)) < 4_000


# -- processes ---------------------------------------------------------------------------------------------


def test_a_killed_run_leaves_no_orphan_and_a_recording_that_can_be_judged(tmp_path):
    command = [
        sys.executable,
        "-m",
        "harness",
        "run",
        "acceptance",
        "--rig",
        "avr",
        "--seed",
        "1",
        "--out",
        "run",
    ]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        command, cwd=tmp_path, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    assert process.stderr is not None
    for line in process.stderr:
        if b"step 4" in line:
            break
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stderr.close()
    children = subprocess.run(
        ["ps", "--ppid", str(process.pid), "-o", "pid="], capture_output=True, check=False
    )
    assert children.stdout.strip() == b""
    (recording,) = tmp_path.rglob("recording.pcapng")
    outcome = judge_recording(parse_recording(recording.read_bytes(), "killed"))
    assert outcome.judgement.packets_sent > 100
    assert outcome.judgement.verdict is not Verdict.PASS


def test_real_firmware_is_in_failsafe_while_the_antenna_path_is_open(monkeypatch):
    text = PLANS["first-look"].text
    steps = "steps:\n  - wait: {until: linked}\n  - cut: {duration: 700 ms, times: 3, by: path}\n"
    steps += "  - cut: {duration: 700 ms, by: power, ability: if present}\n  - settle: 1 s\n"
    checks = "checks:\n  - failsafe_entry: {share: 20 %}\n  - failsafe_exit\n  - bench\n"
    plan = parse_plan(text[: text.index("steps:")] + steps + checks, "path.yaml", "path")
    monkeypatch.setitem(PLANS, "path", plan)
    judgement = judged("path")
    assert not_passed(judgement) == {}
    entry = next(result for result in judgement.results if result.name == "failsafe_entry")
    assert entry.counts["of the antenna path, by a control line"] == 3
    assert any("the rig cannot do them" in note for note in judgement.notes)

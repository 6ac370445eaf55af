"""The harness plays a soak round by round until its time is over, and leaves it readable wherever it ends."""

import io
from itertools import pairwise

import pytest
from soaked import CHECKS, STEPS, by_rounds, kinds, plan_text, played, request_for
from test_extending import Listener

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from harness.errors import BenchError
from harness.plan.reader import parse_plan
from harness.plan.soak import half_pause_ns
from harness.recording import Direction, RecordingWriter, parse_recording, parse_windows
from harness.runner import Runner
from harness.running import header_for, judge_file, open_for, rounds_for, run, timeline_for
from harness.verdict import Verdict

TEXT = plan_text()
HALF = half_pause_ns(parse_plan(TEXT, "soaked").link)


def marks(data, *kinds):
    return [mark for mark in parse_recording(data, "x").marks if mark.kind in kinds]


def commands(data, role, kind):
    port = parse_recording(data, "x").ports[role]
    rows = zip(port.at_ns, port.direction, port.data, strict=True)
    told = [(at, parse(decode_piece(data[:-1]))) for at, way, data in rows if way == Direction.TO_DEVICE]
    return [(at, message) for at, message in told if isinstance(message, kind)]


class Stopped:
    """A soak that is stopped, or whose port goes, at some virtual time."""

    def __init__(self, at_ns, how, text=TEXT):
        self.listener, file = Listener(), io.BytesIO()
        request = request_for(text)
        bench = open_for(request)
        self.writer = RecordingWriter(file, header_for(request, bench), bench.now_ns())
        runner = Runner(bench, self.writer, request.plan, self.listener)
        if how == "interrupted":
            runner.talk.stop_requested = lambda: bench.now_ns() >= at_ns
        else:
            send = bench.send

            def gone(role, data):
                if bench.now_ns() >= at_ns and role is Role.RECEIVER:
                    raise BenchError("the cable was pulled", role=role, port="virtual receiver")
                return send(role, data)

            bench.send = gone
        timeline = timeline_for(request)
        self.end = runner.run(timeline, rounds_for(request.plan, timeline, lambda: None))
        self.writer.close()
        self.data = file.getvalue()


def test_rounds_go_on_until_the_time_is_over_and_the_last_one_to_its_end():
    found = marks(played(TEXT), "round")
    assert [mark.fields["number"] for mark in found] == [1, 2, 3]
    began = [mark.at_ns - found[0].at_ns for mark in found]
    assert began[-1] < 50 * S <= marks(played(TEXT), "step end")[-1].at_ns - found[0].at_ns


def test_a_wait_that_is_soon_over_leaves_time_for_one_more_round():
    data = played(plan_text("27 s"))
    assert len(marks(data, "round")) == 2
    assert len(marks(data, "pause")) == 1


def test_nothing_but_rest_keep_alives_pings_and_identify_is_sent_in_a_pause():
    data = played(TEXT)
    begins, seams, ends = marks(data, "pause"), marks(data, "seam"), marks(data, "round")[1:]
    assert len(begins) == len(seams) == len(ends) == 2
    for begin, seam, end in zip(begins, seams, ends, strict=True):
        assert seam.at_ns - begin.at_ns == HALF == end.at_ns - seam.at_ns
        for role in (Role.TRANSMITTER, Role.RECEIVER):
            told = [one for at, one in commands(data, role, object) if begin.at_ns <= at < end.at_ns]
            assert {type(one) for one in told} <= {m.Ping, m.KeepAlive, m.Identify, m.Sticks}
            pings = [at for at, _ in commands(data, role, m.Ping)]
            assert sum(begin.at_ns <= at < seam.at_ns for at in pings) >= 8
            assert sum(seam.at_ns <= at < end.at_ns for at in pings) >= 8
        rest = [one.pulses_us for at, one in commands(data, Role.TRANSMITTER, m.Sticks)
                if begin.at_ns <= at < end.at_ns]  # fmt: skip
        assert rest == [(1000, 1500, 1500, 1500)]


def test_each_round_draws_other_sticks_and_the_same_seed_the_same_bytes():
    data = played(TEXT)
    starts = [mark.at_ns for mark in marks(data, "round")]
    sticks = commands(data, Role.TRANSMITTER, m.Sticks)
    rounds = [[one.pulses_us for at, one in sticks if start <= at < start + 10 * S] for start in starts]
    assert all(one != other for one, other in pairwise(rounds))
    played.cache_clear()
    assert played(TEXT) == data


def test_cuts_are_numbered_on_and_the_display_tells_the_round():
    assert [mark.fields["number"] for mark in marks(played(TEXT), "cut")] == [1, 2, 3, 4, 5, 6]
    stopped = Stopped(30 * S, "interrupted")
    assert {"round 1 of about 2", "between rounds 1 and 2", "round 2 of about 2"} <= set(
        stopped.listener.notes
    )


@pytest.mark.parametrize("how", ["interrupted", "port gone"])
@pytest.mark.parametrize("seconds", [8, 17.9, 30])
def test_a_soak_that_is_stopped_is_judged_as_far_as_it_came(how, seconds):
    stopped = Stopped(int(seconds * S), how)
    assert stopped.end.why == how
    judgement = by_rounds(stopped.data, TEXT)
    found = kinds(judgement)
    wanted = Verdict.INCONCLUSIVE if how == "interrupted" else Verdict.ERROR
    assert found["bench"].verdict is wanted
    assert Verdict.FAIL not in {one.verdict for one in judgement.results}
    assert any(how in note for note in judgement.notes)
    assert found["delivery"].samples > 0
    if seconds > 20:  # the first round was whole
        assert found["fidelity"].verdict is Verdict.PASS
        assert found["failsafe_outputs"].counts["cuts"] >= 2


@pytest.mark.parametrize("share", [0.2, 0.36, 0.5, 0.7, 0.97])
def test_a_recording_that_was_cut_short_is_judged_on_what_is_whole(share):
    data = played(TEXT)
    judgement = by_rounds(data[: int(len(data) * share)], TEXT)
    found = kinds(judgement)
    assert found["bench"].verdict is Verdict.INCONCLUSIVE
    assert "cut short" in found["bench"].reason
    assert Verdict.FAIL not in {one.verdict for one in judgement.results}
    assert found["delivery"].samples == pytest.approx(share * 2655, rel=0.15)


def test_damage_in_one_round_makes_only_that_round_unknown():
    data = bytearray(played(TEXT))
    at = len(data) // 2
    data[at : at + 3000] = bytes(3000)
    windows = list(parse_windows(bytes(data), "x"))
    assert [window.recording.damaged for window in windows] == [False, True, False]
    judgement = by_rounds(bytes(data), TEXT)
    assert judgement.verdict is Verdict.ERROR  # messages are missing, which `bench` allows none of
    assert Verdict.FAIL not in {one.verdict for one in judgement.results}
    assert kinds(judgement)["fidelity"].verdict is Verdict.PASS
    assert any("round 2" in note and "damaged" in note for note in judgement.notes)


def test_a_run_and_a_recording_of_it_are_judged_alike(tmp_path):
    from harness.report.folder import RunFolder
    from harness.report.live import Quiet

    text = plan_text("27 s", STEPS, CHECKS)
    with RunFolder.create(tmp_path / "run") as folder:
        ran = run(request_for(text), folder, Quiet())
    again = judge_file(tmp_path / "run" / "recording.pcapng")
    assert again == ran.outcome
    assert [section.key for section in again.judgement.sections] == ["soak"]
    assert "2 rounds" in (tmp_path / "run" / "report.txt").read_text()


def test_a_pause_leaves_time_for_the_latest_report():
    for lost_after in ("100 ms", "3 s"):
        text = plan_text().replace("packet_rate: 50 Hz", f"packet_rate: 50 Hz\n  lost_after: {lost_after}")
        link = parse_plan(text, "x").link
        assert half_pause_ns(link) >= max(1500 * MS, link.lost_after_ns + S)


@pytest.mark.parametrize(
    "step",
    ["restart: {device: receiver, after: 0 ms}", "restart: {device: transmitter, after: 0 ms}",
     "cut: {duration: 700 ms, after: 0 ms}"],
)  # fmt: skip
def test_a_round_may_end_with_a_step_that_is_hardly_over(step):
    steps = f"steps:\n  - wait: {{until: linked}}\n  - wander: {{for: 6 s}}\n  - {step}\n"
    text = plan_text("20 s", steps, "checks:\n  - control_gap: {at_most: 140 ms}\n  - bench\n")
    judgement = by_rounds(played(text), text)
    assert {one.kind: one.verdict for one in judgement.results} == {
        "control_gap": Verdict.PASS,
        "bench": Verdict.PASS,
    }

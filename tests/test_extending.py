"""The harness plays a plan again while a check lacks samples, and its verdict then holds for all looks."""

import io
import threading
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from test_runner import HEADER, Trip
from test_timeline import LINK, plan_of

from harness.bench.protocol import DEVICES, Role
from harness.bench.rig import parse_rig
from harness.clock import MS, S
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from harness.errors import BenchError
from harness.extending import Rounds, wanting_samples
from harness.judge import judge
from harness.plan import model as p
from harness.plan.reader import parse_plan
from harness.recording import Direction, RecordingWriter, parse_recording, read_recording
from harness.report.folder import RunFolder
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, judge_recording, run
from harness.timeline import build_timeline
from harness.verdict import CheckResult, Verdict
from mocks.bench import open_virtual
from mocks.settings import MockSettings

AT_LEAST_90 = p.PlanCheck(p.Delivery(at_least=Fraction(90, 100)), "delivery", "checks[0]")


class Listener(Quiet):
    def __init__(self):
        self.lines, self.notes = [], []

    def say(self, line):
        self.lines.append(line)

    def update(self, snapshot):
        self.notes.append(snapshot.note)


class Extended:
    """One run of a plan with `extend` on a bench, and the judgement of its recording."""

    def __init__(
        self, *actions, loss=Fraction(0), seed=7, extend=None, checks=(AT_LEAST_90,), wrap=None,
        read_error=None, judging_ns=0, stop_ns=None,
    ):  # fmt: skip
        self.read_error, self.judging_ns = read_error, judging_ns
        settings = MockSettings(loss=loss, retransmit_limit=0)
        self.plan = replace(plan_of(*actions), checks=checks, extend=extend)
        self.bench = open_virtual(LINK, settings, seed)
        header = replace(HEADER, baud=dict(self.bench.baud))
        if wrap is not None:
            self.bench = wrap(self.bench)
        self.file, self.listener, self.raised, self.end = io.BytesIO(), Listener(), None, None
        writer = RecordingWriter(self.file, header, 0)
        rounds = extend and Rounds(self.plan, seed, Fraction(1), self.read)
        self.runner = Runner(self.bench, writer, self.plan, self.listener)
        if stop_ns is not None:
            self.runner.talk.stop_requested = lambda: self.bench.now_ns() >= stop_ns
        try:
            self.end = self.runner.run(build_timeline(self.plan, seed), rounds)
        except (BenchError, RuntimeError) as error:
            self.raised = error
        writer.close()

    def read(self):
        if self.read_error is not None:
            raise self.read_error
        if self.judging_ns:
            self.bench.until_ns = self.bench.now_ns() + self.judging_ns
            self.bench.passed.wait()
            self.judging_ns = 0
        return self.recording

    @property
    def recording(self):
        return parse_recording(self.file.getvalue(), "x")

    @property
    def result(self):
        return judge(self.plan, self.recording).results[0]

    def marks(self, kind):
        return [mark for mark in self.recording.marks if mark.kind == kind]

    def to(self, role):
        port = self.recording.ports[role]
        rows = zip(port.direction, port.data, port.at_ns, strict=True)
        return [(at, parse(decode_piece(data[:-1]))) for way, data, at in rows if way == Direction.TO_DEVICE]


STEADY = (p.Settle(for_ns=12 * S),)
EXTEND = p.Extend()
CUTS = (p.Wait(until="linked"), p.Wander(for_ns=2 * S), p.Cut(duration_ns=700 * MS, times=2))
SIXTY_PER_CENT = p.PlanCheck(p.FailsafeEntry(share=Fraction(60, 100)), "failsafe_entry", "checks[0]")
"""Shown by six cuts with 95 % confidence, by eight at the first look."""


@pytest.mark.parametrize(
    ("loss", "seed", "verdict"), [(7, 1, "pass"), (7, 4, "pass"), (12, 5, "fail"), (12, 8, "fail")]
)
def test_a_marginal_link_is_left_open_without_extend_and_settled_right_with_it(loss, seed, verdict):
    # The limit is 10 % lost: this link is a little better, or worse.
    loss = Fraction(loss, 100)
    once = Extended(*STEADY, loss=loss, seed=seed)
    assert once.result.verdict == "inconclusive"
    assert once.result.needed
    run = Extended(*STEADY, loss=loss, seed=seed, extend=EXTEND)
    assert run.result.verdict == verdict
    assert len(run.marks("round")) > 1


@pytest.mark.parametrize(
    ("loss", "verdict", "words"),
    [(Fraction(4, 100), "pass", "no check lacks samples"), (Fraction(17, 100), "fail", "failed: delivery")],
)
def test_a_link_far_from_the_limit_is_settled_by_the_first_round(loss, verdict, words):
    run = Extended(*STEADY, loss=loss, extend=EXTEND)
    assert run.result.verdict == verdict
    assert len(run.marks("round")) == len(run.marks("look")) == 1
    assert run.listener.lines == [f"look 1 of 4: {words}"]


def test_a_run_that_has_failed_is_not_played_on_for_what_is_still_open():
    late = p.PlanCheck(p.FailsafeEntry(within_ns=MS), "entry", "checks[1]")
    run = Extended(*CUTS, extend=EXTEND, checks=(SIXTY_PER_CENT, late, replace(late, name="again")))
    assert len(run.marks("round")) == 1
    assert run.listener.lines == ["look 1 of 4: failed: entry, again"]
    assert run.result.needed


def test_a_link_on_the_limit_stays_open_at_the_cap():
    run = Extended(*STEADY, loss=Fraction(10, 100), extend=p.Extend(up_to_ns=36 * S))
    assert run.result.verdict == "inconclusive"
    assert run.result.needed
    assert len(run.marks("round")) == 3
    note = judge(run.plan, run.recording).notes[0]
    assert note.startswith("the steps were played 3 times, look 3 of 3 at the data; that is the cap")
    assert_left_safe(run)


def test_reason_names_the_look_and_the_confidence_it_had_to_show():
    run = Extended(*STEADY, loss=Fraction(7, 100), seed=3, extend=EXTEND)
    assert (
        "look 2 of 4: judged with 99.167 % confidence, so that all looks together keep 95 %"
        in run.result.reason
    )
    assert run.result.confidence == pytest.approx(1 - 0.05 / 6)
    assert [mark.fields for mark in run.marks("look")] == [
        {"number": 1, "of": 4, "rounds": 1, "share": "1/2"},
        {"number": 2, "of": 4, "rounds": 2, "share": "1/6"},
    ]


def test_cuts_are_added_until_there_are_enough():
    run = Extended(*CUTS, extend=EXTEND, checks=(SIXTY_PER_CENT,))
    assert run.result.verdict == "pass"
    assert run.result.samples == 16
    assert [line.split(":")[0] for line in run.listener.lines] == [f"look {n} of 4" for n in (1, 2, 3)]


def test_every_round_draws_anew_from_the_one_seed():
    runs = [Extended(*CUTS, extend=EXTEND, checks=(SIXTY_PER_CENT,)) for _ in range(2)]
    assert runs[0].file.getvalue() == runs[1].file.getvalue()
    delays = [mark.fields["delay_us"] for mark in runs[0].marks("cut")]
    assert len(set(delays)) == len(delays) == 16
    once = Extended(*CUTS, checks=(SIXTY_PER_CENT,))
    assert [mark.fields["delay_us"] for mark in once.marks("cut")] == delays[:2]


def test_display_says_which_round_it_is():
    run = Extended(*CUTS, extend=EXTEND, checks=(SIXTY_PER_CENT,))
    notes = list(dict.fromkeys(run.listener.notes))
    assert notes[:4] == [
        "round 1 of at most 8, until look 1 of 4",
        "judging, look 1 of 4",
        "round 2 of at most 8, until look 2 of 4",
        "judging, look 2 of 4",
    ]


def result_of(verdict, needed=None):
    return CheckResult("x", "x", verdict, "", needed=needed)


@pytest.mark.parametrize(
    ("results", "wanting"),
    [
        ([result_of(Verdict.INCONCLUSIVE, 5)], 1),
        ([result_of(Verdict.INCONCLUSIVE, 5), result_of(Verdict.FAIL)], 0),
        ([result_of(Verdict.INCONCLUSIVE)], 0),
        ([result_of(Verdict.PASS), result_of(Verdict.FAIL)], 0),
        ([result_of(Verdict.INCONCLUSIVE, 5), result_of(Verdict.ERROR)], 0),
    ],
)
def test_only_a_want_of_samples_asks_for_another_round(results, wanting):
    assert len(wanting_samples(results)) == wanting


# -- every way out leaves the throttle closed and the devices released ---------------------------------------


def assert_left_safe(run, roles=tuple(DEVICES)):
    sticks = [message for _, message in run.to(Role.TRANSMITTER) if isinstance(message, m.Sticks)]
    if Role.TRANSMITTER in roles:
        assert sticks[-1].pulses_us == LINK.rest_us
    for role in roles:
        assert isinstance(run.to(role)[-1][1], m.Release)


MARGINAL = {"loss": Fraction(10, 100), "extend": EXTEND}
SHORT = (p.Wander(for_ns=5 * S),)


def test_ctrl_c_while_judging_leaves_everything_safe():
    run = Extended(*SHORT, **MARGINAL, read_error=KeyboardInterrupt())
    assert run.end.why == "interrupted"
    assert len(run.marks("round")) == 1
    assert_left_safe(run)


def test_our_own_fault_while_judging_leaves_everything_safe_and_goes_on():
    run = Extended(*SHORT, **MARGINAL, read_error=RuntimeError("a bug"))
    assert str(run.raised) == "a bug"
    assert run.recording.marks[-1].fields["why"] == "error"
    assert_left_safe(run)


@pytest.mark.parametrize("at_ns", [6 * S + 200 * MS, 9 * S], ids=["pausing", "in round 2"])
@pytest.mark.parametrize("role", DEVICES)
def test_a_port_that_vanishes_between_or_in_rounds_ends_the_run(role, at_ns):
    gone = BenchError("the port vanished", role=role, port="/dev/x")
    run = Extended(*SHORT, **MARGINAL, wrap=lambda bench: Trip(bench, at_ns, gone, gone=(role,)))
    assert run.end.why == "port gone"
    assert_left_safe(run, [other for other in DEVICES if other != role])


def test_a_wait_missed_in_a_later_round_ends_the_run():
    asleep = (p.Cut(duration_ns=300 * MS, after_ns=0, phase=0), p.Wait(until="failsafe", deadline_ns=S))
    run = Extended(*SHORT, *asleep, **MARGINAL)
    assert run.end.why == "wait missed"
    assert len(run.marks("round")) == 1
    assert run.listener.lines == []
    assert_left_safe(run)


def test_sticks_are_at_rest_before_the_data_are_looked_at():
    run = Extended(*SHORT, **MARGINAL)
    ends = [mark.at_ns for mark in run.marks("step end")]
    for look in run.marks("look")[1:]:
        end = max(at for at in ends if at < look.at_ns)
        sticks = [msg for at, msg in run.to(Role.TRANSMITTER) if end <= at < look.at_ns]
        assert {one.pulses_us for one in sticks if isinstance(one, m.Sticks)} == {LINK.rest_us}


class Slow:
    """A bench in real time as far as the runner can tell; `read` waits until some of that time has passed."""

    is_virtual = False

    def __init__(self, bench):
        self.inner, self.until_ns = bench, 1 << 62
        self.passed, self.never = threading.Event(), threading.Event()

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def advance(self, until_ns):
        if self.inner.now_ns() >= self.until_ns:
            self.passed.set()
            if until_ns - self.inner.now_ns() <= 5 * MS:
                self.never.wait(0.001)  # let the thread judge: simulated time would run away from it
        return self.inner.advance(until_ns)


def test_devices_are_kept_alive_while_a_thread_judges():
    run = Extended(*SHORT, **MARGINAL, wrap=Slow, judging_ns=2 * S)
    looks, ends = run.marks("look"), run.marks("step end")
    assert len(looks) > 1
    assert looks[1].at_ns - ends[0].at_ns > 2 * S
    for role in DEVICES:
        alive = [at for at, message in run.to(role) if isinstance(message, m.KeepAlive)]
        assert max(after - before for before, after in pairwise(alive)) < m.DEAD_MAN_MS * MS / 2.5
    assert_left_safe(run)


def test_ctrl_c_does_not_wait_for_the_thread_that_judges():
    run = Extended(*SHORT, **MARGINAL, wrap=Slow, judging_ns=1 << 60, stop_ns=8 * S)
    run.bench.passed.set()
    assert run.end.why == "interrupted"
    assert run.recording.marks[-1].at_ns < 9 * S
    assert_left_safe(run)


def test_a_judgement_that_takes_too_long_ends_the_run_with_what_there_is(monkeypatch):
    monkeypatch.setattr("harness.extending.JUDGING_NS", S)
    run = Extended(*SHORT, **MARGINAL, wrap=Slow, judging_ns=1 << 60)
    run.bench.passed.set()
    assert run.end.why == "complete"
    assert run.listener.lines == ["look 1 of 4: judging took too long, so the run ends here"]
    assert_left_safe(run)


PLAN = """\
propsoff: 1
title: A link a little better than it must be
link:
  packet_rate: 50 Hz
  channels: {elevon: {failsafe: centre}}
  failsafe: {within: 500 ms}
extend: {up_to: 30 s}
steps: [settle: 6 s]
checks: [delivery: {at_least: 90 %}]
"""


def test_the_file_alone_gives_the_verdict_of_the_run(tmp_path):
    rig = parse_rig("propsoff_rig: 1\nbench: mock\nmock: {loss: 6 %, retransmit_limit: 0}\n", "rig.yaml")
    request = Request(parse_plan(PLAN, "plan.yaml"), "plan.yaml", rig, 3)
    with RunFolder.create(tmp_path / "run") as folder:
        ran = run(request, folder, Quiet())
    again = judge_recording(read_recording(tmp_path / "run" / "recording.pcapng"))
    assert again.judgement == ran.outcome.judgement
    assert ran.outcome.judgement.notes[0].startswith("the steps were played 5 times, look 3 of 3 at the data")
    assert ran.outcome.judgement.results[0].verdict == "pass"

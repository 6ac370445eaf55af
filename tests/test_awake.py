"""The harness ends a run that its PC slept through, and no step of the wall clock touches one."""

from __future__ import annotations

import io
from contextlib import closing
from dataclasses import replace

import pytest
from test_unattended import Real

from harness import clock as clock_module
from harness import running
from harness.awake import ASLEEP_NS, AsleepError, ClockError, Wakefulness
from harness.bench.protocol import DEVICES, Chunk, Role
from harness.bench.rig import find_rig
from harness.clock import MS, S, slept_ns
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from harness.plan.reader import parse_plan
from harness.recording import Direction, RecordingWriter, parse_recording
from harness.report.document import verdict_document
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, header_for, judge_recording, open_for, timeline_for
from harness.verdict import Verdict

TX, RX = Role.TRANSMITTER, Role.RECEIVER
PLAN = """\
propsoff: 1
title: Sticks that move while the PC sleeps
link:
  packet_rate: 50 Hz
  channels:
    throttle: {role: throttle, failsafe: low}
    rudder: {failsafe: centre}
  failsafe: {within: 500 ms}
steps:
  - wait: {until: linked, deadline: 3 s}
  - wander: {for: 6 s}
  - cut: {duration: 700 ms, times: 3}
checks:
  - delivery: {at_least: 60 %}
  - latency: {percentile: 50 %, at_most: 50 ms}
  - control_gap: {at_most: 100 ms}
  - duplicates
  - order
  - fidelity
  - output_range
  - no_glitch
  - failsafe_entry: {share: 1 %}
  - failsafe_outputs
  - failsafe_exit
  - no_false_failsafe
"""


class Clocks:
    """What a machine's clocks show."""

    def __init__(self):
        self.now = self.slept = 0
        self.awake = Wakefulness(lambda: self.now, lambda: self.slept)

    def pass_time(self, now=0, slept=0):
        self.now += now
        self.slept += slept
        self.awake.look()


def test_a_look_within_a_second_of_the_one_before_finds_nothing():
    clocks = Clocks()
    for _ in range(10):
        clocks.pass_time(ASLEEP_NS)


@pytest.mark.parametrize(
    ("passed", "words"),
    [
        ({"now": ASLEEP_NS + 1}, "was asleep, stopped or far too busy for 1.0 s"),
        ({"now": 5 * MS, "slept": 3600 * S}, "was suspended for 3600.0 s"),
        ({"now": 5 * MS, "slept": ASLEEP_NS}, "was suspended for 1.0 s"),
    ],
)
def test_a_sleep_is_told_with_how_long_it_was(passed, words):
    with pytest.raises(AsleepError) as caught:
        Clocks().pass_time(**passed)
    assert words in str(caught.value)
    assert "says nothing about the link" in str(caught.value)


def test_a_sleep_is_told_once():
    clocks = Clocks()
    with pytest.raises(AsleepError):
        clocks.pass_time(2 * S)
    clocks.pass_time(5 * MS)


def test_who_has_been_away_on_purpose_begins_anew():
    clocks = Clocks()
    clocks.now += 60 * S
    clocks.awake.begin()
    clocks.pass_time(5 * MS)


def test_a_monotonic_clock_that_goes_back_is_refused():
    with pytest.raises(ClockError, match=r"went back by 0\.001 s, which it must never do"):
        Clocks().pass_time(-MS)


def test_this_machine_tells_how_long_it_was_suspended():
    """clock_gettime(2): CLOCK_BOOTTIME is CLOCK_MONOTONIC and the time suspended, so it is never less."""
    before = slept_ns()
    assert before > -MS
    assert abs(slept_ns() - before) < S


class Fake:
    """Stands in for the `time` module."""

    CLOCK_BOOTTIME = 7

    def monotonic_ns(self):
        return 5 * S

    def clock_gettime_ns(self, kind):
        return {7: 65 * S}[kind]


def test_time_suspended_is_what_the_one_clock_counts_and_the_other_does_not(monkeypatch):
    monkeypatch.setattr(clock_module, "time", Fake())
    assert slept_ns() == 60 * S


class Sleeps(Real):
    """A bench on a PC that sleeps once for `for_ns`; the devices go on, and their bytes come at its end.

    `counted` tells whether the PC's monotonic clock goes on meanwhile: it does when a program is stopped, and
    does not when a machine is suspended.
    """

    def __init__(self, bench, *, counted, for_ns=5 * S, at_ns=4 * S):
        super().__init__(bench)
        self.counted, self.for_ns, self.at_ns = counted, for_ns, at_ns
        self.away = 0
        self.has_slept = False
        self.woken = []

    def now_ns(self):
        return self.inner.now_ns() - self.away

    def send(self, role, data):
        if self.has_slept:
            self.woken.append(parse(decode_piece(data[:-1])))
        return self.inner.send(role, data) - self.away

    def advance(self, until_ns):
        if self.has_slept or self.now_ns() < self.at_ns:
            chunks = self.inner.advance(until_ns + self.away)
            return [Chunk(role, data, at - self.away) for role, data, at in chunks]
        self.has_slept = True
        woken = self.inner.now_ns() + self.for_ns
        chunks = self.inner.advance(woken)
        self.away = 0 if self.counted else self.for_ns
        return [Chunk(role, data, woken - self.away) for role, data, _ in chunks]


class Ran:
    """A run of the plan over a bench, with its judgement."""

    def __init__(self, monkeypatch, around, seed=7):
        plan = parse_plan(PLAN, "plan.yaml")
        request = Request(plan=plan, file="plan.yaml", rig=find_rig("ideal-mock"), seed=seed)
        self.file = io.BytesIO()
        with closing(open_for(request)) as inner:
            self.bench = around(inner)
            monkeypatch.setattr("harness.clock.slept_ns", lambda: getattr(self.bench, "away", 0))
            writer = RecordingWriter(self.file, header_for(request, self.bench), self.bench.now_ns())
            self.end = Runner(self.bench, writer, plan, Quiet()).run(timeline_for(request))
            writer.close()
        self.recording = parse_recording(self.file.getvalue(), "x")
        self.outcome = judge_recording(self.recording)
        self.results = {one.name: one for one in self.outcome.judgement.results}

    def to(self, role):
        port = self.recording.ports[role]
        rows = zip(port.at_ns, port.direction, port.data, strict=True)
        return [(at, parse(decode_piece(data[:-1]))) for at, way, data in rows if way == Direction.TO_DEVICE]


@pytest.mark.parametrize("counted", [True, False], ids=["stopped", "suspended"])
@pytest.mark.parametrize("for_ns", [1500 * MS, 5 * S, 60 * S])
def test_a_run_that_the_pc_slept_through_ends_with_the_throttle_closed_and_no_failed_link(
    monkeypatch, counted, for_ns
):
    run = Ran(monkeypatch, lambda bench: Sleeps(bench, counted=counted, for_ns=for_ns))
    assert run.end.why == "PC asleep"
    assert f"for {for_ns / S:.1f} s" in run.end.detail
    assert run.results["bench"].verdict is Verdict.INCONCLUSIVE
    assert "PC asleep" in run.results["bench"].reason
    assert Verdict.FAIL not in {one.verdict for one in run.results.values()}, run.results
    later = [part.pulses_us[0] for part in run.bench.woken if isinstance(part, m.Sticks)]
    assert set(later) == {1000}  # no backlog: nothing but sticks at rest
    for role in DEVICES:
        assert isinstance(run.to(role)[-1][1], m.Release)


def test_a_stall_that_devices_may_notice_too_is_left_to_the_checks(monkeypatch):
    """The near-miss: the run goes on, and what the devices did meanwhile is no fault of the link."""
    run = Ran(monkeypatch, lambda bench: Sleeps(bench, counted=True, for_ns=900 * MS))
    assert run.end.why == "complete"
    assert Verdict.FAIL not in {one.verdict for one in run.results.values()}


class GoesBack(Real):
    """A bench whose clock steps back once."""

    away = 0

    def now_ns(self):
        now = self.inner.now_ns()
        if now > 4 * S:
            self.away = 2 * S
        return now - self.away

    def send(self, role, data):
        return self.inner.send(role, data) - self.away

    def advance(self, until_ns):
        chunks = self.inner.advance(until_ns + self.away)
        return [Chunk(role, data, at - self.away) for role, data, at in chunks]


def test_a_clock_that_goes_back_in_a_run_is_bench_trouble_and_the_throttle_is_closed(monkeypatch):
    run = Ran(monkeypatch, GoesBack)
    assert run.end.why == "error"
    assert "monotonic clock went back" in run.end.detail
    assert run.results["bench"].verdict is Verdict.ERROR
    assert Verdict.FAIL not in {one.verdict for one in run.results.values()}, run.results
    sticks = [part for _, part in run.to(TX) if isinstance(part, m.Sticks)]
    assert sticks[-1].pulses_us[0] == 1000
    assert isinstance(run.to(TX)[-1][1], m.Release)


class WallTime:
    """Stands in for the `time` module at its edge to the system: a wall clock that somebody sets."""

    def __init__(self, real, steps):
        self._real, self._steps = real, steps
        self.read = 0

    def __getattr__(self, name):
        return getattr(self._real, name)

    def time(self):
        self.read += 1
        return 1_800_000_000 + self._steps * 86_400 * (-1) ** self.read


@pytest.mark.parametrize("steps", [1, 400])
def test_a_wall_clock_that_is_set_changes_the_label_and_nothing_else(monkeypatch, steps):
    plain = Ran(monkeypatch, Real)
    wall = WallTime(clock_module.time, steps)
    monkeypatch.setattr(clock_module, "time", wall)
    run = Ran(monkeypatch, Real)
    assert wall.read == 1
    assert run.recording.ports == plain.recording.ports
    assert run.recording.marks == plain.recording.marks
    told = [verdict_document(outcome) for outcome in (run.outcome, plain.outcome)]
    assert told[0].pop("started") != told[1].pop("started")
    assert told[0] == told[1]
    assert replace(run.recording.header, wall_seconds=0) == replace(plain.recording.header, wall_seconds=0)


def test_only_the_header_of_a_recording_takes_the_wall_time():
    assert running.wall_seconds is clock_module.wall_seconds

"""The harness writes down how late its messages left and what the lines suffered, on real ports only."""

import gc

import pytest
from test_cli import TINY
from test_runner import Run

from harness import running
from harness.bench.protocol import Role
from harness.bench.rig import find_rig
from harness.clock import US
from harness.lateness import MARK, all_together, read_lateness
from harness.plan import model as p
from harness.plan.reader import parse_plan
from harness.recording import parse_recording
from harness.report.folder import RunFolder
from harness.report.live import Quiet

LATE_NS = 120 * US
STEPS = (p.Wait(until="linked", deadline_ns=3_000_000_000), p.Wander(for_ns=2_000_000_000), p.Settle())


class Real:
    """A simulated bench that says it is real, stamps each sending late, and counts trouble on a line."""

    is_virtual = False
    is_hardware = True

    def __init__(self, inner):
        self.inner = inner

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def send(self, role, data):
        return self.inner.send(role, data) + LATE_NS

    def line_errors(self):
        return {Role.TRANSMITTER: {}, Role.RECEIVER: {"overruns": 2, "breaks": 0}}


def marks(run, kind):
    return [mark for mark in parse_recording(run.data, "x").marks if mark.kind == kind]


def test_each_step_says_how_late_its_messages_left():
    run = Run(*STEPS, around=Real)
    found = marks(run, MARK)
    paths = [mark.fields["path"] for mark in marks(run, "step end")]
    assert {mark.fields["path"] for mark in found} <= set(paths)
    late = all_together(read_lateness(mark.fields) for mark in found)
    assert late.count >= 100  # the wander alone has 50 positions a second for 2 s
    assert LATE_NS <= late.quantile_ns(0.5) <= 1.2 * LATE_NS


def test_the_system_s_counts_stand_before_the_end():
    run = Run(*STEPS, around=Real)
    (mark,) = marks(run, "line errors")
    assert mark.fields == {"role": "receiver", "counts": {"overruns": 2, "breaks": 0}}
    kinds = [mark.kind for mark in parse_recording(run.data, "x").marks if mark.kind != "written"]
    assert kinds[-2:] == ["line errors", "end"]


def test_a_simulation_is_never_late_and_its_recordings_say_nothing_of_it():
    run = Run(*STEPS)
    assert marks(run, MARK) == marks(run, "line errors") == []


@pytest.mark.parametrize("was_on", [True, False])
def test_the_collector_rests_while_a_run_goes_on(was_on):
    class Looks(Quiet):
        def update(self, snapshot):
            seen.append(gc.isenabled())

    seen = []
    before = gc.isenabled()
    try:
        (gc.enable if was_on else gc.disable)()
        Run(*STEPS, observer=Looks())
        assert gc.isenabled() == was_on
    finally:
        (gc.enable if before else gc.disable)()
    assert set(seen) == {False}


class Says(Quiet):
    def __init__(self):
        self.lines = []

    def say(self, line):
        self.lines.append(line)


@pytest.mark.parametrize(
    ("told", "lines"),
    [("refused: errno 1, Operation not permitted", 1), ("real time, round robin, priority 1", 0)],
)
def test_what_the_system_refuses_is_said_before_the_run(tmp_path, monkeypatch, told, lines):
    class Asked(Real):
        @property
        def facts(self):
            return dict(self.inner.facts) | {"scheduling": told}

    asked = []

    def open_bench(*given, real_time, **named):
        asked.append(real_time)
        return Asked(opened(*given, **named))

    opened = running.open_bench
    monkeypatch.setattr(running, "open_bench", open_bench)
    plan = parse_plan(TINY, "tiny.yaml")
    request = running.Request(plan=plan, file="tiny.yaml", rig=find_rig("mock"), seed=7, real_time=True)
    observer = Says()
    with RunFolder.create(tmp_path / "out") as folder:
        ran = running.run(request, folder, observer)
    assert asked == [True]
    assert sum("real-time scheduling refused" in line for line in observer.lines) == lines
    assert ran.outcome.header.facts["scheduling"] == told
    assert any(section.key == "lines" for section in ran.outcome.judgement.sections)

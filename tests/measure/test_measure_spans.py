"""Steps from marks, cuts and restarts from commands."""

from dataclasses import replace

import pytest
from scenario import RUN_NS, RX, START_NS, TX, Reset, Scenario, Silence, plan_for

from harness.bench.protocol import Role
from harness.clock import MS, US, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.spans import (
    StepSpan,
    come_back_ns,
    link_waits,
    looked_at,
    losing_spans,
    step_at,
    step_paths,
    whole_run,
)
from harness.plan import model as p


def evidence(scenario):
    return gather(scenario.plan, scenario.recording())


def stepped(**fields):
    """A run of four one-second steps, two of them called `a`."""
    steps = [
        p.PlanStep(action=p.Hold(for_ns=S), name=name, path=f"steps[{n}]") for n, name in enumerate("abc")
    ]
    scenario = Scenario(plan=plan_for(steps=steps), **fields)
    for place, (path, name) in enumerate((("0", "a"), ("1", "b"), ("0", "a"), ("2", "c"))):
        start = RUN_NS + place * S
        scenario.mark(start, "step", path=f"steps[{path}]", kind="hold", name=name, title=name)
        scenario.mark(start + S - 1, "step end", path=f"steps[{path}]")
    return scenario


def test_a_repeated_step_has_a_span_for_each_pass():
    found = evidence(stepped())
    assert [(span.name, (span.start_ns - RUN_NS) // S) for span in found.steps] == [
        ("a", 0),
        ("b", 1),
        ("a", 2),
        ("c", 3),
    ]
    assert found.spans(("a",)).tolist() == [[RUN_NS, RUN_NS + S - 1], [RUN_NS + 2 * S, RUN_NS + 3 * S - 1]]


def test_the_whole_run_goes_from_the_first_step_to_the_last():
    found = evidence(stepped())
    assert found.spans().tolist() == [[RUN_NS, RUN_NS + 4 * S - 1]]
    assert found.run.seconds == pytest.approx(4.0)


def test_a_step_that_never_ended_ends_with_the_data():
    scenario = Scenario(end_why=None)
    scenario.mark(RUN_NS, "step", path="steps[0]", kind="hold", name="go", title="go")
    found = evidence(scenario)
    assert found.run.end_ns == found.data_end_ns
    assert found.end.why == "cut short"


def test_a_repeat_stands_for_the_steps_in_it():
    inner = p.PlanStep(action=p.Hold(for_ns=S), name="inner", path="steps[0].repeat.steps[0]")
    outer = p.PlanStep(action=p.Repeat(times=2, steps=(inner,)), name="outer", path="steps[0]")
    scenario = Scenario(plan=plan_for(steps=[outer]))
    scenario.mark(RUN_NS, "step", path=inner.path, kind="hold", name="inner", title="")
    scenario.mark(RUN_NS + S, "step end", path=inner.path)
    found = evidence(scenario)
    assert step_paths(found.plan, ("inner",)) == (inner.path,)
    assert looked_at(found.plan, found.run, found.steps, ("outer",)).tolist() == [[RUN_NS, RUN_NS + S]]


def test_without_steps_there_is_no_run():
    assert whole_run(()).seconds == 0


def test_marks_that_are_not_ours_are_ignored():
    scenario = Scenario()
    scenario.mark(RUN_NS + S, "step", path=7)
    scenario.mark(RUN_NS + S, "step end", path=["steps"])
    scenario.mark(RUN_NS + S, "?", odd=None)
    assert len(evidence(scenario).steps) >= 0


def test_a_cut_lies_between_the_last_packet_before_it_and_the_first_after():
    cut = Silence(RUN_NS + S, 700 * MS, delay_ns=13 * MS)
    found = evidence(Scenario(silences=[cut])).cuts[0]
    assert (found.start_ns, found.duration_ns) == (RUN_NS + S + 13 * MS, 700 * MS)
    assert found.first_sent == found.last_sent + 1
    assert found.held
    assert found.until_ns == pytest.approx(RUN_NS + 1720 * MS + 2 * MS, abs=200 * US)


def test_a_transmitter_that_keeps_sending_was_not_cut():
    found = evidence(Scenario(silences=[Silence(RUN_NS + S, 700 * MS)], silent=False))
    assert [cut.held for cut in found.cuts] == [False]


def test_a_release_ends_a_cut_early():
    scenario = Scenario(silences=[Silence(RUN_NS + 3 * S, 10 * S)], seconds=4.0)
    scenario.tell(TX, wire.Release(), RUN_NS + 4 * S)
    found = evidence(scenario).cuts[0]
    assert found.end_ns == RUN_NS + 4 * S
    assert (found.first_sent, found.first_applied) == (-1, -1)


def test_a_cut_ends_where_the_next_begins():
    found = evidence(
        Scenario(silences=[Silence(RUN_NS + S, 500 * MS), Silence(RUN_NS + 1510 * MS, 500 * MS)])
    )
    assert found.cuts[0].until_ns <= found.cuts[1].command_ns


@pytest.mark.parametrize("role", [TX, RX])
def test_a_restart_ends_with_the_first_packet_applied_after_it(role):
    reset = Reset(role, RUN_NS + S + 7 * MS, down_ns=300 * MS)
    found = evidence(Scenario(resets=[reset])).restarts
    assert [(span.role, span.start_ns) for span in found] == [(role, reset.at_ns)]
    assert reset.back_ns <= found[0].end_ns <= reset.back_ns + 23 * MS


def test_a_device_that_does_not_come_back_is_excused_for_as_long_as_the_plan_says():
    restart = p.PlanStep(
        action=p.Restart(device=Role.RECEIVER, after_ns=1500 * MS), name="again", path="steps[0]"
    )
    plan = plan_for(steps=[restart])
    found = evidence(Scenario(plan=plan, resets=[Reset(RX, RUN_NS + S, down_ns=60 * S)]))
    assert come_back_ns(plan, Role.RECEIVER) == 1500 * MS
    assert [(span.end_ns - span.start_ns, span.frame) for span in found.restarts] == [(1500 * MS, -1)]
    assert come_back_ns(plan, Role.TRANSMITTER) == 2 * S


def test_a_wait_for_the_link_right_behind_a_restart_gives_it_time_if_nothing_else_does():
    def given(*actions):
        steps = [p.PlanStep(action, f"{n}", f"steps[{n}]") for n, action in enumerate(actions)]
        return come_back_ns(plan_for(steps=steps), Role.RECEIVER)

    restart = p.Restart(device=Role.RECEIVER, after_ns=0)
    assert given(restart, p.Wait(until="linked", deadline_ns=5 * S)) == 5 * S
    assert given(restart, p.Wait(until="failsafe", deadline_ns=5 * S)) == 0
    assert given(restart, p.Settle(), p.Wait(until="linked", deadline_ns=5 * S)) == 0
    inner = p.PlanStep(restart, "r", "steps[0].repeat.steps[0]")
    assert given(p.Repeat(times=2, steps=(inner,)), p.Wait(until="linked", deadline_ns=3 * S)) == 3 * S
    assert given(replace(restart, silent_ns=S, after_ns=S), p.Wait(until="linked")) == 2 * S


def test_how_the_run_ended_is_read_from_its_mark():
    scenario = Scenario(end_why=None)
    scenario.mark(
        START_NS + 3 * S,
        "end",
        why="port gone",
        detail="no such device",
        role="receiver",
        port="/dev/ttyUSB1",
    )
    end = evidence(scenario).end
    assert (end.why, end.role, end.port, end.detail) == (
        "port gone",
        "receiver",
        "/dev/ttyUSB1",
        "no such device",
    )


def test_a_port_that_leaves_pings_unanswered_has_gone_quiet():
    muted = Scenario(drop=lambda role, place, message: role == RX and place > 150)
    assert evidence(muted).quiet == (Role.RECEIVER,)
    assert evidence(Scenario()).quiet == ()


def test_steps_that_lose_on_purpose_and_waits_for_the_link_are_found_in_repeats_too():
    inner = (
        p.PlanStep(p.Wait(until="linked"), "wait", "steps[0].repeat.steps[0]"),
        p.PlanStep(p.Overload(), "push", "steps[0].repeat.steps[1]"),
        p.PlanStep(p.Wait(until="failsafe"), "other", "steps[0].repeat.steps[2]"),
    )
    plan = plan_for(steps=[p.PlanStep(p.Repeat(times=1, steps=inner), "outer", "steps[0]")])
    spans = tuple(StepSpan(step.path, step.name, place, place + 1) for place, step in enumerate(inner))
    assert link_waits(plan, spans).tolist() == [[0, 1]]
    assert losing_spans(plan, spans).tolist() == [[1, 2]]
    assert losing_spans(plan, ()).shape == link_waits(plan, ()).shape == (0, 2)


@pytest.mark.parametrize(
    ("at", "path"), [(5, ""), (10, "steps[0]"), (25, "steps[0].repeat.steps[0]"), (45, "steps[0]"), (61, "")]
)
def test_the_step_at_a_time_is_the_innermost_one(at, path):
    steps = (StepSpan("steps[0]", "all", 10, 60), StepSpan("steps[0].repeat.steps[0]", "one", 20, 40))
    assert step_at(steps, at) == path


def test_a_silent_restart_is_given_the_time_of_its_silence_too():
    steps = [p.PlanStep(action=p.Restart(device=RX, after_ns=2 * S, silent_ns=S), name="r", path="steps[0]")]
    assert come_back_ns(plan_for(steps=steps), RX) == 3 * S


def test_a_restart_at_given_counters_is_a_restart():
    found = evidence(Scenario(resets=[Reset(TX, RUN_NS + S, packet=65_500, clock_us=2**32 - 1)]))
    assert [(span.role, span.frame >= 0) for span in found.restarts] == [(TX, True)]
    assert found.sent.number.max() == 65_535

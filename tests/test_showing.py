"""The harness tells a display where a run is, what comes next, and how long it takes at most."""

import io
from dataclasses import replace
from fractions import Fraction

import pytest
from live_runs import UP, Hardware, Watcher, shot_at, watched
from test_runner import HEADER, LINK, Run
from test_timeline import plan_of

from harness.clock import MS, S
from harness.extending import Rounds
from harness.plan import model as p
from harness.recording import RecordingWriter, parse_recording
from harness.runner import Runner
from harness.showing import CTRL_C
from harness.soaking import SoakRounds
from harness.timeline import build_timeline
from mocks.bench import open_virtual
from mocks.settings import MockSettings


def test_counts_steps_as_a_person_does():
    _, watcher = watched(p.Settle(), p.Cut(duration_ns=700 * MS, times=3), p.Settle(for_ns=2 * S))
    rows = dict.fromkeys(
        (shot.step_index, shot.steps_total, shot.part, shot.next_title) for shot in watcher.shots
    )
    cut = "link cut for 700 ms"
    assert list(rows) == [
        (0, 4, (1, 1), "every stick at rest"),
        (1, 4, (1, 1), cut),
        (2, 4, (1, 3), "every stick at rest"),
        (2, 4, (2, 3), "every stick at rest"),
        (2, 4, (3, 3), "every stick at rest"),
        (3, 4, (1, 1), ""),
    ]


def test_the_steps_of_a_repeat_are_each_told():
    inner = (
        p.PlanStep(p.Settle(), "rest", "steps[1].steps[0]"),
        p.PlanStep(p.Corners(), "c", "steps[1].steps[1]"),
    )
    _, watcher = watched(p.Repeat(times=3, steps=inner))
    titles = list(dict.fromkeys((shot.step_index, shot.step_title.split()[0]) for shot in watcher.shots))
    assert [title for _, title in titles[1:]] == ["every", "6"] * 3 or len(titles) == 7


def test_the_time_to_the_end_is_at_most_that_while_a_wait_is_ahead():
    _, watcher = watched(p.Settle(for_ns=2 * S), p.Wait(until="packets", packets=10), p.Settle(for_ns=2 * S))
    words = list(dict.fromkeys((shot.step_index, shot.left_word) for shot in watcher.shots))
    assert words == [(0, "at most"), (1, "at most"), (2, "at most"), (3, "")]
    last = [shot for shot in watcher.shots if shot.step_index == 3]
    for shot in last:
        assert shot.left_ns <= 2 * S
        assert shot.left_ns >= 0


def test_a_hand_takes_its_time():
    settings = MockSettings(switches=True)
    _, watcher = watched(p.Cut(duration_ns=S, by="power"), settings=settings)
    assert {shot.left_word for shot in watcher.shots} == {"about"}


def test_the_link_s_state_and_since_when():
    _, watcher = watched(p.Settle(for_ns=3 * S), p.Cut(duration_ns=2 * S))
    linked = shot_at(watcher, 2 * S)
    assert linked.link_state == "linked"
    assert S < linked.link_for_ns <= linked.elapsed_ns
    states = list(dict.fromkeys(shot.link_state for shot in watcher.shots))
    assert [state for state in states if state != "searching"] == ["linked", "lost", "failsafe"]
    for shot in watcher.shots:
        if shot.link_state == "lost":
            assert shot.link_for_ns < 500 * MS


def rounds_of(plan, rounds_for):
    """Play a plan in rounds; `rounds_for` gets the plan and what reads the recording back."""
    bench, file, watcher = open_virtual(LINK, MockSettings(), 7), io.BytesIO(), Watcher()
    writer = RecordingWriter(file, replace(HEADER, baud=dict(bench.baud)), 0)
    rounds = rounds_for(plan, lambda: parse_recording(file.getvalue(), "x"))
    Runner(bench, writer, plan, watcher).run(build_timeline(plan, 7), rounds)
    return watcher


def test_further_rounds_count_until_nobody_needs_them():
    """All rounds that there may be stand in the time at the start, and each that is played takes its part."""
    check = p.PlanCheck(p.Delivery(at_least=Fraction(9999, 10_000)), "delivery", "checks[0]")
    plan = replace(plan_of(p.Settle(for_ns=10 * S), extend=p.Extend(up_to_ns=40 * S)), checks=(check,))
    watcher = rounds_of(plan, lambda plan, read: Rounds(plan, 7, Fraction(1), read))
    assert (watcher.shots[0].left_ns, watcher.shots[0].left_word) == (40 * S, "at most")
    assert (watcher.shots[-1].left_ns, watcher.shots[-1].left_word) == (0, "")
    wholes = [shot.elapsed_ns + shot.left_ns for shot in watcher.shots]
    assert max(wholes) <= 44 * S, "pauses between rounds take a little time"
    assert any(shot.note.startswith("round 2 of at most 4") for shot in watcher.shots)


def test_a_soak_takes_about_as_long_as_it_says():
    plan = plan_of(p.Settle(for_ns=10 * S), soak=p.Soak(for_ns=60 * S))
    watcher = rounds_of(plan, lambda plan, _: SoakRounds(plan, 7, Fraction(1)))
    assert {shot.left_word for shot in watcher.shots} == {"about"}
    assert watcher.shots[0].left_ns == pytest.approx(60 * S, abs=S)
    assert watcher.shots[-1].elapsed_ns >= 60 * S


def test_safety_is_told_on_real_ports_alone():
    _, simulated = watched(p.Settle())
    _, real = watched(p.Settle(), around=Hardware)
    assert {shot.safety for shot in simulated.shots} == {""}
    assert {shot.safety for shot in real.shots} == {CTRL_C}


def test_a_display_that_is_not_due_hears_of_steps_and_alarms_alone():
    class Seldom(Watcher):
        def is_due(self):
            return False

    seldom = Seldom()
    Run(UP, p.Wander(for_ns=10 * S), p.Settle(), observer=seldom)
    assert [shot.step_index for shot in seldom.shots] == [0, 1, 2]
    alarmed = Seldom()
    Run(
        UP,
        p.Wander(for_ns=10 * S),
        observer=alarmed,
        settings=MockSettings(block_every_ns=4 * S, block_for_ns=300 * MS),
    )
    assert alarmed.words
    assert 2 < len(alarmed.shots) < 15


def test_an_observer_of_two_methods_is_told_everything():
    class Plain:
        def __init__(self):
            self.shots = []

        def update(self, snapshot):
            self.shots.append(snapshot)

        def say(self, line):
            raise AssertionError(line)

    plain = Plain()
    Run(UP, p.Wander(for_ns=3 * S), observer=plain)
    assert len(plain.shots) > 15

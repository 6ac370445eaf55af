"""The harness knows how long a plan can get without carrying it out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.plan import model as p
from harness.plan.extent import MOST_CORNERS, count_steps, most_trials, stairs, step_extent_ns, total_ns
from harness.timeline import build_timeline, pairwise_ends

LINK = p.Link(
    packet_rate_mhz=50_000,
    channels=(
        p.Channel("roll", failsafe="centre"),
        p.Channel("throttle", role="throttle", failsafe="low"),
        p.Channel("tilt", range=p.Range(1100, 1905), resolution_us=10, failsafe="hold"),
    ),
    failsafe=p.Failsafe(within_ns=500 * MS),
    telemetry=(p.TelemetryField("supply", type="u16"),),
)
ACTIONS = (
    p.Settle(for_ns=3 * S),
    p.Hold(for_ns=2 * S),
    p.Step(channel="roll", dwell_ns=300 * MS, times=4),
    p.Ramp(channel="roll", over_ns=5 * S),
    p.Sweep(period_ns=2 * S, cycles=3),
    p.Sweep(channels=("roll",), shape="sine", period_ns=S),
    p.Sweep(shape="staircase", cycles=2),
    p.Sweep(channels=("tilt",), shape="staircase", from_us=1200, to_us=1300, dwell_ns=30 * MS),
    p.Corners(),
    p.Wander(for_ns=7 * S),
    p.Burst(count=5, spacing_ns=0, times=3),
    p.Burst(count=5, spacing_ns=20 * MS, pause_ns=0),
    p.Cut(duration_ns=700 * MS, times=3),
    p.Cut(duration_ns=700 * MS, phase=5 * MS),
    p.Wait(until="linked"),
    p.Restart(device=Role.RECEIVER, times=2),
    p.Inject(times=5),
    p.Margin(by="power", from_x10=0, to_x10=-300),
    p.Margin(by="hand", from_x10=0, to_x10=301, packets=50),
    p.Cut(duration_ns=700 * MS, times=3, by="deaf", sticks="ends"),
    p.Cut(duration_ns=700 * MS, burst=16, by="foreign"),
    p.Fade(over_ns=5 * S, duration_ns=2 * S, times=3),
    p.Fade(over_ns=100 * MS, duration_ns=2 * S, before_ns=0),
    p.Mute(for_ns=S, times=3),
    p.Interfere(for_ns=S, times=3, pause_ns=0),
    p.Restart(device=Role.RECEIVER, silent_ns=S, times=2),
    p.Restart(device=Role.TRANSMITTER, clock_wraps_in_ns=S, packets_wrap_in=20),
    p.Sweep(shape="staircase", together=True, cycles=2),
    p.Sweep(shape="sine", together=True, period_ns=S, cycles=3),
)


def steps_of(*actions: p.StepAction) -> tuple[p.PlanStep, ...]:
    return tuple(p.PlanStep(action, f"{action.WORD} {n}", f"steps[{n}]") for n, action in enumerate(actions))


def timeline_of(*actions: p.StepAction):
    plan = p.Plan("x", "", format=1, title="x", link=LINK, steps=steps_of(*actions), checks=())
    return build_timeline(plan, 7)


@pytest.mark.parametrize("action", ACTIONS, ids=lambda action: action.WORD)
def test_bounds_the_time_that_a_step_really_takes(action: p.StepAction) -> None:
    bound, took = step_extent_ns(action, LINK), timeline_of(action).length_ns
    slack = {
        "corners": MOST_CORNERS * 500 * MS,
        "cut": 3 * LINK.packet_period_ns,
        "fade": 3 * LINK.packet_period_ns,
    }.get(action.WORD, 0)
    assert took <= bound <= took + slack


@pytest.mark.parametrize("action", ACTIONS, ids=lambda action: action.WORD)
def test_counts_the_segments_that_a_step_really_makes(action: p.StepAction) -> None:
    assert count_steps(steps_of(action), LINK) == len(timeline_of(action).segments)


def test_counts_a_repeated_step_as_often_as_it_is_carried_out() -> None:
    inner = p.Repeat(times=3, steps=steps_of(p.Settle(for_ns=S), p.Cut(duration_ns=S, times=2)))
    outer = p.Repeat(times=2, steps=steps_of(inner, p.Settle(for_ns=S)))
    timeline = timeline_of(outer)
    assert count_steps(steps_of(outer), LINK) == len(timeline.segments) == 2 * (3 * (1 + 2) + 1)
    assert (
        timeline.length_ns
        <= total_ns(steps_of(outer), LINK)
        <= timeline.length_ns + 12 * LINK.packet_period_ns
    )


def test_tells_astronomic_repeats_without_carrying_them_out() -> None:
    action: p.StepAction = p.Settle(for_ns=S)
    for _ in range(12):
        action = p.Repeat(times=10_000, steps=steps_of(action))
    assert count_steps(steps_of(action), LINK) == 10**48
    assert total_ns(steps_of(action), LINK) == 10**57


def test_allows_corners_enough_rows_for_the_most_channels() -> None:
    assert len(pairwise_ends(16)) == MOST_CORNERS


def test_counts_the_stairs_within_both_ends() -> None:
    tilt = LINK.channels[2]
    assert stairs(p.Sweep(), tilt) == 81  # 1100, 1110 ... 1900
    assert stairs(p.Sweep(from_us=1200, to_us=1200), tilt) == 1
    assert stairs(p.Sweep(from_us=1300, to_us=1200), tilt) == 0


def test_counts_the_trials_that_a_run_can_have_with_repeats_and_rounds() -> None:
    bursts = p.FindBackToBack(up_to=8, repeats=3)  # 3 searches of 1 + 3 questions, and 2 spares
    steps = (p.PlanStep(bursts, "a", "steps[0].repeat.steps[0]"), p.PlanStep(p.Settle(), "b", "b"))
    twice = p.PlanStep(p.Repeat(times=2, steps=steps), "r", "steps[0]")
    steps = (twice, p.PlanStep(p.Overload(times=5), "o", "o"))
    plan = p.Plan("x", "x", format=1, title="x", link=LINK, steps=steps, checks=())
    assert most_trials(plan) == 2 * 14 + 5
    assert most_trials(replace(plan, extend=p.Extend())) == 8 * (2 * 14 + 5)


def test_every_step_is_met_once_those_inside_a_repeat_after_it() -> None:
    def step(name: str, *inner: p.PlanStep) -> p.PlanStep:
        return p.PlanStep(p.Repeat(times=9, steps=inner) if inner else p.Settle(), name, name)

    steps = (step("a", step("b", step("c")), step("d")), step("e"))
    assert [each.name for each in p.every_step(steps)] == list("abcde")

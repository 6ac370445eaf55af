"""The harness refuses margin steps that cannot be carried out or judged."""

from __future__ import annotations

import pytest
from plan_samples import complaint, read

from harness.plan import model as p

STEP = "  - settle: 1 s\n"
CHECK = "  - failsafe_entry\n"
GOOD = "  - margin: {by: power, from: 0 dBm, to: -30 dBm}\n"


def with_step(step: str, check: str = "  - link_margin\n") -> tuple[tuple[str, str], ...]:
    return (STEP, STEP + step), (CHECK, CHECK + check)


def test_reads_levels_in_tenths() -> None:
    plan = read(*with_step("  - margin: {by: hand, from: 0 dB, to: 60 dB, step: 2.5 dB, distance: 2 m}\n"))
    step = plan.steps[1].action
    assert isinstance(step, p.Margin)
    assert (step.levels_x10[:3], len(step.levels_x10)) == ((0, 25, 50), 25)
    assert (step.normal, step.unit, step.distance_mm) == (0, "dB", 2_000)
    rule = plan.checks[2].rule
    assert isinstance(rule, p.LinkMargin)
    assert (rule.at_least_x10, rule.level_error_x10) == (100, 10)


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ("{by: hand, from: 0 dB, to: 60 dBm}", "steps[1].margin.to: 60 dBm with by: hand; write dB, such as"),
        (
            "{by: power, from: 0 dB, to: -30 dBm}",
            "steps[1].margin.from: 0 dB with by: power; write dBm, such as",
        ),
        (
            "{by: power, from: 0 dBm, to: -30 dBm, normal: 3 dB}",
            "steps[1].margin.normal: 3 dB with by: power; write dBm, such as",
        ),
        (
            "{by: power, from: -30 dBm, to: 0 dBm}",
            "steps[1].margin.to: 0 dBm does not weaken the link; write a lower level than `from`, such as",
        ),
        (
            "{by: hand, from: 60 dB, to: 0 dB}",
            "steps[1].margin.to: 0 dB does not weaken the link; write a higher level than `from`, such as",
        ),
        (
            "{by: hand, from: -3 dB, to: 30 dB}",
            "steps[1].margin: an attenuation below 0 dB; write 0 dB or more",
        ),
        (
            "{by: power, from: 0 dBm, to: -30 dBm, step: 20 dB}",
            "steps[1].margin.step: 2 levels from first to last; from 3 to 200 levels, such as",
        ),
        (
            "{by: power, from: 0 dBm, to: -30 dBm, step: 0.1 dB}",
            "steps[1].margin.step: 301 levels from first to last; from 3 to 200 levels, such as",
        ),
        (
            "{by: power, from: 0 dBm, to: -30 dBm, patience: 5 s}",
            "steps[1].margin.patience: `patience` with by: power; it belongs to by: hand; leave it out",
        ),
        ("{by: power, from: 0 dBm, to: -30}", "steps[1].margin.to: '-30' has no unit; write -30 dBm"),
    ],
)
def test_refuses_a_step_that_does_not_weaken_the_link(step: str, words: str) -> None:
    assert words in complaint(*with_step(f"  - margin: {step}\n"))


def test_refuses_a_margin_check_without_a_margin_step() -> None:
    assert "link_margin without a margin step; add one, such as" in complaint(
        (CHECK, CHECK + "  - link_margin\n")
    )


def test_refuses_to_join_steps_that_are_no_one_measurement() -> None:
    hand = "  - margin: {by: hand, from: 0 dB, to: 60 dB}\n    name: attenuator\n"
    found = complaint(*with_step(GOOD + hand))
    assert "margin steps with different `by`, `normal` or `in_line` cannot be one measurement" in found
    assert read(*with_step(GOOD + hand, "  - link_margin: {during: [attenuator]}\n"))
    assert read(*with_step(GOOD + GOOD))


@pytest.mark.parametrize(
    ("step", "most", "beyond", "words"),
    [
        ("by: power, from: 0 dBm, to: -30 dBm", "30 dB", "30.1 dB", "ends at -30 dBm, 30 dB weaker than in"),
        ("by: power, from: 0 dBm, to: -30 dBm, in_line: 20 dB", "50 dB", "51 dB", "-30 dBm, 50 dB weaker"),
        ("by: power, from: 0 dBm, to: -31 dBm", "30 dB", "31 dB", "ends at -30 dBm, 30 dB weaker than in"),
        ("by: hand, from: 0 dB, to: 60 dB, normal: 10 dB", "50 dB", "51 dB", "ends at 60 dB, 50 dB weaker"),
    ],
)
def test_refuses_a_margin_beyond_the_weakest_level(step: str, most: str, beyond: str, words: str) -> None:
    found = complaint(*with_step(f"  - margin: {{{step}}}\n", f"  - link_margin: {{at_least: {beyond}}}\n"))
    assert "checks[2].link_margin.at_least: the margin step " in found
    assert words in found
    assert f"at most {most}, or a weaker `to`" in found
    assert read(*with_step(f"  - margin: {{{step}}}\n", f"  - link_margin: {{at_least: {most}}}\n"))


def test_refuses_a_margin_check_that_names_no_margin_step() -> None:
    found = complaint(*with_step(GOOD, "  - link_margin: {during: [settle]}\n"))
    assert found.endswith("during: no margin step is among these; name one, or leave it out")
    assert read(*with_step(GOOD, "  - link_margin: {during: [settle, margin]}\n"))
    inside = "  - repeat: {times: 2, steps: [{margin: {by: power, from: 0 dBm, to: -30 dBm}}]}\n"
    assert read(*with_step(inside, "  - link_margin: {during: [repeat]}\n"))

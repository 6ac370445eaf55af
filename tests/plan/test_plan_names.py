"""The harness calls every step and check by a name of its own."""

from __future__ import annotations

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st
from plan_samples import SMALL, complaints, read, spoiled

from harness.plan.names import free_name, step_names
from harness.plan.reader import parse_plan

STEPS = "  - settle: 1 s\n"


def names(steps: str) -> list[str]:
    return list(step_names(parse_plan(spoiled((STEPS, steps)), "small.yaml").steps))[:-3]


def test_calls_a_step_by_its_word_and_numbers_the_next() -> None:
    assert names("  - settle\n  - corners\n  - settle\n  - settle\n") == [
        "settle",
        "corners",
        "settle 2",
        "settle 3",
    ]


def test_leaves_a_name_to_the_step_that_gives_it_itself() -> None:
    steps = "  - settle\n  - settle\n  - {corners: , name: settle}\n  - {corners: , name: settle 3}\n"
    assert names(steps) == ["settle 2", "settle 4", "settle", "settle 3"]


def test_names_steps_inside_a_repeat_in_the_same_row() -> None:
    steps = "  - settle\n  - repeat: {times: 2, steps: [settle, {corners: , name: here}]}\n  - settle\n"
    assert names(steps) == ["settle", "repeat", "settle 2", "here", "settle 3"]


def test_names_checks_apart_from_steps() -> None:
    plan = read(("  - no_glitch: {}", "  - no_glitch: {}\n  - no_glitch\n  - {fidelity: , name: cut}"))
    assert [check.name for check in plan.checks[2:]] == ["no_glitch", "no_glitch 2", "cut", "bench"]


def test_refuses_a_name_that_two_steps_give_themselves() -> None:
    text = spoiled((STEPS, "  - {settle: , name: elevon sweep}\n"))
    told = "steps[1].name: the name 'elevon sweep' stands twice, first in steps[0]; give each its own"
    assert complaints(text) == [f"small.yaml:14:11: {told}"]


def test_finds_the_lowest_free_number() -> None:
    assert free_name("cut", set()) == (1, "cut")
    assert free_name("cut", {"cut", "cut 2", "cut 4"}) == (3, "cut 3")
    assert free_name("cut", {"cut"}, 5) == (5, "cut 5")


@given(st.lists(st.sampled_from(("settle", "settle 2", "corners", "a", "")), min_size=1, max_size=12))
def test_never_calls_two_steps_the_same(given_names: list[str]) -> None:
    unique = [name if given_names.index(name) == at else "" for at, name in enumerate(given_names)]
    lines = [f"  - {{settle: , name: {name}}}\n" if name else "  - settle\n" for name in unique]
    plan = parse_plan(SMALL.replace(STEPS, "".join(lines)), "small.yaml")
    assert max(Counter(step_names(plan.steps)).values()) == 1
    assert [name for name in unique if name] == [
        step.name for step, name in zip(plan.steps, unique, strict=False) if name
    ]

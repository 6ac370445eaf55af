"""What does this plan ask for? YAML -> frozen `Plan`, or every error in it at once.

Each error reads `file:line:column: key path: what was found; what is allowed; did you mean ...?`
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path, PurePath
from types import MappingProxyType
from typing import Final

from harness.errors import PlanError
from harness.plan.facts import facts_of
from harness.plan.fields import Family, Reading, read_mapping, read_variant
from harness.plan.model import (
    CHECK_KINDS,
    STEP_KINDS,
    BenchHealth,
    Link,
    Plan,
    PlanCheck,
    PlanStep,
)
from harness.plan.names import (
    free_name,
    named_steps,
    step_names,
    unique_names,
    words_by_name,
    words_of_steps,
)
from harness.plan.rules import check_parts, check_totals
from harness.plan.source import Document, Node, parse_document, read_document

__all__ = [
    "FAMILIES",
    "Reading",
    "load_plan",
    "parse_check",
    "parse_plan",
    "parse_step",
    "place_of",
    "read_mapping",
]

FAMILIES: Final = MappingProxyType(
    {
        "step": Family(MappingProxyType({cls.WORD: cls for cls in STEP_KINDS}), PlanStep),  # type: ignore[attr-defined]
        "check": Family(MappingProxyType({cls.WORD: cls for cls in CHECK_KINDS}), PlanCheck),  # type: ignore[attr-defined]
    }
)
IGNORED: Final = ("$schema",)
"""Keys that only editors read."""


def load_plan(path: str | Path) -> Plan:
    """Read a plan file; the plan is named after it. Raises PlanError with everything that is wrong."""
    return _plan(read_document(path), Path(path).stem)


def parse_plan(text: str, file: str, name: str = "") -> Plan:
    """Read a plan from text; `file` is its name in messages. Raises PlanError with all that is wrong."""
    return _plan(parse_document(text, file), name or PurePath(file).stem)


def _plan(document: Document, name: str) -> Plan:
    reading = Reading(document, FAMILIES)
    given = {"name": name, "text": document.text}
    plan = read_mapping(document.root, Plan, reading, given=given, ignored=IGNORED)
    steps, checks = unique_names(reading, "step"), unique_names(reading, "check")
    if "link.channels" in reading.places:
        reading.resolve("channel", reading.declared.get("channel", ()))
    if "steps" in reading.places:
        reading.resolve("step", steps.values())
    facts = facts_of(reading, named=words_by_name(steps, reading.entries))
    check_parts(facts)
    if plan is not None:
        check_totals(plan.steps, facts)
    reading.finish(PlanError)
    assert plan is not None, "a plan is only missing after a problem was noted"
    named = tuple(replace(check, name=checks[check.path]) for check in plan.checks)
    return replace(plan, steps=named_steps(plan.steps, steps), checks=_with_bench(named))


def _with_bench(checks: tuple[PlanCheck, ...]) -> tuple[PlanCheck, ...]:
    """Add the check of the bench itself: without it lost serial messages could pass for a sound run."""
    if any(isinstance(check.rule, BenchHealth) for check in checks):
        return checks
    _, name = free_name(BenchHealth.WORD, {check.name for check in checks})
    return (*checks, PlanCheck(BenchHealth(), name, "checks"))


def parse_step(text: str, link: Link) -> PlanStep:
    """Read one step, such as `cut: {duration: 1 s}`, for a bench with this link; raises PlanError."""
    reading = Reading(parse_document(text, "step"), FAMILIES)
    step: PlanStep | None = read_variant("step", reading.places[""], "steps[0]", reading)
    names = unique_names(reading, "step")
    reading.resolve("channel", [channel.name for channel in link.channels])
    facts = facts_of(reading, link)
    check_parts(facts)
    if step is not None:
        check_totals((step,), facts)
    reading.finish(PlanError)
    assert step is not None, "a step is only missing after a problem was noted"
    return named_steps((step,), names)[0]


def parse_check(text: str, link: Link, steps: tuple[PlanStep, ...] = ()) -> PlanCheck:
    """Read one check, such as `delivery: {at_least: 99 %}`; `during` may name `steps`. Raises PlanError."""
    reading = Reading(parse_document(text, "check"), FAMILIES)
    check: PlanCheck | None = read_variant("check", reading.places[""], "checks[0]", reading)
    reading.resolve("step", step_names(steps))
    check_parts(facts_of(reading, link, words_of_steps(steps)))
    reading.finish(PlanError)
    assert check is not None, "a check is only missing after a problem was noted"
    return replace(check, name=unique_names(reading, "check")[check.path])


def place_of(text: str, path: str) -> tuple[int, int]:
    """Return line and column of the value under a key path, or of the innermost value around it."""
    node = parse_document(text, "plan").root
    at = ""
    while inner := _towards(node, at, path):
        at, node = inner
    return node.line, node.column


def _towards(node: Node, at: str, path: str) -> tuple[str, Node] | None:
    """Return the child of `node` (at key path `at`) on the way to `path`, with its own key path."""
    keys = ((f"{at}.{key.text}" if at else key.text, value) for key, value in node.entries)
    items = ((f"{at}[{index}]", item) for index, item in enumerate(node.items))
    for inner, child in (*keys, *items):
        if path == inner or path.startswith((f"{inner}.", f"{inner}[")):
            return inner, child
    return None

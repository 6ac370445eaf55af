"""What is each step and check called? Its own name, or its key word made unique."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import count

from harness.plan import model as p
from harness.plan.fields import Entry, Reading
from harness.plan.wording import quoted


def unique_names(reading: Reading, of: str) -> dict[str, str]:
    """Return every step's or check's name by key path, in file order; a name given twice is noted.

    An entry without a name is called by its word: `cut`, then `cut 2`, `cut 3` and so on.
    """
    entries = [entry for entry in reading.entries if entry.of == of]
    names = _given(entries, reading)
    taken = set(names.values())
    last: dict[str, int] = {}
    for entry in entries:
        if not entry.name:
            last[entry.word], names[entry.path] = free_name(entry.word, taken, last.get(entry.word, 0) + 1)
            taken.add(names[entry.path])
    return {entry.path: names[entry.path] for entry in entries}


def _given(entries: list[Entry], reading: Reading) -> dict[str, str]:
    names: dict[str, str] = {}
    first: dict[str, Entry] = {}
    for entry in entries:
        if not entry.name:
            continue
        names[entry.path] = entry.name
        earlier = first.setdefault(entry.name, entry)
        if earlier is not entry:
            path = f"{entry.path}.name"
            found = f"the name {quoted(entry.name)} stands twice, first in {earlier.path}"
            reading.problem(reading.places[path], path, found, "give each its own")
    return names


def free_name(word: str, taken: set[str], first: int = 1) -> tuple[int, str]:
    """Return the lowest free number from `first`, and the name it makes with the word; 1 is the bare word."""
    names = ((number, word if number == 1 else f"{word} {number}") for number in count(first))
    return next((number, name) for number, name in names if name not in taken)


def named_steps(steps: tuple[p.PlanStep, ...], names: dict[str, str]) -> tuple[p.PlanStep, ...]:
    """Return the steps, also those inside `repeat`, under their names."""
    return tuple(_named(step, names) for step in steps)


def _named(step: p.PlanStep, names: dict[str, str]) -> p.PlanStep:
    action = step.action
    if isinstance(action, p.Repeat):
        action = replace(action, steps=named_steps(action.steps, names))
    return p.PlanStep(action, names[step.path], step.path)


def step_names(steps: tuple[p.PlanStep, ...]) -> Iterator[str]:
    """Yield the names of all steps, also of those inside `repeat`."""
    for step in steps:
        yield step.name
        if isinstance(step.action, p.Repeat):
            yield from step_names(step.action.steps)


def words_by_name(names: Mapping[str, str], entries: Iterable[Entry]) -> dict[str, frozenset[str]]:
    """Return the key words of the steps under each name (`names` by key path); `repeat` has its steps'."""
    words = {entry.path: entry.word for entry in entries if entry.of == "step"}
    return {
        name: frozenset(
            word for inner, word in words.items() if inner == path or inner.startswith(f"{path}.")
        )
        for path, name in names.items()
    }


def words_of_steps(steps: tuple[p.PlanStep, ...]) -> dict[str, frozenset[str]]:
    """Return the same of steps that were read before."""
    found: dict[str, frozenset[str]] = {}
    for step in steps:
        inner = words_of_steps(step.action.steps) if isinstance(step.action, p.Repeat) else {}
        found |= {**inner, step.name: frozenset({step.action.WORD}).union(*inner.values())}
    return found

"""What was found on the way through one document: values, their places, names, and everything wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

from harness.errors import DocumentError, Problem
from harness.plan.source import Document, Node
from harness.plan.wording import listed, nearest, path_label, quoted

MAX_PROBLEMS: Final = 100
"""Problems told at once: more than anyone mends in one go."""
EMPTY: Final[Mapping[str, Any]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Family:
    """The kinds of `step` or of `check` by their key words, and what wraps one: make(value, name, path)."""

    kinds: Mapping[str, type[Any]]
    make: Callable[[Any, str, str], Any]


@dataclass(frozen=True, slots=True)
class Use:
    """A place where a name is used that must be declared elsewhere."""

    of: str
    name: str
    node: Node
    path: str


@dataclass(frozen=True, slots=True)
class Entry:
    """A list entry whose kind was recognised: its key word and the name it gives itself, or ""."""

    of: str
    word: str
    name: str
    path: str


class Reading:
    """Reading one document: the problems found so far and where everything stands.

    `places` maps key paths to the nodes of their values, `made` key paths to the instances read without a
    problem. `declared` holds names by what they name, `uses` the references to such names, `entries` the
    steps and checks in file order. `torn` names what could not be listed completely, so that a missing name
    proves nothing.
    """

    def __init__(self, document: Document, families: Mapping[str, Family] = EMPTY) -> None:
        self.file = document.file
        self.families = families
        self.places: dict[str, Node] = {"": document.root}
        self.made: dict[str, object] = {}
        self.declared: dict[str, list[str]] = {}
        self.uses: list[Use] = []
        self.entries: list[Entry] = []
        self.torn: set[str] = set()
        self._problems: dict[tuple[int, int, str], Problem] = {
            (problem.line, problem.column, problem.found): problem for problem in document.problems
        }

    def problem(self, node: Node, path: str, found: str, allowed: str = "", nearest: str = "") -> None:
        """Note that something is wrong at `node`. An alias tells the same problem once."""
        place = (node.line, node.column, found)
        if place not in self._problems:
            shown = path_label(path)
            self._problems[place] = Problem(self.file, node.line, node.column, shown, found, allowed, nearest)

    def finish(self, error: type[DocumentError]) -> None:
        """Raise `error` with every problem in file order, if there are any."""
        if not self._problems:
            return
        problems = sorted(self._problems.values(), key=lambda problem: (problem.line, problem.column))
        told = problems[:MAX_PROBLEMS]
        if more := len(problems) - len(told):
            told.append(Problem(self.file, 0, 0, "", f"{more} more problems are not shown"))
        raise error(tuple(told))

    def resolve(self, of: str, declared: Iterable[str]) -> None:
        """Note every use of the name of a `step` or `channel` that is not declared."""
        if of in self.torn:
            return
        known = dict.fromkeys(declared)
        allowed = f"{of}s: {listed(known)}" if known else f"no {of} is declared"
        wrong = [use for use in self.uses if use.of == of and use.name not in known]
        for count, use in enumerate(wrong):
            near = nearest(use.name, known) if count < MAX_PROBLEMS else ""
            self.problem(use.node, use.path, f"unknown {of} {quoted(use.name)}", allowed, near)

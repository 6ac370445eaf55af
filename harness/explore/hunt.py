"""What is tried next, and for how long? Counts link time, remembers outcomes, and looks for what is new."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from harness.chance import stream
from harness.errors import PlanError
from harness.explore.causes import Causes, causes
from harness.explore.trying import Tried
from harness.plan.model import Plan

SHRINK_SHARE: Final = 4
"""One finding may use this part of the whole time: a quarter."""
TROUBLES: Final = 3
"""So many scenarios in a row with bench trouble end the search: it is the bench that needs looking at."""

Play = Callable[[Plan, int], Tried]


@dataclass(slots=True)
class Tally:
    """What was done so far; times in ns on the bench's clock."""

    scenarios: int = 0
    link_ns: int = 0
    cuts: int = 0
    refused: int = 0


@dataclass(frozen=True, slots=True)
class Known:
    """What a finding explains: these checks, wherever these causes are."""

    checks: frozenset[str]
    causes: Causes

    def explains(self, check: str, of: Causes) -> bool:
        """Whether a failure of `check` in a scenario with these causes is nothing new."""
        return check in self.checks and self.causes <= of


@dataclass(slots=True)
class Hunt:
    """One batch under its own seed; `violates` is what `batch` and `shrinking` ask.

    The first new violation, `after` so many scenarios in all, decides which `check` is looked for from then
    on. `skip` scenarios were tried in an earlier call already and found right.
    """

    play: Play
    run_seed: int
    known: Sequence[Known]
    tally: Tally
    until_ns: int
    shrink_ns: int
    most: int
    skip: int = 0
    check: str = ""
    first_steps: int = 0
    after: int = 0
    tried: int = 0
    troubles: int = 0
    trouble: tuple[Plan, Tried] | None = None
    ended: str = ""
    _found_ns: int = 0
    _outcomes: dict[str, Tried] = field(default_factory=dict)

    def violates(self, plan: Plan) -> bool:
        """Return whether a plan shows what is looked for; what was tried once is not tried again."""
        tried = self.outcome(plan)
        if tried is None or tried.trouble:
            return False
        new = self._new(plan, tried)
        if not self.check and new:
            self.check, self._found_ns = new[0], self.tally.link_ns
            self.first_steps, self.after = len(plan.steps) - 2, self.tally.scenarios
        return self.check in new

    def outcome(self, plan: Plan) -> Tried | None:
        """Return what came of a plan; None if it was not tried, and will not be."""
        if plan.text in self._outcomes:
            return self._outcomes[plan.text]
        if self._over():
            return None
        self.tried += 1
        tried = Tried() if self.tried <= self.skip and not self.check else self._play(plan)
        if tried is not None:
            self._outcomes[plan.text] = tried
        return tried

    def _new(self, plan: Plan, tried: Tried) -> list[str]:
        of = causes(plan.steps)
        return [
            failure.check
            for failure in tried.failures
            if not any(one.explains(failure.check, of) for one in self.known)
        ]

    def _over(self) -> bool:
        """Whether nothing more may be tried."""
        used = self.tally.link_ns
        spent = used >= self.until_ns or self.tally.scenarios >= self.most
        shrunk_long = bool(self.check) and used - self._found_ns >= self.shrink_ns
        return bool(self.ended) or spent or shrunk_long

    def _play(self, plan: Plan) -> Tried | None:
        try:
            return self.play_counted(plan, self.run_seed)
        except PlanError:  # the rig's serial lines cannot carry so much: not a scenario for this bench
            self.tally.refused += 1
            return Tried()

    def play_counted(self, plan: Plan, seed: int) -> Tried | None:
        """Play a plan now, and count it; None if somebody stopped it. Raises PlanError."""
        tried = self.play(plan, seed)
        self.tally.scenarios += 1
        self.tally.link_ns += tried.link_ns
        self.tally.cuts += tried.cuts
        if tried.stopped:
            self.ended = "stopped"
            return None
        if tried.trouble:
            self._note_trouble(plan, tried)
        else:
            self.troubles = 0
        return tried

    def _note_trouble(self, plan: Plan, tried: Tried) -> None:
        self.troubles += 1
        self.trouble = self.trouble or (plan, tried)
        if tried.gone or self.troubles >= TROUBLES:
            self.ended = "bench trouble"


def batch_seeds(seed: int, number: int) -> tuple[int, int]:
    """Return the seed of what batch `number` generates and the seed under which it is played."""
    chance = stream(seed, f"explore/{number}")
    return chance.getrandbits(32), chance.getrandbits(32)

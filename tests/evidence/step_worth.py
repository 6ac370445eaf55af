"""Does every step of a shipped plan earn its time? Each is left out in turn: what then slips through?

    python tests/evidence/step_worth.py          # some minutes on two cores; writes step_worth.md
    python tests/evidence/step_worth.py failsafe # one plan: printed, nothing written

A step earns its time if some defect is caught in fewer of the seeds without it, or if a healthy link is no
longer passed (a check then lacks samples). Steps that no simulated defect needs are tried on the defects of
emulated firmware too. Waits and rests are there so that others can be judged. Where a run of the whole plan
was stopped for its defect, steps after that moment cannot matter: they stay.
"""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from harness.bench.mocked import list_defects
from harness.board import Job, Played, play_all
from harness.board.command import PLANS, processes
from harness.board.playing import plan_of
from harness.plan.extent import step_extent_ns
from harness.plan.model import PlanStep, Settle, Wait
from harness.plan.units import format_duration
from harness.verdict import Verdict

SEEDS: Final = (1, 2)
OUT: Final = Path(__file__).with_suffix(".md")
HEAD: Final = f"""\
# What each step of the shipped plans is for

Each step was left out in turn, and every defect that the plan is meant to catch was played on the rest with
{len(SEEDS)} seeds. *Slips through*: in how many of them the whole plan catches it, and the rest does not.
*Not settled*: seeds in which a healthy link is no longer passed, for a check lacks samples. A step that no
simulated defect needs was left out for the defects of emulated firmware too. Where none needs it either,
what the step stands for is said in its place, and no defect shows it.

Written by `tests/evidence/step_worth.py`.
"""

STANDS_FOR: Final = {
    ("failsafe", "sixty cuts"): "*one way alone often enough for 95 % at 95 % confidence*",
    ("failsafe", "half the packet rate"): "*tells a failsafe timer from a count of packets*",
    ("acceptance", "corners"): "*every pair of stick ends, each end held*",
    ("acceptance", "fast bursts"): "*where back to back loses packets: whether 2 ms between them do*",
    ("regression", "corners"): "*every pair of stick ends*",
    ("regression", "bursts"): "*a check of its own: delivery in bursts*",
    ("regression", "restart"): "*the first failsafe after a start*",
    ("limits", "receiver restarts"): "*how long the link takes to come back*",
}


def earning(plan: str) -> list[PlanStep]:
    """The steps that must earn their time."""
    return [step for step in plan_of(plan).steps if not isinstance(step.action, Settle | Wait)]


def whole(plan: str, kind: str) -> Iterator[Job]:
    """Every defect of a kind of rig on the whole plan, and a healthy link."""
    for defect in ("", *(one.name for one in list_defects(kind) if one.plan == plan)):
        for seed in SEEDS:
            yield Job(plan, seed, kind, defect=defect)


def shorter(played: Sequence[Played], steps: Sequence[PlanStep]) -> Iterator[Job]:
    """The same without each of these steps that may have mattered."""
    for one in played:
        for step in steps:
            if one.stopped and _place(one.stopped) < _place(step.path):
                break
            yield replace(one.job, without=step.path)


def _place(path: str) -> int:
    """Return which step of the plan a key path is in."""
    return int(path.partition("[")[2].partition("]")[0])


def slipped(first: Sequence[Played], played: Sequence[Played]) -> dict[str, Counter[str]]:
    """In how many seeds each defect slips through that the whole plan catches, by step left out."""
    found = {(one.job.defect, one.job.seed) for one in first if one.job.defect and one.caught}
    missed: dict[str, Counter[str]] = defaultdict(Counter)
    for one in played:
        if (one.job.defect, one.job.seed) in found and not one.caught:
            missed[one.job.without][one.job.defect] += 1
    return missed


def open_seeds(played: Sequence[Played]) -> Counter[str]:
    """In how many seeds a healthy link was not passed, by step left out."""
    return Counter(
        one.job.without for one in played if not one.job.defect and one.verdict is Verdict.INCONCLUSIVE
    )


@dataclass(frozen=True, slots=True)
class Found:
    """What leaving out steps of a plan showed with one kind of rig: defects that slip through, open seeds."""

    caught: int
    missed: dict[str, Counter[str]]
    unsettled: Counter[str]

    def shows(self, step: PlanStep) -> bool:
        """Return whether the step was missed."""
        return bool(self.missed[step.path]) or self.still_open(step) > 0

    def still_open(self, step: PlanStep) -> int:
        """Return in how many more seeds a healthy link was not passed without the step."""
        return max(0, self.unsettled[step.path] - self.unsettled[""])

    def words(self, step: PlanStep, where: str = "") -> list[str]:
        """Return the defects that slip through without a step."""
        missed = sorted(self.missed[step.path].items())
        return [f"{name}{where} ({times}/{len(SEEDS)})" for name, times in missed]


def found(plan: str, kind: str, steps: Sequence[PlanStep], executor: Executor) -> Found:
    """Leave out each of the steps in turn."""
    first = list(play_all(whole(plan, kind), executor))
    played = list(play_all(shorter(first, steps), executor))
    caught = len({one.job.defect for one in first if one.job.defect and one.caught})
    return Found(caught, slipped(first, played), open_seeds([*first, *played]))


def lines(plan: str, executor: Executor) -> Iterator[str]:
    """Yield the table of one plan."""
    steps = earning(plan)
    mock = found(plan, "mock", steps, executor)
    bare = [step for step in steps if not mock.shows(step)]
    firmware = found(plan, "avr", bare, executor) if bare else Found(0, defaultdict(Counter), Counter())
    yield f"## {plan}"
    yield ""
    told = f"The whole plan catches {mock.caught} simulated defects that are meant for it"
    yield told + (f", and {firmware.caught} of firmware." if firmware.caught else ".")
    yield ""
    yield "| step | takes | slips through without it | not settled |"
    yield "|---|---|---|---|"
    for step in steps:
        takes = format_duration(step_extent_ns(step.action, plan_of(plan).link))
        title = step.name if step.name != step.path else step.action.WORD
        words = mock.words(step) + firmware.words(step, " in firmware")
        words = words or [STANDS_FOR.get((plan, title), "")] * (not mock.shows(step))
        still = f"{mock.still_open(step)}/{len(SEEDS)}" if mock.still_open(step) else ""
        yield f"| {title} | {takes} | {', '.join(words)} | {still} |"
    yield ""


def main(arguments: Sequence[str]) -> None:
    """Play, print, and write the page if all plans were asked for."""
    plans = tuple(arguments) or PLANS
    text = HEAD
    with processes() as executor:
        for plan in plans:
            text += "\n" + "\n".join(lines(plan, executor)) + "\n"
    print(text)
    if not arguments:
        OUT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])

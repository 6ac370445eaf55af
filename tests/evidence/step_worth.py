"""Does every step of a shipped plan earn its time? Each is left out in turn: what then slips through?

    python tests/evidence/step_worth.py          # some minutes on two cores; writes step_worth.md
    python tests/evidence/step_worth.py failsafe # one plan: printed, nothing written

A step earns its time if some defect is caught in fewer of the seeds without it, or if a healthy link is no
longer passed (a check then lacks samples). Steps that no simulated defect needs are tried on the defects of
emulated firmware too, and then on those that are meant for other plans. Waits and rests are there so that
others can be judged. Where a run of the whole plan was stopped for its defect, steps after that moment cannot
matter: they stay.
"""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final, NamedTuple

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
simulated defect needs was left out for the defects of emulated firmware too, and if none of those needs it,
for defects that are meant for other plans. Where none needs it either, what the step stands for is said in
its place, and no defect shows it.

Written by `tests/evidence/step_worth.py`.
"""

STANDS_FOR: Final = {
    ("failsafe", "sixty cuts"): "*one way alone often enough for 95 % at 95 % confidence*",
    ("failsafe", "half the packet rate"): "*tells a failsafe timer from a count of packets*",
}


def earning(plan: str) -> list[PlanStep]:
    """The steps that must earn their time."""
    return [step for step in plan_of(plan).steps if not isinstance(step.action, Settle | Wait)]


class Asked(NamedTuple):
    """Which defects to play: of which kind of rig, meant for the plan or for others, how often."""

    kind: str = "mock"
    own: bool = True
    seeds: tuple[int, ...] = SEEDS


def whole(plan: str, asked: Asked) -> Iterator[Job]:
    """A healthy link on the whole plan, and every defect asked for."""
    names = [one.name for one in list_defects(asked.kind) if (one.plan == plan) is asked.own]
    for defect in ("", *names):
        for seed in asked.seeds:
            yield Job(plan, seed, asked.kind, defect=defect)


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
    """What leaving out steps of a plan showed: defects that slip through, seeds that stay open."""

    asked: Asked
    caught: int = 0
    missed: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    unsettled: Counter[str] = field(default_factory=Counter)

    def shows(self, step: PlanStep) -> bool:
        """Return whether the step was missed."""
        return bool(self.missed[step.path]) or self.still_open(step) > 0

    def still_open(self, step: PlanStep) -> int:
        """Return in how many more seeds a healthy link was not passed without the step."""
        return max(0, self.unsettled[step.path] - self.unsettled[""])

    def words(self, step: PlanStep) -> list[str]:
        """Return the defects that slip through without a step."""
        where = " in firmware" if self.asked.kind == "avr" else "" if self.asked.own else " of another plan"
        missed = sorted(self.missed[step.path].items())
        return [f"{name}{where} ({times}/{len(self.asked.seeds)})" for name, times in missed]


def found(plan: str, asked: Asked, steps: Sequence[PlanStep], executor: Executor) -> Found:
    """Leave out each of the steps in turn."""
    if not steps:
        return Found(asked)
    first = list(play_all(whole(plan, asked), executor))
    played = list(play_all(shorter(first, steps), executor))
    caught = len({one.job.defect for one in first if one.job.defect and one.caught})
    return Found(asked, caught, slipped(first, played), open_seeds([*first, *played]))


def lines(plan: str, executor: Executor) -> Iterator[str]:
    """Yield the table of one plan."""
    steps = bare = earning(plan)
    tried: list[Found] = []
    for asked in (Asked(), Asked("avr"), Asked(own=False, seeds=SEEDS[:1])):
        tried.append(found(plan, asked, bare, executor))
        bare = [step for step in bare if not tried[-1].shows(step)]
    mock, firmware, _ = tried
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
        words = [word for one in tried for word in one.words(step)]
        words = words or [STANDS_FOR.get((plan, title), "")] * (step in bare)
        opened = [f"{one.still_open(step)}/{len(one.asked.seeds)}" for one in tried if one.still_open(step)]
        yield f"| {title} | {takes} | {', '.join(words)} | {', '.join(opened)} |"
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

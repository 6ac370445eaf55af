"""Does every step of a shipped plan earn its time? Each is left out in turn: what then slips through?

    python tests/evidence/step_worth.py          # some ten minutes on two cores; writes step_worth.md
    python tests/evidence/step_worth.py failsafe # one plan: printed, nothing written

A step earns its time if some defect is caught in fewer of the seeds without it, or if a healthy link is no
longer passed (a check then lacks samples). Waits and rests are there so that others can be judged.
"""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
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
{len(SEEDS)} seeds. *Slips through*: caught in fewer of them than by the whole plan. *Not settled*: seeds in
which a healthy link is no longer passed, for a check lacks samples.

Written by `tests/evidence/step_worth.py`.
"""

Caught = dict[tuple[str, str], int]


def earning(plan: str) -> list[PlanStep]:
    """The steps that must earn their time."""
    return [step for step in plan_of(plan).steps if not isinstance(step.action, Settle | Wait)]


def jobs(plan: str) -> Iterator[Job]:
    """Every defect on the whole plan and on the plan without each step, and a healthy link on both."""
    for path in ("", *(step.path for step in earning(plan))):
        for defect in ("", *(one.name for one in list_defects("mock") if one.plan == plan)):
            for seed in SEEDS:
                yield Job(plan, seed, defect=defect, without=path)


def caught(played: Sequence[Played]) -> Caught:
    """In how many seeds each defect was caught, by step left out."""
    return Counter((one.job.without, one.job.defect) for one in played if one.job.defect and one.caught)


def open_seeds(played: Sequence[Played]) -> Counter[str]:
    """In how many seeds a healthy link was not passed, by step left out."""
    return Counter(
        one.job.without for one in played if not one.job.defect and one.verdict is Verdict.INCONCLUSIVE
    )


def lines(plan: str, played: Sequence[Played]) -> Iterator[str]:
    """Yield the table of one plan."""
    counts, unsettled = caught(played), open_seeds(played)
    whole = {name: count for (path, name), count in counts.items() if not path}
    yield f"## {plan}"
    yield ""
    yield f"The whole plan catches {len(whole)} defects that are meant for it."
    yield ""
    yield "| step | takes | slips through without it | not settled |"
    yield "|---|---|---|---|"
    for step in earning(plan):
        missed = defaultdict(list)
        for name, count in sorted(whole.items()):
            if counts.get((step.path, name), 0) < count:
                missed[counts.get((step.path, name), 0)].append(name)
        words = [f"{', '.join(names)} ({some}/{len(SEEDS)})" for some, names in sorted(missed.items())]
        takes = format_duration(step_extent_ns(step.action, plan_of(plan).link))
        title = step.name if step.name != step.path else step.action.WORD
        still = f"{unsettled[step.path]}/{len(SEEDS)}" if unsettled[step.path] > unsettled[""] else ""
        yield f"| {title} | {takes} | {'; '.join(words)} | {still} |"
    yield ""


def main(arguments: Sequence[str]) -> None:
    """Play, print, and write the page if all plans were asked for."""
    plans = tuple(arguments) or PLANS
    text = HEAD
    with processes() as executor:
        for plan in plans:
            text += "\n" + "\n".join(lines(plan, list(play_all(jobs(plan), executor)))) + "\n"
    print(text)
    if not arguments:
        OUT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])

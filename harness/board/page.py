"""How is the board told? As one page of Markdown: each defect on each plan, near-misses, healthy rigs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Final

from harness.bench.mocked import Listed
from harness.board.tally import Board, Cell
from harness.plan.wording import many
from harness.verdict import Verdict

NOTHING: Final = "·"
UNFIT: Final = "n/a"
NAMED: Final = 2
"""So many defects are named in a sentence; more are counted."""
LISTED: Final = 12
"""So many that were not played are listed; more are counted for each plan."""
HEAD: Final = """\
# Scoreboard: what propsoff catches, and what it lets through

Defects of the catalogue on simulated devices, {runs} in all, seeds from {seed} on. A cell says in how many
runs the plan did not pass the faulty device: the run failed, or the bench refused to go on. In bold:
the plan that is meant to catch it, and how often the very check did that is meant to. `{nothing}`: not once.
{unfit}\
A faulty device's run ends once that check has failed on a fact, such as an output that nobody sent; checks of
shares and percentiles are judged at the end of the plan only.

Written by `{command}`; the same seeds give the same page.
"""


def page(board: Board, *, seed: int, runs: int, command: str, absent: Sequence[Listed] = ()) -> str:
    """Return the whole page, ready to be written."""
    unfit = any(not cell.runs for cell in board.cells.values())
    told = f"`{UNFIT}`: the plan's link cannot have it, such as telemetry that is not there.\n" * unfit
    parts = [HEAD.format(runs=many(runs, "run"), seed=seed, command=command, nothing=NOTHING, unfit=told)]
    if board.cells:
        parts += ["## Sensitivity: faulty devices caught", *_groups(board)]
    if board.near:
        parts += ["## Near-misses: close to a limit, and right", *_near(board)]
    if board.healthy:
        parts += ["## Specificity: healthy rigs", *_healthy(board)]
    parts += ["## Missed", *_misses(board, absent)]
    if absent:
        parts += ["## Not played", *_absent(board, absent)]
    return "\n".join(parts) + "\n"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    yield "| " + " | ".join(head) + " |"
    yield "|" + "---|" * len(head)
    for row in rows:
        yield "| " + " | ".join(row) + " |"
    yield ""


def _groups(board: Board) -> Iterator[str]:
    for felt, group in groupby(board.defects, key=lambda defect: str(defect.felt)):
        yield ""
        yield f"### {felt.capitalize()}"
        yield ""
        rows = [_row(board, defect) for defect in group]
        yield from _table(["defect", "severity", "caught by", *board.plans], rows)


def _row(board: Board, defect: Listed) -> list[str]:
    cells = [_cell(board.cells.get((defect.name, plan)), meant=plan == defect.plan) for plan in board.plans]
    return [defect.name, str(defect.severity), defect.caught_by, *cells]


def _cell(cell: Cell | None, *, meant: bool) -> str:
    if cell is None:
        return ""
    if not cell.runs:
        return UNFIT
    if not meant:
        return f"{cell.caught}/{cell.runs}" if cell.caught else NOTHING
    return f"**{cell.caught}/{cell.runs}** ({cell.by_check})"


def _misses(board: Board, absent: Sequence[Listed]) -> Iterator[str]:
    yield ""
    missed = board.misses()
    yield from (f"- {line}" for line in missed)
    if not missed:
        kept = [
            "every dangerous defect played here was caught in every run of `failsafe` or `acceptance`, every "
            "other in at least 99 % of the runs of a plan"
        ] * bool(board.cells)
        kept += ["no near-miss failed"] * bool(board.near)
        kept += ["no check failed these healthy rigs oftener than it says"] * bool(board.healthy)
        yield f"None: {'; '.join(kept)}." if kept else "None: no goal was judged."
    if elsewhere := [defect for defect in board.defects if defect.plan not in board.plans]:
        yield ""
        yield f"Not judged, for their plans were not asked for: {_by_plan(elsewhere)}."
    if absent:
        yield ""
        yield _not_judged(absent)
    yield ""


def _not_judged(absent: Sequence[Listed]) -> str:
    """Return for which defects the goal was not judged: by name while they are few."""
    if len(absent) > NAMED:
        return f"Not judged for the {len(absent)} defects that were not played: see below."
    one = len(absent) == 1
    names = " and ".join(defect.name for defect in absent)
    return f"Not judged for {names}, which {'was' if one else 'were'} not played."


def _absent(board: Board, absent: Sequence[Listed]) -> Iterator[str]:
    """Tell apart what was left out for want of its plan and for want of a seed."""
    left_out = [defect for defect in absent if defect.plan not in board.plans]
    idle = [defect.name for defect in absent if defect.plan in board.plans]
    if left_out:
        plans = "Its plan was" if len(left_out) == 1 else "Their plans were"
        yield from ("", f"{plans} not asked for: {_by_plan(left_out)}.")
    if idle:
        yield from ("", f"Not one run was asked for: {', '.join(idle)}.")
    yield ""


def _by_plan(defects: Sequence[Listed]) -> str:
    """Return which defects these are: by name while they are few."""
    if len(defects) <= LISTED:
        return ", ".join(f"{defect.name} ({defect.plan})" for defect in defects)
    counts = Counter(defect.plan for defect in defects)
    return ", ".join(f"{count} of {plan}" for plan, count in counts.items())


def _near(board: Board) -> Iterator[str]:
    yield ""
    rows = []
    for defect in board.defects:
        for plan in board.plans:
            cell = board.near.get((defect.name, plan))
            if cell is not None:
                rows.append([defect.name, plan, *_ends(cell.verdicts), defect.near_miss])
    yield from _table(["near-miss of", "plan", *map(str, _ENDS), "what it does"], rows)


_ENDS: Final = (Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR)


def _ends(verdicts: Counter[str]) -> list[str]:
    return [str(verdicts[word] or NOTHING) for word in _ENDS]


def _healthy(board: Board) -> Iterator[str]:
    yield ""
    yield "Losses up to what the plan allows, in every other rig spread evenly up to that; clocks up to 200"
    yield "ppm off, serial adapters of 1 to 16 ms, every phase, 0 to 15 retries; half of them with a witness."
    yield "*Stated* is what the plan's checks may fail of good links, all risks added up; *failed at most*"
    yield "the upper limit of the share failed, at 95 % confidence (Clopper, Pearson)."
    yield ""
    rows = []
    for one in board.healthy:
        failed = ", ".join(f"{check} {count}" for check, count in sorted(one.failed.items())) or NOTHING
        rows.append(
            [
                one.plan,
                str(one.runs),
                *_ends(one.verdicts),
                f"{100 * one.most:.1f} %",
                f"{100 * one.stated:.1f} %",
                failed,
            ]
        )
    yield from _table(["plan", "runs", *map(str, _ENDS), "failed at most", "stated", "failed by"], rows)

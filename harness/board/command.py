"""What does `propsoff scoreboard` play? The catalogue, near-misses, healthy rigs; then one page."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Final

from harness.bench.mocked import Listed, list_defects, require_defect
from harness.board.healthy import healthy_jobs
from harness.board.page import page
from harness.board.playing import Job, Played, play_all
from harness.board.tally import Board, tally
from harness.errors import StorageError, UserError

PLANS: Final = ("failsafe", "acceptance", "first-look", "regression", "limits", "margin")
"""All but the soak, which takes hours of link time."""
HEALTHY: Final = 1_000


@dataclass(frozen=True, slots=True)
class Asked:
    """What to play. `everywhere`: each defect on every plan, and not only on the one that must catch it."""

    kind: str = "mock"
    seeds: int = 20
    first_seed: int = 1
    healthy: int = HEALTHY
    plans: tuple[str, ...] = PLANS
    defects: tuple[str, ...] = ()
    everywhere: bool = False
    near_misses: bool = False


def jobs_of(asked: Asked) -> list[Job]:
    """Return every job, the longest plans first, so that no process is left with one at the end.

    Raises UserError, with the nearest name, for a defect that does not exist.
    """
    for name in asked.defects:
        require_defect(asked.kind, name)
    jobs: list[Job] = []
    for defect in _chosen(asked):
        for plan in asked.plans:
            if asked.everywhere or plan == defect.plan:
                jobs += _runs(asked, plan, defect.name)
            if plan == defect.plan and asked.near_misses:
                jobs += _runs(asked, plan, defect.name, near_miss=True)
    if asked.kind == "mock":
        for number, plan in enumerate(asked.plans):
            share = len(range(number, asked.healthy, len(asked.plans)))
            jobs += healthy_jobs(plan, share, asked.first_seed)
    return sorted(jobs, key=lambda job: asked.plans.index(job.plan))


def _chosen(asked: Asked) -> list[Listed]:
    return [one for one in list_defects(asked.kind) if not asked.defects or one.name in asked.defects]


def _runs(asked: Asked, plan: str, defect: str, *, near_miss: bool = False) -> list[Job]:
    last = asked.first_seed + asked.seeds
    return [
        Job(plan, seed, asked.kind, defect=defect, near_miss=near_miss)
        for seed in range(asked.first_seed, last)
    ]


def processes(workers: int | None = None) -> Executor:
    """Return an executor of that many processes, one for each processor if None."""
    return ProcessPoolExecutor(workers or os.cpu_count() or 1, mp_context=get_context("spawn"))


def score(
    asked: Asked, executor: Executor | None, told: Callable[[int, int], None] | None = None
) -> tuple[Board, int]:
    """Play everything asked for on an executor, in this process if None; return the board and the runs."""
    jobs = jobs_of(asked)
    if not jobs:
        raise UserError(f"nothing to play: {_why_nothing(asked)}")
    with executor if executor is not None else nullcontext():
        played = play_all(jobs, executor)
        counted = played if told is None else _telling(played, told, len(jobs))
        return tally(_chosen(asked), asked.plans, counted), len(jobs)


def _why_nothing(asked: Asked) -> str:
    """Return why there is no job, and how to mend it."""
    if not asked.seeds:
        healthy = " or --healthy 1" if asked.kind == "mock" else ""
        return f"no run was asked for; write --seeds 1{healthy} or more"
    meant = ",".join(dict.fromkeys(one.plan for one in _chosen(asked)))
    return (
        "other plans must catch these defects; "
        f"write --plans {meant}, or --everywhere to play them on plans that need not catch them"
    )


def _telling(played: Iterable[Played], told: Callable[[int, int], None], of: int) -> Iterator[Played]:
    for done, one in enumerate(played, 1):
        told(done, of)
        yield one


def render(asked: Asked, board: Board, runs: int) -> str:
    """Return the page with the command that writes it again."""
    played = {defect.name for defect in board.defects}
    absent = [one for one in _chosen(asked) if one.name not in played]
    return page(board, seed=asked.first_seed, runs=runs, command=words(asked), absent=absent)


def words(asked: Asked) -> str:
    """Return the command line that asks for the same."""
    plain, said = Asked(kind=asked.kind), [f"propsoff scoreboard --rig {asked.kind}"]
    for name, value in (("seeds", asked.seeds), ("seed", asked.first_seed), ("healthy", asked.healthy)):
        usual = {"seeds": plain.seeds, "seed": plain.first_seed, "healthy": plain.healthy}[name]
        said += [f"--{name} {value}"] if value != usual else []
    said += ["--everywhere"] if asked.everywhere else []
    said += ["--near-misses"] if asked.near_misses else []
    said += [f"--plans {','.join(asked.plans)}"] if asked.plans != plain.plans else []
    said += [f"--defects {','.join(asked.defects)}"] if asked.defects else []
    return " ".join(said)


@contextmanager
def open_page(path: Path | None) -> Iterator[Callable[[str], object]]:
    """Yield what writes the page: to `path`, whole or not at all and known to work at once, or to stdout."""
    if path is None:
        yield lambda text: print(text, end="")
        return
    if path.is_dir():  # told now, and not after minutes of playing
        raise StorageError(f"{path}: this is a folder; name a file in it, such as {path / 'scoreboard.md'}")
    beside = path.with_name(f".{path.name}.unfinished")
    try:
        with beside.open("w", encoding="utf-8", newline="\n") as file:
            yield file.write
        beside.replace(path)
    except OSError as error:
        mend = "make its folder first, or " if isinstance(error, FileNotFoundError) else ""
        told = f"{error.strerror or error}; {mend}choose another file with --out"
        raise StorageError(f"{path}: cannot write the page: {told}") from error
    finally:
        beside.unlink(missing_ok=True)


def require_plans(names: Sequence[str]) -> None:
    """Raise UserError unless each is a shipped plan."""
    from harness.plan.find import shipped_plans
    from harness.plan.wording import nearest

    known = sorted(shipped_plans())
    for name in names:
        if name not in known:
            near = nearest(name, known)
            hint = f"did you mean {near}?" if near else f"there are {', '.join(known)}"
            raise UserError(f"the scoreboard is of shipped plans, and none is called {name!r}; {hint}")

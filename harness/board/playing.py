"""What came of one run? A job, small enough to be sent to another process, is played and judged."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor
from contextlib import closing
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import BinaryIO, Final

from harness.bench.mocked import list_defects
from harness.bench.rig import Rig, find_rig, parse_rig
from harness.board.stopping import Stopper
from harness.errors import BenchError, UnfitError
from harness.plan.find import find_plan
from harness.plan.model import Plan
from harness.plan.reader import load_plan
from harness.recording import Follower, Recording, read_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import (
    Request,
    judge_file,
    judge_recording,
    open_for,
    rounds_for,
    timeline_for,
    writer_for,
)
from harness.verdict import CheckResult, Judgement, Verdict

CHUNK: Final = 8
"""Jobs that a process takes at a time: few enough that both of two processes end at about the same time."""


@dataclass(frozen=True, slots=True)
class Job:
    """One run: a plan and a rig by name, or the rig as text; the defect or its near-miss, or none.

    `without` is the key path of a step that is left out, with the checks that look at it alone.
    """

    plan: str
    seed: int
    rig: str = "mock"
    rig_text: str = ""
    defect: str = ""
    near_miss: bool = False
    without: str = ""


@dataclass(frozen=True, slots=True)
class Played:
    """What came of a job: the verdict, the words of the checks that failed, and trouble with the bench.

    The verdict is none where the plan's link cannot have the defect, as a link without telemetry cannot have
    one of telemetry. `stopped` is the key path of the step in which the run was stopped, for its defect was
    found.
    """

    job: Job
    verdict: Verdict
    failed: tuple[str, ...] = ()
    trouble: str = ""
    stopped: str = ""

    @property
    def caught(self) -> bool:
        """Whether somebody who ran this would not fly: a fail, or a bench that refused to go on."""
        return self.verdict in (Verdict.FAIL, Verdict.ERROR)


@cache
def plan_of(word: str) -> Plan:
    """Return a plan by file or shipped name, read once in each process."""
    return load_plan(find_plan(word))


@cache
def shortened(word: str, path: str) -> Plan:
    """Return a plan without the step at this key path, and without checks that look at that step alone."""
    plan = plan_of(word)
    steps = tuple(step for step in plan.steps if step.path != path)
    names = {step.name for step in steps}
    checks = tuple(check for check in plan.checks if _can_look(getattr(check.rule, "during", ()), names))
    return replace(plan, steps=steps, checks=checks)


def _can_look(during: tuple[str, ...], names: set[str]) -> bool:
    return not during or any(name in names for name in during)


@cache
def _rig_of(name: str, text: str) -> Rig:
    return parse_rig(text, name) if text else find_rig(name)


def play(job: Job) -> Played:
    """Carry out one job on its simulated bench and judge it. Equal jobs give equal answers anywhere.

    The run of a defect is stopped once its own check has failed on a fact (`harness.board.stopping`); then
    nothing is said of other checks.
    """
    plan = shortened(job.plan, job.without) if job.without else plan_of(job.plan)
    rig = _rig_of(job.rig, job.rig_text)
    request = Request(plan, job.plan, rig, job.seed, job.defect or None, job.near_miss)
    try:
        if plan.soak is not None:
            return _told(job, _soaked(request).results)
        recording, stopper = _recorded(request, own_check(job))
    except BenchError as error:
        return Played(job, Verdict.ERROR, trouble=str(error))
    except UnfitError as error:
        return Played(job, Verdict.NONE, trouble=str(error))
    if stopper.failed:
        return Played(job, Verdict.FAIL, (stopper.failed,), stopped=stopper.step)
    return _told(job, _results(plan, recording))


def judge_whole(job: Job) -> Judgement:
    """Carry out one job to the end of its plan, whatever fails, and return all that is told of it.

    Raises BenchError if no run comes about, and UnfitError if the plan's link cannot have the defect.
    """
    plan = plan_of(job.plan)
    request = Request(
        plan, job.plan, _rig_of(job.rig, job.rig_text), job.seed, job.defect or None, job.near_miss
    )
    if plan.soak is not None:
        return _soaked(request)
    return judge_recording(_recorded(request, "")[0]).judgement


def own_check(job: Job) -> str:
    """Return the word of the check that must catch the job's defect; empty where nothing must."""
    if not job.defect or job.near_miss:
        return ""
    kind = _rig_of(job.rig, job.rig_text).kind
    return next((one.caught_by for one in list_defects(kind) if one.name == job.defect), "")


def _soaked(request: Request) -> Judgement:
    """Return the judgement of a soak: hours are too much for memory and go through a file, never stopped."""
    with TemporaryDirectory(prefix="propsoff-") as folder:
        path = Path(folder, "recording.pcapng")
        with path.open("wb") as file:
            _run(request, file, partial(read_recording, path), "")
        return judge_file(path).judgement


def _recorded(request: Request, word: str) -> tuple[Recording, Stopper]:
    """Return the recording of a run, and who may have stopped it for the check of that word."""
    file, follower = io.BytesIO(), Follower("the run")
    stopper = _run(request, file, lambda: follower.read(file.getvalue()), word)
    return follower.read(file.getvalue()), stopper


def _run(request: Request, file: BinaryIO, read: Callable[[], Recording], word: str) -> Stopper:
    """Record a run into a file that `read` reads back; return who may have stopped it."""
    timeline = timeline_for(request)
    with closing(open_for(request)) as bench:
        writer = writer_for(request, bench, file)

        def so_far() -> Recording:
            writer.flush()
            return read()

        runner = Runner(bench, writer, request.plan, Quiet())
        runner.talk.stop_requested = stopper = Stopper(runner, word, so_far)
        runner.run(timeline, rounds_for(request.plan, timeline, so_far))
        writer.close()
    return stopper


def _results(plan: Plan, recording: Recording) -> tuple[CheckResult, ...]:
    from harness.judge import verdicts  # numpy is slow to import

    return verdicts(plan, recording)


def _told(job: Job, results: tuple[CheckResult, ...]) -> Played:
    worst = max((one.verdict for one in results), key=lambda verdict: verdict.rank)
    failed = tuple(dict.fromkeys(one.kind for one in results if one.verdict is Verdict.FAIL))
    errors = "; ".join(one.reason for one in results if one.verdict is Verdict.ERROR)
    return Played(job, worst, failed, errors)


def play_all(jobs: Iterable[Job], executor: Executor | None) -> Iterator[Played]:
    """Yield what came of each job, in order.

    Any executor of `concurrent.futures` will do that can pickle a `Job` and a `Played`; None plays them here.
    """
    return map(play, jobs) if executor is None else executor.map(play, jobs, chunksize=CHUNK)

"""Is another round needed? Judges what was recorded between rounds and hands the runner further steps.

While it judges, the sticks are at rest and the devices are kept alive; on hardware a thread of its own does
the sums, so that every port is served meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from fractions import Fraction
from typing import Final

from harness.clock import S
from harness.looks import Look, looks_of
from harness.plan.model import Plan
from harness.plan.wording import many
from harness.recording import Mark, Recording
from harness.runner import Runner
from harness.timeline import REFRESH_NS, Segment, TimelineBuilder
from harness.verdict import CheckResult, Verdict

JUDGING_NS: Final = 300 * S
"""Longest wait for a judgement between rounds; a million packets take a few seconds."""

NAMED: Final = 3
"""So many failed checks are named in a line; more are counted."""

Read = Callable[[], Recording]
Results = tuple[CheckResult, ...]


class Rounds:
    """The rounds of a plan with `extend`, for `Runner.run`; `read` reads back what was recorded so far."""

    def __init__(self, plan: Plan, seed: int, throttle_share: Fraction, read: Read) -> None:
        self._plan = plan
        self._looks = looks_of(plan)
        self._builder = TimelineBuilder(plan, seed, throttle_share)
        self._read = read
        self._played = 0

    def __call__(self, runner: Runner) -> Iterator[Sequence[Segment]]:
        """Yield the segments of one round after the other until a look settles every check, or the cap.

        The first round is the plan's timeline; later ones draw on from the same seed.
        """
        for look in self._looks:
            runner.writer.mark(
                runner.bench.now_ns(), "look",
                number=look.number, of=look.of, rounds=look.rounds, share=str(look.share),
            )  # fmt: skip
            while self._played < look.rounds:
                self._played += 1
                runner.note = f"round {self._played} of at most {self._looks[-1].rounds}, until {look}"
                runner.writer.mark(runner.bench.now_ns(), "round", number=self._played)
                yield another_round(self._builder, self._plan)
            if look.number < look.of and not self._goes_on(runner, look):
                return

    def _goes_on(self, runner: Runner, look: Look) -> bool:
        """Judge, and tell what comes of it."""
        runner.note = f"judging, {look}"
        runner.pause()
        results = _judged(runner, self._plan, self._read)
        if results is None:
            runner.observer.say(f"{look}: judging took too long, so the run ends here")
            return False
        wanting = wanting_samples(results)
        if not wanting:
            runner.observer.say(f"{look}: {_why_enough(results)}")
            return False
        rounds = self._looks[look.number].rounds - self._played
        open_ = ", ".join(f"{one.name} (about {one.needed} {one.sample_unit} more)" for one in wanting)
        runner.observer.say(f"{look}: not settled: {open_}; {many(rounds, 'more round')}")
        return True


def another_round(builder: TimelineBuilder, plan: Plan) -> Sequence[Segment]:
    """Return the segments of one more round of all steps: the sticks begin at rest, the draws go on."""
    builder.sticks = plan.link.rest_us
    builder.segments = []
    for step in plan.steps:
        builder.add(step)
    return tuple(builder.segments)


def wanting_samples(results: Sequence[CheckResult]) -> tuple[CheckResult, ...]:
    """Return the checks that more samples could settle.

    None where the bench itself is at fault, and none once a check has failed: the run cannot pass any more.
    """
    if any(one.verdict in (Verdict.ERROR, Verdict.FAIL) for one in results):
        return ()
    return tuple(one for one in results if one.verdict is Verdict.INCONCLUSIVE and (one.needed or 0) > 0)


def _why_enough(results: Sequence[CheckResult]) -> str:
    """Say why no round follows."""
    failed = list(dict.fromkeys(one.name for one in results if one.verdict is Verdict.FAIL))
    more = f" and {len(failed) - NAMED} more" * (len(failed) > NAMED)
    return f"failed: {', '.join(failed[:NAMED])}{more}" if failed else "no check lacks samples"


def so_far(recording: Recording) -> Recording:
    """Return a recording that is still being written as if it ended here: nothing is missing from it yet."""
    end = Mark(recording.marks[-1].at_ns, "end", {"why": "complete"})
    return replace(recording, marks=(*recording.marks, end), complete=True, problems=())


def _judged(runner: Runner, plan: Plan, read: Read) -> Results | None:
    """Return the results of what was recorded so far; None if it takes too long."""
    from harness.judge import verdicts  # numpy and scipy are slow to import

    runner.writer.flush()
    if runner.bench.is_virtual:
        return verdicts(plan, so_far(read()))
    with _beside(lambda: verdicts(plan, so_far(read()))) as results:
        until = runner.bench.now_ns() + JUDGING_NS
        while not results.done() and (now := runner.bench.now_ns()) < until:
            runner.rest()
            runner.talk.wait_for(results.done, until_ns=now + REFRESH_NS)
        return results.result() if results.done() else None


@contextmanager
def _beside(work: Callable[[], Results]) -> Iterator[Future[Results]]:
    """Do `work` in a thread; whoever leaves early does not wait for it, for devices must be released then."""
    pool = ThreadPoolExecutor(1, "judging")
    try:
        yield pool.submit(work)
    finally:
        pool.shutdown(wait=False, cancel_futures=True)

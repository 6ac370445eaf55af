"""A bench for tests written in Python: the steps and checks of a plan as calls.

def test_throttle_closes(bench):
    bench.do("cut", duration="700 ms", times=5)
    bench.require("failsafe_outputs")
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

from harness.bench.protocol import Bench
from harness.clock import S
from harness.ending import End, no_collector
from harness.errors import BenchError
from harness.extending import so_far
from harness.judge import verdicts
from harness.plan.model import Plan, PlanStep, Repeat
from harness.plan.reader import parse_check, parse_step
from harness.recording import Recording, read_recording
from harness.report.folder import RECORDING, RunFolder
from harness.report.live import Quiet
from harness.report.text import details
from harness.runner import Runner
from harness.running import Request, open_for, require_props_off, stop_on_signals, writer_for
from harness.timeline import TimelineBuilder
from harness.verdict import CheckResult, Verdict

JUDGING_NS: Final = 60 * S
"""Longest judging of one check; a million packets take about a second."""


class ScriptedBench:
    """A connected bench. `plan` gives the link; its own steps and checks are not used."""

    def __init__(
        self, runner: Runner, plan: Plan, seed: int, read: Callable[[], Recording], throttle_share: Fraction
    ) -> None:
        self._runner = runner
        self._plan = plan
        self._read = read
        self._builder = TimelineBuilder(plan, seed, throttle_share)
        self._done: list[PlanStep] = []
        self.end = End()

    @property
    def bench(self) -> Bench:
        """The bench underneath, for whoever needs its bytes."""
        return self._runner.bench

    def do(self, word: str, *, name: str = "", **keys: Any) -> None:
        """Carry out one step: its word and keys as in a plan, quantities as text with units.

        Raises PlanError as a plan would, BenchError if the bench fails, AssertionError if a wait is missed.
        The sticks stay where the step left them while the harness is heard: between calls no keep-alive is
        sent, and devices left alone for 500 ms let go by themselves.
        """
        step = parse_step(_snippet({word: keys, "name": name} if name else {word: keys}), self._plan.link)
        step = _placed(step, f"steps[{len(self._done)}]")
        before = len(self._builder.segments)
        self._builder.add(step)
        segments = self._builder.segments[before:]
        self._runner.require([segment.step for segment in segments])
        self._done.append(step)
        self.end = End("error", "the script ended inside a step", step.path)
        try:
            with no_collector():
                self.end = self._runner.play(segments)
        except KeyboardInterrupt as stop:
            self.end = self._runner.ended_by(stop)
            raise
        except BenchError as error:
            self.end = self._runner.ended_by(error)
            raise
        assert self.end.why == "complete", f"{word}: {self.end.detail}"

    def check(self, word: str, **keys: Any) -> CheckResult:
        """Judge what was recorded so far by one check, its word and keys as in a plan."""
        return self.check_all([{word: keys}])[0]

    def check_all(self, checks: Sequence[dict[str, Any]]) -> tuple[CheckResult, ...]:
        """Judge what was recorded so far by several checks at once, each as in a plan: `{"order": {}}`."""
        steps = tuple(self._done)
        rules = tuple(parse_check(_snippet(entry), self._plan.link, steps) for entry in checks)
        self._runner.awake()
        self._runner.talk.ping_round(2, 40_000_000)
        plan = replace(self._plan, steps=steps, checks=rules, extend=None, soak=None)
        recording = so_far(self._read())
        if self.bench.is_virtual:
            return verdicts(plan, recording)
        with ThreadPoolExecutor(1) as judges:  # the devices are kept alive meanwhile
            judgement = judges.submit(verdicts, plan, recording)
            self._runner.talk.wait_for(judgement.done, until_ns=self.bench.now_ns() + JUDGING_NS)
            return judgement.result()

    def require(self, word: str, **keys: Any) -> CheckResult:
        """Judge by one check and raise AssertionError, with the evidence, unless it passed."""
        result = self.check(word, **keys)
        if result.verdict is not Verdict.PASS:
            raise AssertionError(details(result))
        return result


def _placed(step: PlanStep, path: str) -> PlanStep:
    """A step with its place in the script, and its inner steps with theirs."""
    action = step.action
    if isinstance(action, Repeat):
        inner = (_placed(one, f"{path}.repeat.steps[{n}]") for n, one in enumerate(action.steps))
        action = replace(action, steps=tuple(inner))
    return replace(step, action=action, path=path)


def _snippet(entry: dict[str, Any]) -> str:
    """One entry of a plan as text: JSON is YAML, with characters left as they are."""
    return json.dumps(entry, ensure_ascii=False)


@contextmanager
def scripted(request: Request, out: Path) -> Iterator[ScriptedBench]:
    """Open a bench for a script and connect to its devices; the folder `out`, numbered, keeps the recording.

    However the block is left, the throttle is closed and the devices are released.
    """
    require_props_off(request)
    with (
        RunFolder.create(out, numbered=True) as folder,
        closing(open_for(request)) as bench,
        folder.open_recording() as file,
        closing(writer_for(request, bench, file)) as writer,
        stop_on_signals() as stop_requested,
    ):

        def read() -> Recording:
            writer.flush()
            return read_recording(folder.path / RECORDING)

        runner = Runner(bench, writer, request.plan, Quiet())
        runner.talk.stop_requested = stop_requested
        runner.connect()
        end = End("error", "the script ended by an exception")
        try:
            script = ScriptedBench(runner, request.plan, request.seed, read, request.throttle_share)
            yield script
            end = script.end
        finally:
            runner.finish(end)

"""When may a run of a defect be stopped? As soon as the check that must catch it has failed on a fact.

A fact is what no later packet takes back: a failsafe that never came, an output that nobody sent. Checks of
shares and percentiles wait for the end of the plan: each extra look at them is another chance to be wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from harness.clock import S
from harness.extending import so_far
from harness.plan import model as p
from harness.recording import Recording
from harness.runner import Runner
from harness.verdict import Verdict

FIRST_NS: Final = 10 * S
LATER_PER_MILLE: Final = 600
"""The first look comes after so much time of the run, and each other after so much of that time again: fewer
looks would find a defect later, more would cost more than they save."""
FACTS: Final = (
    p.ControlGap, p.Duplicates, p.FailsafeEntry, p.FailsafeExit, p.FailsafeMargin, p.FailsafeOutputs,
    p.Fidelity, p.NoFalseFailsafe, p.NoGlitch, p.Order, p.OutputRange, p.Pins, p.StartUp, p.TelemetryAge,
    p.TelemetryValue,
)  # fmt: skip
"""Checks that one case fails, whatever else there was."""


def risk_of(rule: p.Check) -> float:
    """Return the share of good links that a check may fail; 0 for one that judges facts.

    A check with a confidence is wrong at its limit in 1 - confidence of runs at most; one that looks for a
    rhythm says its own false alarm. Others judge facts, and may never be wrong; so does failsafe entry, which
    a receiver that is never late cannot fail.
    """
    if isinstance(rule, p.FailsafeEntry):
        return 0.0
    return float(getattr(rule, "false_alarm", 0) or 1 - getattr(rule, "confidence", 1))


class Stopper:
    """Looks at a run now and then and says whether it may stop.

    `failed` is then the word of the check, and `step` the key path of the step under way.
    """

    def __init__(self, runner: Runner, word: str, read: Callable[[], Recording]) -> None:
        self._runner, self._read = runner, read
        self._checks = tuple(
            check for check in runner.plan.checks if word == check.rule.WORD and isinstance(check.rule, FACTS)
        )
        self._begin_ns = runner.bench.now_ns()
        self._look_ns = self._begin_ns + FIRST_NS
        self.failed = self.step = ""

    def __call__(self) -> bool:
        """Return whether the run may stop; judges what there is if a look is due."""
        now_ns = self._runner.bench.now_ns()
        if now_ns < self._look_ns or not self._checks:
            return False
        self._look_ns = now_ns + (now_ns - self._begin_ns) * LATER_PER_MILLE // 1000
        if self._has_failed():
            self.failed, self.step = self._checks[0].rule.WORD, self._runner.step
        return bool(self.failed)

    def _has_failed(self) -> bool:
        from harness.judge.rules import judge_one  # numpy is slow to import
        from harness.measure import gather

        evidence = gather(self._runner.plan, so_far(self._read()))
        return any(judge_one(check, evidence).verdict is Verdict.FAIL for check in self._checks)

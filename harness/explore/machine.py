"""Can a maker explore from a test written in Python? A rule-based state machine over a scripted bench.

    from harness.explore.machine import LinkMachine

    class Dunlin(LinkMachine):
        plan = "my-plan.yaml"     # whose link section counts
        rig = "mock"

    TestDunlin = Dunlin.TestCase

Hypothesis then plays rules in any order, holds the invariants after each, and shrinks what fails to few of
them. Further rules and invariants are methods with `hypothesis.stateful.rule` and `invariant`;
`self.bench` is the bench of `harness.scripting`, `self.do(step)` carries out a step as in a plan.
"""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import Any, ClassVar

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from harness.bench.rig import find_rig
from harness.plan.find import find_plan
from harness.plan.invariants import invariants
from harness.plan.model import Link
from harness.plan.reader import load_plan
from harness.plan.writing import Data
from harness.report.text import details
from harness.running import Request
from harness.scripting import ScriptedBench, scripted
from harness.strategies import (
    POLITE,
    SIMULATED,
    Bounds,
    bursts,
    cuts,
    either,
    fades,
    framed,
    holds,
    interferences,
    jumps,
    mutes,
    ramps,
    restarts,
)
from harness.verdict import CheckResult, Verdict

_LINK: st.SearchStrategy[Link] = st.runner().map(lambda machine: machine.link)
_BOUNDS: st.SearchStrategy[Bounds] = st.runner().map(lambda machine: machine.bounds)


class LinkMachine(RuleBasedStateMachine):
    """A link under test; subclasses say which.

    `plan` is a plan file or a shipped plan, for its link section; `rig` a rig file or a built-in rig; `seed`
    all chance of the bench; `out` a folder that keeps every recording (None: they are thrown away). On
    hardware `props_off` must be True. Each example opens the bench anew. Raises AssertionError when an
    invariant is violated, BenchError when the bench fails.
    """

    plan: ClassVar[str] = "failsafe"
    rig: ClassVar[str] = "mock"
    seed: ClassVar[int] = 0
    defect: ClassVar[str | None] = None
    near_miss: ClassVar[bool] = False
    props_off: ClassVar[bool] = False
    out: ClassVar[Path | None] = None

    def __init__(self) -> None:
        super().__init__()
        self.done: list[Data] = []
        with ExitStack() as stack:
            request = self._request()
            self.link = request.plan.link
            self.bounds = POLITE if request.rig.is_hardware else SIMULATED
            out = self.out or Path(stack.enter_context(tempfile.TemporaryDirectory()))
            self.bench: ScriptedBench = stack.enter_context(scripted(request, out / "explored"))
            self._open = stack.pop_all()
        self.do(framed([], self.link)[0])

    def _request(self) -> Request:
        path = find_plan(self.plan)
        return Request(
            plan=load_plan(path), file=str(path), rig=find_rig(self.rig), seed=self.seed,
            defect=self.defect, near_miss=self.near_miss, props_off=self.props_off,
        )  # fmt: skip

    def do(self, step: Data) -> None:
        """Carry out one step, written as in a plan."""
        (word, keys), *_ = step.items()
        self.bench.do(word, **(keys if isinstance(keys, dict) else {"for": keys}))
        self.done.append(step)

    @rule(step=_LINK.flatmap(lambda link: either(holds(link), jumps(link), ramps(link))))
    def move_sticks(self, step: Data) -> None:
        """Put sticks somewhere."""
        self.do(step)

    @rule(step=_BOUNDS.flatmap(bursts))
    def send_a_burst(self, step: Data) -> None:
        """Send extra packets."""
        self.do(step)

    @rule(step=st.tuples(_LINK, _BOUNDS).flatmap(lambda both: cuts(*both)))
    def cut_the_link(self, step: Data) -> None:
        """Cut the link in any way."""
        self.do(step)

    @rule(step=_LINK.flatmap(lambda link: either(fades(link), mutes(), interferences())))
    def disturb_the_link(self, step: Data) -> None:
        """Fly out of range and back, lose acknowledgements, meet another transmitter."""
        self.do(step)

    @rule(step=_BOUNDS.flatmap(restarts))
    def restart_a_device(self, step: Data) -> None:
        """Restart transmitter or receiver."""
        self.do(step)

    @invariant()
    def nothing_is_violated(self) -> None:
        """Hold all invariants of `harness.plan.invariants` on what was recorded so far."""
        failed = [one for one in self.results() if one.verdict is Verdict.FAIL]
        assert not failed, "\n".join(details(one) for one in failed)

    def results(self) -> tuple[CheckResult, ...]:
        """Judge what was recorded so far by every invariant; few packets leave some of them inconclusive."""
        asked = [_entry(check) for check in invariants(self.done, self.link)]
        return self.bench.check_all(asked)

    def teardown(self) -> None:
        """Rest, see that the link came back, release the devices."""
        with self._open:
            self.do(framed([], self.link)[-1])
            self.nothing_is_violated()


def _entry(check: Data | str) -> dict[str, Any]:
    return {check: {}} if isinstance(check, str) else check

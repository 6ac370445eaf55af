"""What comes of one scenario on this bench? Plays a plan, judges its recording, and tells the rest apart."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, replace

from harness.bench.protocol import Bench, Role
from harness.ending import End
from harness.errors import BenchError
from harness.judge import verdicts
from harness.plan import model as p
from harness.plan.reader import parse_plan
from harness.plan.writing import plan_text
from harness.recording import parse_recording
from harness.runner import Runner
from harness.running import Request, open_for, timeline_for, writer_for
from harness.showing import Observer
from harness.strategies import POLITE, SIMULATED, Bounds, framed
from harness.timeline import Timeline
from harness.verdict import CheckResult, Verdict


@dataclass(frozen=True, slots=True)
class Failure:
    """A check that failed: its word, and the reason that it gave."""

    check: str
    reason: str


@dataclass(frozen=True, slots=True)
class Tried:
    """What one scenario came to.

    `trouble` says in words what was wrong with the bench, and then `failures` mean nothing; `gone` that it
    cannot go on, `stopped` that somebody stopped it. `link_ns` is the time that it took on the bench's clock.
    """

    failures: tuple[Failure, ...] = ()
    trouble: str = ""
    gone: bool = False
    stopped: bool = False
    link_ns: int = 0
    cuts: int = 0
    recording: bytes = b""

    def fails(self, check: str) -> bool:
        """Whether this check failed."""
        return any(failure.check == check for failure in self.failures)


class Trier:
    """Plays scenarios on the bench of `request`, whose own plan gives link and safety alone.

    A simulated bench is new for each scenario, so that each can be repeated by itself. Real ports stay open.
    """

    def __init__(self, request: Request, observer: Observer, stop: Callable[[], bool]) -> None:
        self._request = request
        self._observer = observer
        self._stop = stop
        self._bench: Bench | None = None

    def play(self, plan: p.Plan, seed: int) -> Tried:
        """Carry out a plan under a seed and judge it; raises PlanError if the rig's lines cannot carry it."""
        request = replace(self._request, plan=plan, seed=seed)
        timeline = timeline_for(request)
        try:
            bench = self._open(request)
        except BenchError as error:
            return Tried(trouble=str(error), gone=True)
        started, file = bench.now_ns(), io.BytesIO()
        end = self._run(request, timeline, bench, file)
        took = bench.now_ns() - started
        if bench.is_virtual:
            self.close()
        cuts, recording = timeline.cuts, file.getvalue()
        if end.why in ("port gone", "not identified"):
            return Tried(trouble=end.detail, gone=True, link_ns=took, cuts=cuts, recording=recording)
        if end.why == "PC asleep":
            return Tried(trouble=end.detail, link_ns=took, cuts=cuts, recording=recording)
        if end.why == "interrupted":
            return Tried(stopped=True, link_ns=took, cuts=cuts, recording=recording)
        results = verdicts(plan, parse_recording(recording, "explored"))
        return Tried(
            failures=_failures(results),
            trouble=_trouble(results),
            link_ns=took,
            cuts=cuts,
            recording=recording,
        )

    def probe(self) -> Bounds:
        """Return how far steps may go on this bench, by what its devices say that they can do.

        Raises BenchError if a device does not answer.
        """
        link, safety = self._request.plan.link, self._request.plan.safety
        text = plan_text(link, framed([], link), ["bench"], title="a look at the devices", safety=safety)
        request = replace(self._request, plan=parse_plan(text, "probe"))
        bench, file = self._open(request), io.BytesIO()
        writer = writer_for(request, bench, file)
        try:
            runner = Runner(bench, writer, request.plan, self._observer)
            runner.connect()
            ports = runner.talk.ports
            given = {role: ports[role].identity for role in (Role.TRANSMITTER, Role.RECEIVER)}
            runner.finish(End())
        finally:
            writer.close()
            if bench.is_virtual:
                self.close()
        can = {role.value: int(one.abilities) for role, one in given.items() if one is not None}
        return replace(POLITE if bench.is_hardware else SIMULATED, **can)

    def close(self) -> None:
        """Give the ports back."""
        bench, self._bench = self._bench, None
        if bench is not None:
            bench.close()

    def _open(self, request: Request) -> Bench:
        if self._bench is None:
            self._bench = open_for(request)
        return self._bench

    def _run(self, request: Request, timeline: Timeline, bench: Bench, file: io.BytesIO) -> End:
        writer = writer_for(request, bench, file)
        try:
            runner = Runner(bench, writer, request.plan, self._observer)
            runner.talk.stop_requested = self._stop
            return runner.run(timeline)
        except KeyboardInterrupt:  # before the first step; later ones are ends of the run
            return End("interrupted")
        except BenchError as error:  # a device did not answer, or not as it must
            return End("not identified", str(error), role=error.role, port=error.port)
        finally:
            writer.close()


def _failures(results: tuple[CheckResult, ...]) -> tuple[Failure, ...]:
    return tuple(Failure(one.kind, one.reason) for one in results if one.verdict is Verdict.FAIL)


def _trouble(results: tuple[CheckResult, ...]) -> str:
    return "; ".join(one.reason for one in results if one.verdict is Verdict.ERROR)

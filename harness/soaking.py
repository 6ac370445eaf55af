"""When is the next round of a soak, and what lies between two? For plans with `soak`.

All steps are played again and again until the time is over. Between two rounds is a pause in which nothing is
asked for: reports of the round before come in, both clocks are pinged, each device says again who it is. So
each round can be judged by itself (`harness.recording.windows`).
"""

from __future__ import annotations

import gc
from collections.abc import Iterator, Sequence
from fractions import Fraction

from harness.codec import messages as m
from harness.extending import another_round
from harness.plan.model import Plan
from harness.plan.soak import half_pause_ns, usual_rounds
from harness.recording.windows import PAUSE, ROUND, SEAM
from harness.runner import PING_EVERY_NS, PINGS_AT_ENDS, Runner
from harness.timeline import Segment, TimelineBuilder


class SoakRounds:
    """The rounds of a plan with `soak`, for `Runner.run`: one at least, the last begins in time."""

    def __init__(self, plan: Plan, seed: int, throttle_share: Fraction) -> None:
        assert plan.soak is not None
        self._plan = plan
        self._for_ns = plan.soak.for_ns
        self._builder = TimelineBuilder(plan, seed, throttle_share)

    def __call__(self, runner: Runner) -> Iterator[Sequence[Segment]]:
        """Yield the segments of one round after the other; the pauses between them are played in here."""
        bench, number = runner.bench, 1
        until = bench.now_ns() + self._for_ns
        while True:
            runner.note = f"round {number} of about {max(number, usual_rounds(self._plan))}"
            runner.writer.mark(bench.now_ns(), ROUND, number=number)
            yield another_round(self._builder, self._plan)
            if bench.now_ns() >= until:
                return
            self._pause(runner, number)
            number += 1

    def _pause(self, runner: Runner, number: int) -> None:
        """Let everything of a round come in, with pings and identities before and after the seam.

        A device that is restarting says nothing at the first `Identify`, so it is asked again.
        The cyclic collector is off while steps are played, and hours of garbage would add up: it runs here.
        """
        half_ns = half_pause_ns(self._plan.link)
        runner.note = f"between rounds {number} and {number + 1}"
        runner.writer.mark(runner.bench.now_ns(), PAUSE, number=number)
        runner.rest()
        _identify(runner)
        _half(runner, half_ns)
        runner.writer.mark(runner.bench.now_ns(), SEAM, number=number)
        _identify(runner)
        gc.collect()
        _half(runner, half_ns)
        runner.writer.flush()


def _half(runner: Runner, half_ns: int) -> None:
    until = runner.bench.now_ns() + half_ns
    runner.talk.ping_round(PINGS_AT_ENDS, PING_EVERY_NS)
    runner.talk.advance(until)


def _identify(runner: Runner) -> None:
    for role in sorted(runner.talk.alive):
        runner.talk.send(role, m.Identify())

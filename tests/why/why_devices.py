"""Runs of devices with a fault that the catalogue has not: by settings of the mock, or made for one test."""

from __future__ import annotations

import io
from contextlib import closing
from dataclasses import replace
from fractions import Fraction

from harness.bench.protocol import Bench
from harness.bench.rig import find_rig
from harness.board.playing import plan_of
from harness.clock import S
from harness.likely import Likely
from harness.measure.evidence import Evidence
from harness.plan.model import Plan
from harness.plan.reader import parse_plan
from harness.recording import Follower
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, judge_seen, rounds_for, timeline_for, writer_for
from harness.verdict import Judgement
from mocks.bench import open_virtual
from mocks.defects.model import Defect, Felt, Patch
from mocks.receiver import Receiver
from mocks.settings import MockSettings
from mocks.transmitter import Transmitter


def with_text(word: str, *pairs: tuple[str, str]) -> Plan:
    """Return a shipped plan changed: each pair is a text that it must hold, and the one in its place."""
    text = plan_of(word).text
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    return replace(parse_plan(text, word, word), name=word)


def run(
    plan: Plan | str,
    *,
    receiver: type[Receiver] = Receiver,
    transmitter: type[Transmitter] = Transmitter,
    seed: int = 5,
    **settings: object,
) -> tuple[Judgement, Evidence]:
    """Carry out a plan on the mock with these settings and devices, and judge it."""
    plan = plan_of(plan) if isinstance(plan, str) else plan
    mock = replace(MockSettings(), **{name: _exact(value) for name, value in settings.items()})
    defect = Defect("made for a test", Felt.MISSING, "serious", "", "", "", plan.name, "",
                    Patch(receiver=receiver, transmitter=transmitter), Patch())  # fmt: skip
    with closing(open_virtual(plan.link, mock, seed, defect)) as bench:
        return on_bench(plan, bench, seed)


def _exact(value: object) -> object:
    return Fraction(value).limit_denominator(10_000) if isinstance(value, float) else value


def on_bench(plan: Plan, bench: Bench, seed: int = 5) -> tuple[Judgement, Evidence]:
    """Carry out a plan on a bench, and judge it."""
    request = Request(plan, plan.name, find_rig("mock"), seed, None, near_miss=False)
    file = io.BytesIO()
    writer = writer_for(request, bench, file)
    timeline = timeline_for(request)
    rounds = rounds_for(plan, timeline, lambda: Follower("the run").read(file.getvalue()))
    Runner(bench, writer, plan, Quiet()).run(timeline, rounds)
    writer.close()
    outcome, evidence = judge_seen(Follower("the run").read(file.getvalue()))
    return outcome.judgement, evidence


def keys(judgement: Judgement) -> list[str]:
    """Return the keys of the causes told, less what is so by design."""
    return [one.key for one in judgement.causes if not one.by_design]


def told(judgement: Judgement, key: str) -> Likely:
    """Return the cause of this key; it must be there."""
    (one,) = [cause for cause in judgement.causes if cause.key == key]
    return one


class Fades(Transmitter):
    """Gets weaker by 12 dB in 40 s."""

    DB_X10 = 120

    def start(self) -> None:
        super().start()
        self._less_x10 = 0
        self.world.at(self.world.now_ns + S, self._weaken, None)

    def _weaken(self, _: None) -> None:
        self._less_x10 = min(self._less_x10 + self.DB_X10 // 40, self.DB_X10)
        self.air.set_power(self.settings.transmit_power_x10 - self._less_x10)
        self.world.at(self.world.now_ns + S, self._weaken, None)

"""How does a soak stand? Each round is measured by itself, then every check by what all rounds come to."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from harness.account.lines import Lines
from harness.account.soak import Hours, account
from harness.bench.protocol import Role
from harness.clock import S
from harness.codec.messages import Identity
from harness.devices.telling import Telling
from harness.judge.rules import applied_of, device_words, identities, run_notes
from harness.judge.steady import steady_result, steady_section
from harness.judge.telling import as_told
from harness.judge.words import plain
from harness.measure.arrays import inside, ints
from harness.measure.evidence import Evidence, gather
from harness.measure.hours import RoundFigures, round_figures
from harness.measure.spans import NEVER_NS
from harness.plan import model as p
from harness.plan.model import Plan, PlanCheck
from harness.plan.soak import most_rounds
from harness.plan.wording import many
from harness.recording.windows import Window
from harness.soak.others import Bench, Drift, Gap, Losses, Rate
from harness.soak.parts import Certain, Entries, Part, Tightened, Total, worst_of
from harness.soak.place import Place
from harness.soak.shares import Delivery, Times
from harness.verdict import CheckResult, Judgement, Verdict

MOST_NOTES: Final = 30
WAYS: Final[dict[type, Callable[[PlanCheck], Part]]] = {
    p.Delivery: Delivery,
    p.Latency: Times,
    p.ControlAge: Times,
    p.PacketRate: Rate,
    p.ControlGap: Gap,
    p.BenchHealth: Bench,
    p.FailsafeEntry: Entries,
    p.Duplicates: Total,
    p.Order: Total,
}
"""How each check puts rounds together; the others are `Certain`."""
RISKY: Final = (p.Noise, p.LinkMargin)
"""Checks whose verdict in a round has a risk of its own."""


Watcher = Callable[[Evidence, RoundFigures], None]


def judge_windows(plan: Plan, windows: Iterable[Window], watch: Watcher | None = None) -> Judgement:
    """Return the judgement of a soak; only one window at a time is needed, and nothing of it is kept.

    `watch` is shown every round, with its figures, once it is measured.

    Pure and repeatable to the bit. How each check puts its rounds together is told in `harness.soak.parts`,
    `harness.soak.shares` and `harness.soak.others`.
    """
    soak = _Soak(plan, watch)
    for window in windows:
        soak.take(window)
    return soak.judgement()


class _Soak:
    """What all rounds so far came to."""

    def __init__(self, plan: Plan, watch: Watcher | None) -> None:
        self.plan, self.watch = plan, watch
        self.rounds: list[RoundFigures] = []
        self.steady: list[RoundFigures] = []
        self.parts = [part_for(check, plan, self.steady) for check in plan.checks]
        self.hours = Hours(plan.link.packet_period_ns)
        self.lines = Lines()
        self.verdicts: list[Verdict] = []
        self.start_ns: int | None = None
        self.seconds = 0.0
        self.sent = self.applied = 0
        self.devices: dict[str, str] = {}
        self.units: dict[str, Identity] = {}
        self.notes: dict[str, tuple[Place, int]] = {}
        self.tells: Mapping[Role, Telling] = {}

    def take(self, window: Window) -> None:
        """Measure one round and let every check have its part of it."""
        evidence = gather(self.plan, window.recording)
        place = self._place(window, evidence)
        self.tells = self.tells or evidence.tells
        verdict = worst_of(
            [
                self._told(check, part.take(place, evidence))
                for part, check in zip(self.parts, self.plan.checks, strict=True)
            ]
        )
        figures = round_figures(place.number, evidence)
        self.rounds.append(figures)
        self.verdicts.append(verdict)
        if place.ended and not evidence.recording.damaged:
            self.steady.append(figures)
        if self.watch is not None:
            self.watch(evidence, figures)
        self.hours.take(str(place), evidence)
        self.lines.take(evidence)
        self._add_totals(place, evidence)

    def _told(self, check: PlanCheck, verdict: Verdict) -> Verdict:
        """Return what is left of a round's verdict by what the devices tell."""
        return as_told(check.rule, CheckResult(check.name, "", verdict, ""), self.tells).verdict

    def _place(self, window: Window, evidence: Evidence) -> Place:
        start = evidence.run.start_ns
        if self.start_ns is None and start != NEVER_NS:
            self.start_ns = start
        since = start - (self.start_ns or 0) if start != NEVER_NS else 0
        ended = evidence.end.why == "complete"
        return Place(window.number, since, ended, (window.start_ns, window.end_ns))

    def _add_totals(self, place: Place, evidence: Evidence) -> None:
        whole = ints([[evidence.run.start_ns, evidence.run.end_ns]])
        asked = np.flatnonzero(inside(evidence.sent.at_ns, whole))
        self.seconds += evidence.run.seconds
        self.sent += len(asked)
        self.applied += applied_of(evidence, asked, whole)
        for role in evidence.heard:
            words = device_words(evidence, role)
            if role.value not in self.devices or words != "no identity":
                self.devices[role.value] = words
        self.units |= identities(evidence)
        for note in run_notes(evidence):
            first, count = self.notes.get(note, (place, 0))
            if count or len(self.notes) < MOST_NOTES:
                self.notes[note] = (first, count + 1)

    def judgement(self) -> Judgement:
        """Return what all of it comes to."""
        results = tuple(
            steady_result(_named(as_told(check.rule, part.result(), self.tells), check))
            for part, check in zip(self.parts, self.plan.checks, strict=True)
        )
        told = account(self.rounds, [verdict.value for verdict in self.verdicts], self.hours)
        return Judgement(
            results=results,
            link_seconds=self.seconds,
            packets_sent=self.sent,
            packets_applied=self.applied,
            devices=self.devices,
            notes=(self._note(), *self._notes()),
            sections=tuple(steady_section(one) for one in (self.lines.section(), told) if one is not None),
            units=self.units,
        )

    def _notes(self) -> list[str]:
        """Return what is worth knowing about rounds; what several have in common is told once."""
        return [
            f"{first}{f' and {count - 1} more' if count > 1 else ''}: {note}"
            for note, (first, count) in self.notes.items()
        ]

    def _note(self) -> str:
        hours = plain(self.seconds / 3600, 2)
        asked = plain(self.plan.soak.for_ns / (3600 * S), 2) if self.plan.soak else hours
        return (
            f"{many(len(self.rounds), 'round')} in {hours} h of {asked} h asked for; each was measured by "
            "itself, and the checks are about all of them together"
        )


def part_for(check: PlanCheck, plan: Plan, rounds: list[RoundFigures]) -> Part:
    """Return how a check puts rounds together."""
    if isinstance(check.rule, p.Drift):
        return Drift(check, rounds)
    if isinstance(check.rule, p.LossPattern):
        return Losses(check, most_rounds(plan))
    if isinstance(check.rule, RISKY):
        return Tightened(check, most_rounds(plan))
    return WAYS.get(type(check.rule), Certain)(check)


def _named(found: CheckResult, check: PlanCheck) -> CheckResult:
    return replace(found, name=check.name, kind=check.rule.WORD)


__all__ = ["judge_windows", "part_for"]

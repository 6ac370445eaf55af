"""What does a check come to over many rounds? Ways to put rounds together, each for some of the checks.

`Certain`   a fault that was certainly seen, once, is a fault: no statistics, so that many rounds make no
            false alarm likelier. Fails if a round fails; a round in doubt leaves the check open, as in a
            short run; passes where all rounds together have as many samples as one round must have.
`Total`     the same for checks that allow a number: the numbers of all rounds are added.
`Tightened` a verdict with a risk: each round may use its even share, so that all rounds together keep the
            check's own confidence or false alarms (union bound, as for the looks of `extend`).
`Entries`   link cuts are trials: they are added, and judged as in one run.

Shares of packets and of time are in `harness.soak.shares`, the rest in `harness.soak.others`. Each part
keeps a few numbers and lines of a round, never its data.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from fractions import Fraction
from typing import Any, Final, Protocol

from harness.judge.guard import decide_trials, result
from harness.judge.rules import judge_one
from harness.judge.words import EXAMPLES, share
from harness.looks import at_share
from harness.measure.evidence import Evidence
from harness.plan import model as p
from harness.plan.wording import many
from harness.soak.place import Place
from harness.verdict import CheckResult, Verdict

MOST_NAMED: Final = 3
"""Rounds named in a reason."""
DOUBTFUL: Final = "possible"
"""Count of those beyond the certain number that could be faults."""
EXTREMES: Final = ("longest", "oldest")
"""Counts that begin so are no sums."""


class Part(Protocol):
    """One check, gathering what it needs of each round."""

    def take(self, place: Place, evidence: Evidence) -> Verdict:
        """Take in a round; return what it says by itself, `pass` if it saw no fault."""
        ...

    def result(self) -> CheckResult:
        """Return what all rounds come to."""
        ...


@dataclass(frozen=True, slots=True)
class Told:
    """What is kept of a round that matters: where it was, and what it came to."""

    place: Place
    result: CheckResult


class Certain:
    """Puts together checks whose failure is certain where it is seen."""

    def __init__(self, check: p.PlanCheck) -> None:
        self.check = check
        self.rounds = 0
        self.samples = 0
        self.required = 0
        self.counts: Counter[str] = Counter()
        self.failed = _Kept()
        self.open = _Kept()
        self.worst: Told | None = None
        self.latest: CheckResult | None = None
        self.examples: list[str] = []

    def take(self, place: Place, evidence: Evidence) -> Verdict:
        """Judge the round by itself and keep its numbers."""
        found = self.judged(evidence)
        if not place.ended and not found.samples:
            return Verdict.NONE  # it never came to the step that this is about
        self.rounds += 1
        self.samples += found.samples
        self._count(found.counts)
        self.required = max(self.required, found.samples + (found.needed or 0) if found.needed else 0)
        self.latest = found
        told = Told(place, found)
        self._sort(told)
        if found.verdict is not Verdict.PASS:
            room = EXAMPLES - len(self.examples)
            self.examples += [f"{place}: {line}" for line in found.examples[:room]]
        if found.value is not None and (self.worst is None or self._is_worse(found, self.worst.result)):
            self.worst = told
        few = found.verdict is Verdict.INCONCLUSIVE and found.needed and found.samples
        return Verdict.PASS if few else found.verdict  # nothing wrong was seen in it

    def _count(self, counts: Mapping[str, int]) -> None:
        """Add a round's counts; of those that tell an extreme the largest is kept."""
        for name, number in counts.items():
            extreme = name.startswith(EXTREMES)
            self.counts[name] = max(self.counts[name], number) if extreme else self.counts[name] + number

    def judged(self, evidence: Evidence) -> CheckResult:
        """Return what the round says by itself."""
        return judge_one(self.check, evidence)

    def _sort(self, told: Told) -> None:
        verdict, few = told.result.verdict, bool(told.result.needed)
        if verdict in (Verdict.FAIL, Verdict.ERROR):
            self.failed.add(told)
        elif verdict is Verdict.INCONCLUSIVE and not few:
            self.open.add(told)

    @staticmethod
    def _is_worse(one: CheckResult, other: CheckResult) -> bool:
        if one.unit != other.unit or other.value is None or one.value is None:
            return one.verdict.rank > other.verdict.rank
        return one.value < other.value if one.side == "at least" else one.value > other.value

    def verdict(self) -> Verdict:
        """Return what all rounds come to."""
        if self.failed:
            return Verdict.FAIL
        if self.latest is not None and self.latest.verdict is Verdict.NONE:
            return Verdict.NONE
        short = self.samples < max(1, self.required)
        return Verdict.INCONCLUSIVE if self.open or short else Verdict.PASS

    def result(self) -> CheckResult:
        """Return the verdict with the round that shows it best."""
        verdict = self.verdict()
        shown = self._shown(verdict)
        if shown is None:
            return self._named(
                result(Verdict.INCONCLUSIVE, f"nothing to judge in {many(self.rounds, 'round')}")
            )
        short = max(1, self.required) - self.samples
        return self._named(
            replace(
                shown.result,
                verdict=verdict,
                reason=self._reason(verdict, shown),
                samples=self.samples,
                needed=short if verdict is Verdict.INCONCLUSIVE and not self.open and short > 0 else None,
                counts=dict(self.counts),
                examples=tuple(self.examples) if verdict is not Verdict.PASS else (),
                advice=shown.result.advice if verdict is not Verdict.PASS else (),
            )
        )

    def _shown(self, verdict: Verdict) -> Told | None:
        if verdict is Verdict.FAIL:
            return self.failed.first
        if self.open:
            return self.open.first
        return self.worst or (Told(Place(self.rounds, 0), self.latest) if self.latest else None)

    def _reason(self, verdict: Verdict, shown: Told) -> str:
        if verdict is Verdict.FAIL:
            return f"{self.failed.words(self.rounds, 'failed')}: {shown.result.reason}"
        if self.open:
            return f"{self.open.words(self.rounds, 'is in doubt')}: {shown.result.reason}"
        unit = shown.result.sample_unit.removesuffix("s") or "sample"
        total = f"{many(self.samples, unit)} in {many(self.rounds, 'round')}"
        if verdict is Verdict.INCONCLUSIVE:
            return f"only {total}; {shown.result.reason}"
        return f"{total}, none failed; {shown.place}: {shown.result.reason}"

    def _named(self, found: CheckResult) -> CheckResult:
        return replace(found, name=self.check.name, kind=self.check.rule.WORD)


class _Kept:
    """How many rounds of a kind there were, and the first few of them."""

    def __init__(self) -> None:
        self.count = 0
        self.told: list[Told] = []

    def add(self, told: Told) -> None:
        self.count += 1
        if len(self.told) < MOST_NAMED:
            self.told.append(told)

    def __bool__(self) -> bool:
        return self.count > 0

    @property
    def first(self) -> Told:
        return self.told[0]

    def words(self, rounds: int, what: str) -> str:
        """Return `2 of 96 rounds failed, the first is round 7 at 0:35:00`."""
        first = f"the first is {self.first.place}" if self.count > 1 else f"{self.first.place}"
        return f"{self.count} of {many(rounds, 'round')} {what}, {first}"


class Total(Certain):
    """Adds up the numbers of checks that allow some: a round's value is its number."""

    def __init__(self, check: p.PlanCheck) -> None:
        super().__init__(check)
        self.number = 0

    def take(self, place: Place, evidence: Evidence) -> Verdict:
        """Take in a round's number, unless its recording is damaged."""
        found = super().take(place, evidence)
        if self.latest is not None and found is not Verdict.NONE and not evidence.recording.damaged:
            self.number += int(self.latest.value or 0)
        return found

    def verdict(self) -> Verdict:
        """Return what the sum comes to."""
        allowed = getattr(self.check.rule, "at_most", 0)
        if self.number > allowed:
            return Verdict.FAIL
        found = super().verdict()
        return Verdict.INCONCLUSIVE if found is Verdict.PASS and self._hidden(allowed) else found

    def _hidden(self, allowed: int) -> bool:
        return self.number + self.counts[DOUBTFUL] > allowed

    def result(self) -> CheckResult:
        """Return the verdict with the sum as its value."""
        found = super().result()
        return found if found.value is None else replace(found, value=float(self.number))

    def _shown(self, verdict: Verdict) -> Told | None:
        return self.worst if verdict is Verdict.FAIL else super()._shown(verdict)

    def _reason(self, verdict: Verdict, shown: Told) -> str:
        maybe, allowed = self.counts[DOUBTFUL], getattr(self.check.rule, "at_most", 0)
        if verdict is Verdict.INCONCLUSIVE and not self.open and self._hidden(allowed):
            return (
                f"{self.number} for certain and {maybe} possible in {many(self.rounds, 'round')}, {allowed} "
                f"allowed; most in {shown.place}: {shown.result.reason}"
            )
        if verdict is not Verdict.FAIL:
            return super()._reason(verdict, shown)
        return f"{self.number} in {many(self.rounds, 'round')}, most in {shown.place}: {shown.result.reason}"


class Tightened(Certain):
    """Gives each round an even share of the check's risk; `rounds` is the most there can be."""

    def __init__(self, check: p.PlanCheck, rounds: int) -> None:
        super().__init__(check)
        self._asked = check
        self.check = replace(check, rule=with_share(check.rule, Fraction(1, rounds)))

    def result(self) -> CheckResult:
        """Return the verdict, and say how sure each round had to be."""
        found = super().result()
        used = [getattr(self.check.rule, key, None) for key in ("confidence", "false_alarm")]
        sure = next((one for one in used if one is not None), None)
        asked = getattr(self._asked.rule, "confidence", None) or getattr(
            self._asked.rule, "false_alarm", None
        )
        if sure is None or asked is None:
            return found
        words = f"; each round judged with {share(sure)}, so that all together keep {share(asked)}"
        return replace(found, reason=found.reason + words)


def with_share(rule: p.Check, part: Fraction) -> p.Check:
    """Return the rule with this part of its risk: 1 - `confidence`, or `false_alarm`."""
    given: dict[str, Any] = {field.name: getattr(rule, field.name) for field in fields(rule)}
    used: dict[str, Any] = {}
    if "confidence" in given:
        used["confidence"] = at_share(given["confidence"], part)
    if "false_alarm" in given:
        used["false_alarm"] = given["false_alarm"] * part
    return replace(rule, **used)


class Entries(Certain):
    """Adds up link cuts by how failsafe came in them, and judges them all as trials of one kind."""

    GOOD: Final = "in time"
    BAD: Final = ("late", "never engaged")
    UNSURE: Final = "left open"

    def _decided(self) -> tuple[Verdict, float, int | None]:
        rule = self.check.rule
        assert isinstance(rule, p.FailsafeEntry)
        bad = sum(self.counts[key] for key in self.BAD)
        shown = decide_trials(
            self.counts[self.GOOD], bad, self.counts[self.UNSURE], float(rule.share), float(rule.confidence)
        )
        return shown.verdict, shown.share, shown.needed

    def verdict(self) -> Verdict:
        """Return what all cuts come to; a round whose failure is in doubt leaves it open."""
        verdict = self._decided()[0]
        if verdict is Verdict.FAIL and not self.failed:
            return Verdict.INCONCLUSIVE
        return verdict

    def result(self) -> CheckResult:
        """Return the verdict with the share of cuts that is shown."""
        found = super().result()
        _, shown, needed = self._decided()
        if found.verdict is Verdict.FAIL or not self.samples:
            return found
        rule = self.check.rule
        assert isinstance(rule, p.FailsafeEntry)
        words = (
            f"failsafe came in time in {self.counts[self.GOOD]} of {many(self.samples, 'cut')} in "
            f"{many(self.rounds, 'round')}: this shows {share(shown)} of cuts with {share(rule.confidence)} "
            f"confidence, wanted {share(rule.share)}"
        )
        unsure = self.counts[self.UNSURE]
        words += f"; {many(unsure, 'cut')} left open" if unsure else ""
        worst = f"; the slowest in {self.worst.place}" if self.worst else ""
        return replace(found, reason=words + worst, needed=needed)

    def _shown(self, verdict: Verdict) -> Told | None:
        return self.failed.first if verdict is Verdict.FAIL else self.worst or super()._shown(verdict)


def worst_of(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the worst of some verdicts, `none` without any."""
    return max(verdicts, key=lambda verdict: verdict.rank, default=Verdict.NONE)

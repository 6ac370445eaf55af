"""How many were caught, and how many healthy ones were not passed? Counts with exact intervals."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from harness.bench.mocked import Listed
from harness.board.playing import Played, plan_of
from harness.board.stopping import risk_of
from harness.plan.wording import many
from harness.stats.binomial import clopper_pearson_lower, clopper_pearson_upper
from harness.verdict import Verdict

CONFIDENCE = 0.95
PROVING = ("failsafe", "acceptance")
"""Plans one of which must catch every dangerous defect in every run."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One defect, or one near-miss, on one plan: how its runs ended, and how often its own check failed.

    No runs where the plan's link cannot have the defect.
    """

    runs: int
    caught: int
    by_check: int
    verdicts: Counter[str]


@dataclass(frozen=True, slots=True)
class Healthy:
    """Healthy rigs on one plan: how their runs ended, which checks failed, and each check's stated risk."""

    plan: str
    runs: int
    verdicts: Counter[str]
    failed: Counter[str]
    risks: dict[str, float]

    @property
    def stated(self) -> float:
        """Share of good links that the plan may fail: the risks of its checks added up (Boole)."""
        return min(1.0, sum(self.risks.values()))

    @property
    def wrong(self) -> int:
        """Runs that called a healthy rig faulty, or the bench."""
        return self.verdicts[Verdict.FAIL] + self.verdicts[Verdict.ERROR]

    def broken(self) -> list[str]:
        """Return the checks that failed oftener than they say, at 95 % confidence; without a risk, at all."""
        return [
            check
            for check, count in sorted(self.failed.items())
            if clopper_pearson_lower(count, self.runs, CONFIDENCE) > self.risks.get(check, 0.0)
        ]

    @property
    def most(self) -> float:
        """Upper limit of that share."""
        return clopper_pearson_upper(self.wrong, self.runs, CONFIDENCE)


@dataclass(frozen=True, slots=True)
class Board:
    """Everything that was counted. `cells` and `near` go by defect and plan."""

    defects: Sequence[Listed]
    plans: tuple[str, ...]
    cells: dict[tuple[str, str], Cell]
    near: dict[tuple[str, str], Cell]
    healthy: tuple[Healthy, ...]

    def missed(self, defect: Listed) -> str:
        """Say what the goal asks of a defect and was not reached; empty if it was, or was not asked.

        Dangerous: caught in every run of `failsafe` or of `acceptance`. Every other: in 99 % of a plan's.
        Nothing is asked of one that was played on other plans only, without its own.
        """
        if defect.plan not in self.plans:
            return ""
        shares = {
            plan: Fraction(cell.caught, cell.runs)
            for plan in self.plans
            if (cell := self.cells.get((defect.name, plan))) is not None and cell.runs
        }
        if not shares:
            return ""
        if defect.severity == "dangerous":
            must = [share for plan, share in shares.items() if plan in PROVING]
            if not must:
                return "dangerous, and played on neither failsafe nor acceptance, one of which must catch it"
            return "" if 1 in must else "dangerous, and not caught in every run of failsafe or acceptance"
        return "" if max(shares.values()) >= Fraction(99, 100) else "caught in less than 99 % of runs"

    def misses(self) -> list[str]:
        """Return everything that was promised and not kept, a line each."""
        lines = [f"{defect.name}: {words}" for defect in self.defects if (words := self.missed(defect))]
        for (name, plan), cell in self.near.items():
            if wrong := cell.verdicts[Verdict.FAIL] + cell.verdicts[Verdict.ERROR]:
                lines.append(
                    f"the near-miss of {name} was not passed in {wrong} of {many(cell.runs, 'run')} of {plan}"
                )
        for one in self.healthy:
            lines += [
                f"{one.plan}: {check} failed {one.failed[check]} of {many(one.runs, 'healthy rig')}"
                for check in one.broken()
            ]
            if errors := one.verdicts[Verdict.ERROR]:
                lines.append(
                    f"{one.plan}: {errors} of {many(one.runs, 'healthy rig')} ended as bench trouble"
                )
        return lines


def tally(defects: Sequence[Listed], plans: Sequence[str], played: Iterable[Played]) -> Board:
    """Return the board of everything that was played; `defects` and `plans` give its order."""
    by: dict[tuple[str, bool, str], list[Played]] = {}
    for one in played:
        by.setdefault((one.job.defect, one.job.near_miss, one.job.plan), []).append(one)
    checks = {defect.name: defect.caught_by for defect in defects}
    cells = {key: _cell(runs, checks.get(key[0], "")) for key, runs in by.items()}
    return Board(
        defects=tuple(defect for defect in defects if any(key[0] == defect.name for key in by)),
        plans=tuple(plans),
        cells={(name, plan): cell for (name, near, plan), cell in cells.items() if name and not near},
        near={(name, plan): cell for (name, near, plan), cell in cells.items() if name and near},
        healthy=tuple(_healthy(plan, by["", False, plan]) for plan in plans if ("", False, plan) in by),
    )


def _cell(played: Sequence[Played], check: str) -> Cell:
    runs = [one for one in played if one.verdict is not Verdict.NONE]
    return Cell(
        runs=len(runs),
        caught=sum(one.caught for one in runs),
        by_check=sum(
            check in one.failed or (check == "bench" and one.verdict is Verdict.ERROR) for one in runs
        ),
        verdicts=Counter(str(one.verdict) for one in runs),
    )


def _healthy(plan: str, runs: Sequence[Played]) -> Healthy:
    return Healthy(
        plan=plan,
        runs=len(runs),
        verdicts=Counter(str(one.verdict) for one in runs),
        failed=Counter(check for one in runs for check in one.failed),
        risks=stated_risks(plan),
    )


def stated_risks(plan: str) -> dict[str, float]:
    """Return by check the share of good links that a plan's checks of that kind may fail.

    See `harness.board.stopping.risk_of`.
    """
    risks: dict[str, float] = {}
    for check in plan_of(plan).checks:
        if risk := risk_of(check.rule):
            risks[check.rule.WORD] = risks.get(check.rule.WORD, 0.0) + risk
    return risks

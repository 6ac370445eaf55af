"""Does a figure get worse over the hours of a soak? A trend from round to round, against a limit an hour."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.clock import MS, US
from harness.judge.advice import MORE, advise
from harness.judge.guard import result
from harness.judge.words import plain, share
from harness.measure.evidence import Evidence
from harness.measure.hours import HOUR_NS, RoundFigures
from harness.plan import model as p
from harness.plan.wording import many
from harness.stats.trend import Floats, Trend, fewest_values, trend
from harness.verdict import CheckResult, Verdict

ROUNDS: Final = "rounds"
FEWEST_FOR_QUARTERS: Final = 12
UNEVEN: Final = 1.1
"""A change is uneven if it is so many times what the steepest slope of the interval would make of it."""
ONLY_SOAK: Final = "one round shows no drift: the plan needs `soak`, and its file is judged round by round"


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a round that may drift: its key in the plan, its name, its unit, and how to read it.

    `worse` is 1 where more is worse, -1 where less is, 0 where any change is. `slack` is how far a value may
    be out because of the clocks.
    """

    key: str
    name: str
    unit: str
    worse: int
    of: Callable[[RoundFigures], float | None]
    limit: Callable[[p.Drift], float | None]
    slack: Callable[[RoundFigures], float] = lambda _one: 0.0


def _scaled(value: float | None, scale: float) -> float | None:
    return None if value is None else float(value) / scale


FIGURES: Final = (
    Figure(
        "latency", "median latency", "us", 1,
        lambda one: _scaled(one.latency_ns, US), lambda rule: _scaled(rule.latency_ns, US),
        lambda one: one.slack_ns / US,
    ),
    Figure(
        "delivery", "delivery", "%", -1,
        lambda one: _scaled(one.delivery, 0.01),
        lambda rule: None if rule.delivery is None else float(100 * rule.delivery),
    ),
    Figure(
        "free_memory", "free memory", "bytes", -1,
        lambda one: _scaled(one.free_memory, 1), lambda rule: _scaled(rule.free_memory, 1),
    ),
    Figure(
        "control_gap", "longest gap", "ms", 1,
        lambda one: _scaled(one.gap_ns, MS), lambda rule: _scaled(rule.control_gap_ns, MS),
    ),
    Figure(
        "telemetry_age", "age of telemetry", "ms", 1,
        lambda one: _scaled(one.age_ns, MS), lambda rule: _scaled(rule.telemetry_age_ns, MS),
        lambda one: one.slack_ns / MS,
    ),
    Figure(
        "clocks", "difference of the clocks", "ppm", 0,
        lambda one: one.skew_ppm, lambda rule: _scaled(rule.clocks_ppm, 1),
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Drifting:
    """One figure's trend and what becomes of it: the limit an hour, what the clocks leave open, the verdict.

    The values of the first and the last round may be out by the clocks' bound each: `uncertainty` is twice
    that over the time between them. `uneven` says in words what forbids a pass
    that the slope alone would give.
    """

    figure: Figure
    limit: float | None
    trend: Trend
    uncertainty: float
    verdict: Verdict
    uneven: str = ""

    @property
    def worst(self) -> float:
        """By how much it gets worse in an hour, at the median; 0 where nothing is known."""
        slope = self.trend.slope or 0.0
        return abs(slope) if self.figure.worse == 0 else slope * self.figure.worse


def drifts(rounds: Sequence[RoundFigures], rule: p.Drift) -> tuple[Drifting, ...]:
    """Return the trend of every figure; those without a limit have verdict `none`.

    The risk `false_alarm` is shared evenly by the figures that are judged (union bound).
    """
    judged = sum(figure.limit(rule) is not None for figure in FIGURES)
    confidence = 1 - float(rule.false_alarm) / max(1, judged)
    found = []
    for figure in FIGURES:
        told = [(_hours(one), value) for one in rounds if (value := figure.of(one)) is not None]
        times, values = np.asarray(told, dtype=np.float64).reshape(-1, 2).T
        seen = trend(times, values, confidence)
        span = float(times[-1] - times[0]) if len(times) else 0.0
        uncertainty = 2 * max(map(figure.slack, rounds)) / span if span > 0 else 0.0
        limit = figure.limit(rule)
        verdict = Verdict.NONE if limit is None else _verdict(figure.worse, limit, seen, uncertainty)
        uneven = ""
        if limit is not None and verdict is Verdict.PASS:
            uneven = _uneven(figure, limit, seen, _Quarters.of(times, values), 1 - confidence)
        verdict = Verdict.INCONCLUSIVE if uneven else verdict
        found.append(Drifting(figure, limit, seen, uncertainty, verdict, uneven))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Quarters:
    """How the last quarter of the rounds differs from the first, and how many hours lie between them."""

    count: int
    hours: float
    medians: float
    means: float

    @classmethod
    def of(cls, times: Floats, values: Floats) -> _Quarters:
        part = max(1, len(values) // 4)
        first, last = values[:part], values[-part:]
        return cls(
            len(values),
            float(times[-part:].mean() - times[:part].mean()),
            float(np.median(last) - np.median(first)),
            float(last.mean() - first.mean()),
        )


def _uneven(figure: Figure, limit: float, seen: Trend, shift: _Quarters, risk: float) -> str:
    """Say what the slope does not show: half of all pairs, 29 % of the rounds, may change without moving it.

    Medians of the first and the last quarter may differ by the limit times the hours between. A significant
    trend may change by an hour's limit beyond what an even slope explains; means tell also of what begins in
    the last few rounds, and its significance keeps single wild values out.
    """
    worse = figure.worse or (1 if shift.medians >= 0 else -1)
    if shift.count >= FEWEST_FOR_QUARTERS and worse * shift.medians > limit * shift.hours:
        return f"from the first to the last quarter it changes by {_size(shift.medians)} {figure.unit}"
    worse = figure.worse or (1 if seen.tau >= 0 else -1)
    if seen.interval is None or seen.p_value > risk or seen.tau * worse <= 0:
        return ""
    steepest = max(0.0, *(worse * end for end in seen.interval))
    if worse * shift.means <= max(limit, UNEVEN * steepest * shift.hours):
        return ""
    return (
        f"it changes, but not evenly over the hours: by {_size(shift.means)} {figure.unit} from the first to "
        "the last quarter"
    )


def _hours(one: RoundFigures) -> float:
    return (one.start_ns + one.end_ns) / 2 / HOUR_NS


def _verdict(worse: int, limit: float, seen: Trend, uncertainty: float) -> Verdict:
    """Pass if the whole interval of the slope, widened, keeps the limit, fail if none of it does."""
    if seen.interval is None:
        return Verdict.INCONCLUSIVE
    lower, upper = seen.interval
    if worse < 0:
        lower, upper = -upper, -lower
    if worse == 0 and upper < 0:
        lower, upper = -upper, -lower
    most = max(upper, -lower) if worse == 0 else upper
    if most + uncertainty <= limit:
        return Verdict.PASS
    return Verdict.FAIL if lower - uncertainty > limit else Verdict.INCONCLUSIVE


def judge_drift(rule: p.Drift, rounds: Sequence[RoundFigures]) -> CheckResult:
    """Judge that no figure gets worse in an hour by more than its limit.

    Each round is one value of each figure. A figure fails if the whole interval of its Theil-Sen slope,
    widened by what the clocks leave open, is beyond the limit, and passes if none of it is (see
    `harness.stats.trend`) and nothing changes unevenly; Mann-Kendall's p is told beside it. Rounds are
    taken as independent but for the trend.
    """
    found = [one for one in drifts(rounds, rule) if one.limit is not None]
    verdict = max((one.verdict for one in found), key=lambda one: one.rank, default=Verdict.INCONCLUSIVE)
    shown = [one for one in found if one.verdict is verdict] or found
    worst = max(shown, key=lambda one: one.worst / (one.limit or 1.0), default=None)
    if worst is None:
        return result(verdict, "no figure has a limit", sample_unit=ROUNDS, advice=advise("drift", "none"))
    side = _per_hour_side(worst)
    return result(
        verdict,
        "; ".join(_words(one, rule) for one in (shown if verdict is not Verdict.PASS else [worst])),
        value=worst.trend.slope,
        unit=f"{worst.figure.unit}/h",
        interval=worst.trend.interval,
        confidence=1 - float(rule.false_alarm) / max(1, len(found)),
        uncertainty=worst.uncertainty,
        limit=-(worst.limit or 0.0) if side == "at least" else worst.limit,
        side=side,
        samples=len(rounds),
        sample_unit=ROUNDS,
        needed=_needed(shown, rule, len(found)) if verdict is Verdict.INCONCLUSIVE else None,
        counts={"rounds": len(rounds), "figures": len(found)},
        advice=_advice(verdict, shown),
    )


def _per_hour_side(one: Drifting) -> str:
    falling = one.figure.worse < 0 or (one.figure.worse == 0 and (one.trend.slope or 0.0) < 0)
    return "at least" if falling else "at most"


def _words(one: Drifting, rule: p.Drift) -> str:
    figure, seen = one.figure, one.trend
    if seen.slope is None:
        return f"{figure.name}: known in {many(seen.count, 'round')} only, which shows no trend"
    way = "rises" if seen.slope > 0 else "falls" if seen.slope < 0 else "stays the same"
    by = f" by {_size(abs(seen.slope))} {figure.unit} an hour" if seen.slope else ""
    told = f"{figure.name} {way}{by}"
    limit = f"{plain(one.limit or 0.0)} {figure.unit} allowed"
    if seen.interval is None:
        return f"{told} over {many(seen.count, 'round')}, too few to tell; {limit}"
    low, high = (_size(end) for end in seen.interval)
    between = f"surely {low}" if low == high else f"{low} to {high}"
    between += f", clocks to {_size(one.uncertainty)}" if one.uncertainty else ""
    return (
        f"{told} ({between}; Mann-Kendall p = {seen.p_value:.2g}, {share(rule.false_alarm)} of false alarms "
        f"for all figures together) over {many(seen.count, 'round')}"
        f"{'; ' if one.uneven else ''}{one.uneven}; {limit}"
    )


def _size(number: float) -> str:
    return f"{number:.3g}"


def _needed(shown: Sequence[Drifting], rule: p.Drift, judged: int) -> int | None:
    """Return about how many more rounds would settle it: an interval narrows with their number ** 1.5."""
    most = 0
    for one in shown:
        count, interval = one.trend.count, one.trend.interval
        if interval is None or one.trend.slope is None:
            most = max(most, fewest_values(float(rule.false_alarm) / max(1, judged)) - count)
            continue
        if one.uneven:
            continue
        away = abs((one.limit or 0.0) - one.worst)
        wide = (interval[1] - interval[0]) / 2 + one.uncertainty
        most = max(most, int(count * ((wide / away) ** (2 / 3) - 1)) + 1 if away else 0)
    return most if 0 < most < 1_000_000 else None


def _advice(verdict: Verdict, shown: Sequence[Drifting]) -> tuple[str, ...]:
    if verdict is Verdict.FAIL:
        return advise("drift", *(one.figure.key for one in shown))
    uneven = advise("drift", *(one.figure.key for one in shown if one.uneven))
    return (*uneven, MORE) if verdict is Verdict.INCONCLUSIVE else ()


def judge_one_round(rule: p.Drift, evidence: Evidence) -> CheckResult:  # noqa: ARG001
    """Return that a single round, or a recording taken as a whole, shows no drift."""
    return result(Verdict.INCONCLUSIVE, ONLY_SOAK, sample_unit=ROUNDS)


__all__ = ["FIGURES", "Drifting", "drifts", "judge_drift", "judge_one_round"]

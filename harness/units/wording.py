"""How are a lot's figures put into words? Used by report, page and JSON alike, so that they cannot differ."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.findings import percent
from harness.report.figures import Figures, figures
from harness.stats.sampling import SamplingPlan
from harness.units.decision import CONFIDENCE, Curve, Decision
from harness.units.figures import Subject
from harness.units.lots import Joined, Lot
from harness.units.odd import Look, Odd
from harness.units.ranking import RISK, Place, Ranking
from harness.verdict import CheckResult, Verdict

HEADLINES: Final = {
    Verdict.PASS: "ACCEPTED",
    Verdict.FAIL: "REJECTED",
    Verdict.INCONCLUSIVE: "CANNOT TELL",
}
NAMES_MOST: Final = 8
"""So many units are named in one sentence."""
CAUTIONS: Final = (
    "An accepted lot is no proof of each unit in it: the curve says how bad a lot may be and still pass. It "
    "holds for units drawn at random, and for what the plan tests. A unit that stands out is odd, not bad: "
    "its own verdict says whether it is good enough.",
    "A pass is not permission to fly. On the bench: propellers off, model restrained, supply "
    "current-limited, lithium batteries watched.",
)
SIMULATED: Final = "The devices were simulated: these runs say nothing about your own modules."


def many(count: int, thing: str) -> str:
    """Return `1 unit`, `8 units`."""
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


def listed(names: Sequence[str]) -> str:
    """Return `a, b and c`."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def share(part: float) -> str:
    """Return a share in per cent with three digits: `25.0 %`, `0.312 %`."""
    return f"{float(f'{100 * part:.3g}'):g} %"


def told(subject: Subject, found: Joined | None) -> Figures:
    """Return a unit's figure in words: value, interval widened by the uncertainty, limit, margin."""
    low = high = None
    if found is not None:
        low = None if found.below is None else found.value - found.below
        high = None if found.above is None else found.value + found.above
    return figures(
        CheckResult(
            name=subject.title,
            kind=subject.kind,
            verdict=Verdict.NONE,
            reason="",
            value=None if found is None else found.value,
            unit=subject.unit,
            interval=None if low is None and high is None else (low, high),
            uncertainty=None if found is None else found.uncertainty,
            limit=subject.limit,
            side=subject.side if subject.limit is not None else "",
        )
    )


def value_words(subject: Subject, value: float) -> str:
    """Return a bare value with its unit."""
    return told(subject, Joined(value, None, None, None, 0.0, (value,))).value


def headline(lot: Lot, decision: Decision) -> str:
    """Return the decision in one line."""
    return f"{HEADLINES[decision.verdict]}: {lot.plan}: {tally(decision)}"


def tally(decision: Decision) -> str:
    """Return how many units were tested, with what came of them, and how many may be unacceptable."""
    unclear = f", {decision.unclear} unclear" if decision.unclear else ""
    missing = f", {decision.missing} not tested yet" if decision.missing else ""
    allowed = f"at most {decision.plan.acceptance} allowed" if decision.plan else "too few for any plan"
    found = f"{many(decision.tested, 'unit')} tested, {decision.unacceptable or 'none'} unacceptable"
    return f"{found}{unclear}{missing}, {allowed}"


def place_words(place: Place) -> str:
    """Return `3`, or `1 to 6` where it is open."""
    return str(place.first) if place.first == place.last else f"{place.first} to {place.last}"


def room_words(place: Place) -> str:
    """Return the tightest figure and the room it leaves, or what failed."""
    if place.unit.failed:
        return f"failed: {', '.join(place.unit.failed)}"
    if place.tightest is None or place.room is None:
        return ""
    return f"{place.tightest.title}: {share(place.room)} left"


def odd_words(look: Look, odd: Odd) -> str:
    """Return what is odd about a unit in one sentence."""
    value, middle = value_words(look.subject, odd.value), value_words(look.subject, odd.middle)
    word = "worse" if odd.is_worse else "better"
    return (
        f"{odd.unit.short}: {look.subject.title} {value}, the others' middle {middle} ({word}; {look.test}: "
        f"{odd.statistic:.3g}, allowed {odd.critical:.3g})"
    )


def odd_in(place: Place, looks: Sequence[Look]) -> str:
    """Return the figures in which a unit stands out."""
    found = [
        f"{look.subject.title} ({'worse' if odd.is_worse else 'better'})"
        for look in looks
        for odd in look.odd
        if odd.unit.name == place.unit.name
    ]
    return ", ".join(found)


def ranking_words(lot: Lot, ranking: Ranking) -> list[str]:
    """Return how the order came about."""
    told_in = [s.title for s in lot.subjects if ranking.apart.get(s.key)]
    lines = [
        "Order: verdict first; then a unit stands before another that is worse in some figure and better in "
        "none. Places that intervals leave open are given from the first to the last possible one.",
        f"Told apart: pairs whose intervals, at {percent(1 - RISK)} confidence for all {ranking.comparisons} "
        "comparisons together (Bonferroni), and measurement uncertainties leave no common value"
        + (f": in {listed(told_in)}." if told_in else ": none, in no figure."),
        "Room left: the margin as a share of what the limit allows, of the check with the least"
        + (" among those in which units can be told apart." if told_in else "."),
    ]
    if ranking.repeated:
        lines.append("What differs from run to run of the same unit was counted as well, pooled over units.")
    elif lot.runs == len(lot.units):
        lines.append(
            "Each unit ran once: what differs from unit to unit may be what differs from run to run. Run "
            "each twice, and both can be told apart."
        )
    return lines


def looks_words(looks: Sequence[Look], units: int) -> list[str]:
    """Return how units that stand out were looked for, and what is left in doubt."""
    tested = [look for look in looks if look.test]
    if not tested:
        few = "Fewer than 4 units: nothing can be said about units that stand out." if units < 4 else ""
        return [few or "Units that stand out: no figure differs enough to be tested."]
    lines = [
        f"Stands out: two-sided tests of {many(len(tested), 'figure')}, which share a risk of "
        f"{percent(RISK)} that a healthy lot has any such unit; at most a quarter of the units, and never "
        "one that differs from the middle of the others by less than both intervals and uncertainties. Of "
        "worst cases (failsafe, telemetry age) only the bad side counts. Times must "
        "stand out as they are and in their logarithm, so that a long tail does not make its end odd."
    ]
    if any(look.test in ("Grubbs", "Dixon") for look in tested):
        lines.append(
            "So few units allow a test for one odd unit a figure: two of them at the same end can mask each "
            "other. From 15 units on the test looks for several at once."
        )
    for look in tested:
        if look.doubted and len(look.doubted) + len(look.odd) > 1:
            names = listed([unit.short for unit in look.doubted])
            lines.append(
                f"{look.subject.title}: perhaps masked, look again: {names} (median rule, |z| > 3.5)."
            )
        if look.is_mixed:
            lines.append(
                f"{look.subject.title}: more than a quarter of the units are far from the rest: rather a "
                "mixed lot than a lot with odd units."
            )
    return lines


def plan_words(plan: SamplingPlan) -> str:
    """Return a sampling plan in the trade's words."""
    lot = f"lot size {plan.lot}" if plan.lot is not None else "a lot of any size"
    return f"n={plan.sample}, c={plan.acceptance} ({lot})"


def decision_words(lot: Lot, decision: Decision) -> list[str]:
    """Return what the test of this lot shows."""
    lines = [_why(lot, decision)]
    asked, plan, curve = decision.asked, decision.plan, decision.curve
    if plan is not None and curve is not None:
        lines.append(
            f"Sampling plan {plan_words(plan)}: accepting lots by it lets through a lot with "
            f"{share(curve.let_through)} bad units in {share(plan.accepts(curve.let_through))} of cases "
            f"(consumer's risk), and rejects {_kept_words(decision, plan, curve)} (producer's risk)."
        )
    lines.append(
        f"With {percent(CONFIDENCE)} confidence at most {share(decision.bad_at_most)} of "
        + ("the lot" if asked.size else "units made like these")
        + " are unacceptable"
        + (", the unclear ones counted as unacceptable." if decision.unclear else ".")
    )
    return [*lines, *_asked_words(decision)]


def _kept_words(decision: Decision, plan: SamplingPlan, curve: Curve) -> str:
    """Return which lot is rejected how often; of a small lot even a single bad unit may be too many."""
    if curve.kept > 0:
        rejected = max(0.0, 1 - plan.accepts(curve.kept))
        return f"one with {share(curve.kept)} bad units in {share(rejected)} of cases"
    single = 1 / (decision.asked.size or 1)
    return f"one with a single bad unit in {share(1 - plan.accepts(single))} of cases"


def _why(lot: Lot, decision: Decision) -> str:
    plan, open_ = decision.plan, decision.unclear + decision.missing
    found = decision.unacceptable or "none"
    if plan is None:
        return (
            f"{many(decision.tested, 'unit')} tested are too few: with none unacceptable, a lot with "
            f"{share(decision.asked.limit or 0)} bad units would still be accepted oftener than the "
            f"consumer's risk of {share(decision.asked.consumer)}."
        )
    if decision.verdict is Verdict.FAIL:
        return (
            f"Rejected: {decision.unacceptable} unacceptable ({_names(lot, Verdict.FAIL)}), at most "
            f"{plan.acceptance} allowed."
        )
    if decision.verdict is Verdict.PASS:
        both = "" if not open_ else ", even if the unclear and untested ones are"
        return f"Accepted: {found} unacceptable{both}, at most {plan.acceptance} allowed."
    return (
        f"Cannot tell: {found} unacceptable and {open_} unclear or not tested "
        f"({_names(lot, Verdict.INCONCLUSIVE) or 'none unclear'}); at most {plan.acceptance} allowed. Test "
        "those, and it can be told."
    )


def _names(lot: Lot, verdict: Verdict) -> str:
    names = [unit.short for unit in lot.units if unit.verdict is verdict]
    return ", ".join(names[:NAMES_MOST]) + (", ..." if len(names) > NAMES_MOST else "")


def _asked_words(decision: Decision) -> list[str]:
    asked, plan = decision.asked, decision.plan
    if asked.limit is None:
        if asked.acceptance is None:
            return [
                "No plan was named: c=0 and all units tested. Say what the lot must keep with --lot "
                "size=200,limit=10%, or name a plan with --sampling n=8,c=0; both before you test."
            ]
        return []
    lines = []
    if plan is not None:
        risk = plan.accepts(asked.limit)
        kept = "keeps" if risk <= asked.consumer else "does not keep"
        lines.append(
            f"Asked: limiting quality {share(asked.limit)}. This plan accepts such a lot in {share(risk)} of "
            f"cases and {kept} the consumer's risk of {share(asked.consumer)}."
        )
        if asked.aql is not None:
            risk = 1 - plan.accepts(asked.aql)
            kept = "keeps" if risk <= asked.producer else "does not keep"
            lines.append(
                f"Acceptance quality limit {share(asked.aql)}: it rejects such a lot in {share(risk)} of "
                f"cases and {kept} the producer's risk of {share(asked.producer)}."
            )
    wanted = [f"n={plan.sample}, c={plan.acceptance}" for plan in decision.wanted]
    which = "Smallest plan for both risks" if asked.aql is not None else "Smallest plans for it"
    lines.append(f"{which}: {'; '.join(wanted) if wanted else 'none, not even all of the lot'}.")
    return lines

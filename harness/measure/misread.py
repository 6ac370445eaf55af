"""What is behind wrong telemetry? Every usual mistake, tried on all reports, and counted.

A mistake is a rule that turns what was injected into what must then be shown. It is held against every
report that can be compared, right or wrong: a factor of ten must also leave the zeros alone. What explains
nearly all is named; where none does, or two do equally well, the field stays unexplained.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from harness.measure.arrays import Flags
from harness.measure.mistakes import MOST, Case, Rule, case_of, fits, full_mask, rules_for
from harness.measure.telemetry import OLD_PACKETS, Comparison
from harness.plan.model import FIELD_BYTES, TelemetryField

FEWEST_VALUES: Final = 3
"""Different injected values behind the wrong reports: fewer fit too many rules by accident."""
STALE_MOST: Final = 60
"""Oldest value tried, in packets."""
HALF: Final = 0.5
"""A rule must foretell this share of the reports; a guess that explains less is not worth naming."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """What fits best, in words. `told` is whether it may be called the cause.

    `explained` of `reports` reports are as it says; `best` is the rule's words even where it is not told.
    """

    words: str
    told: bool
    best: str
    explained: int
    reports: int


class _Score(NamedTuple):
    """How a rule does: `explained` of `foretold` reports, likewise of the wrong; share of bits it tells."""

    rule: Rule
    explained: int
    foretold: int
    of_wrong: int
    wrong: int
    sure: float

    @property
    def rank(self) -> tuple[float, float]:
        """Larger is better: the share explained, then the share of bits foretold."""
        return self.explained / max(1, self.foretold), self.sure


def explain_field(lined: Comparison, fields: tuple[TelemetryField, ...], number: int) -> Explanation | None:
    """Return what is behind the wrong reports of a field, or None if none is wrong."""
    case = case_of(lined, fields, number)
    right, _ = fits(case, Rule("", case.injected, full_mask(case)))
    wrong = ~right
    if not wrong.any():
        return None
    count = len(right)
    simple = _simple(case, wrong)
    if simple:
        return Explanation(f"{simple} ({count} of {count} reports)", True, simple, count, count)
    scores = [_score(case, rule, wrong) for rule in rules_for(case)]
    scores = [*_stale(case, wrong), *scores]
    scores = [one for one in scores if one.foretold >= HALF * count]
    scores.sort(key=lambda one: one.rank, reverse=True)
    return _named(case, scores, int(right.sum()))


def _score(case: Case, rule: Rule, wrong: Flags) -> _Score:
    good, foretold = fits(case, rule)
    sure = float((rule.mask == full_mask(case)).mean())
    return _scored(rule, good, foretold, wrong, sure)


def _scored(rule: Rule, good: Flags, foretold: Flags, wrong: Flags, sure: float) -> _Score:
    explained, told, of_wrong, failed = (
        int(flags.sum()) for flags in (good, foretold, good & wrong, foretold & wrong)
    )
    return _Score(rule, explained, told, of_wrong, failed, sure)


def _named(case: Case, scores: Sequence[_Score], right: int) -> Explanation:
    """Name the best rule if it explains nearly everything and no other one does as well."""
    count = len(case.places)
    best = scores[0] if scores else None
    if best is None or best.explained <= max(right, HALF * best.foretold) or not best.of_wrong:
        return Explanation("no usual mistake explains it", False, "", 0, count)
    told = f"{best.rule.words} ({best.explained} of {best.foretold} reports)"

    def unexplained(why: str) -> Explanation:
        return Explanation(f"unexplained: {why}", False, best.rule.words, best.explained, best.foretold)

    if best.explained < MOST * best.foretold or best.of_wrong < MOST * best.wrong:
        return unexplained(f"the best guess fits too little: {told}")
    rivals = [
        one.rule.words for one in scores[1:] if one.rank == best.rank and not _same(one.rule, best.rule)
    ]
    if rivals:
        both = " or ".join(dict.fromkeys((best.rule.words, *rivals)))
        return unexplained(f"{both} fit equally well ({best.explained} of {best.foretold} reports)")
    under = np.unique(case.injected[case.lined.last[case.places]])
    if len(under) < FEWEST_VALUES:
        return unexplained(f"only {len(under)} different values were injected; perhaps {told}")
    return Explanation(told, True, best.rule.words, best.explained, best.foretold)


def _same(one: Rule, other: Rule) -> bool:
    """Return whether two rules are one mistake, or the same place of the same bytes in other words."""
    if one.words == other.words or not (one.place and other.place):
        return one.words == other.words
    known = np.array_equal(one.mask, other.mask)
    return known and np.array_equal(one.shows & one.mask, other.shows & other.mask)


def _simple(case: Case, wrong: Flags) -> str:
    """Say what needs no comparing: too short a payload, or a value that never changes."""
    shown = case.shown
    if (shown[wrong] < 0).all():
        return "the payload is too short for it"
    values = np.unique(shown)
    under = np.unique(case.injected[case.lined.last[case.places]])
    if len(values) == 1 and len(under) >= FEWEST_VALUES:
        return f"it is always {_number(int(values[0]), case.field)}"
    return ""


def _stale(case: Case, wrong: Flags) -> Iterator[_Score]:
    """It shows what was in force some packets earlier; the ages that fit equally well are told as a span."""
    lined = case.lined
    found: dict[int, tuple[Flags, Flags]] = {}
    for age in range(OLD_PACKETS + 1, STALE_MOST + 1):
        good, known = _as_old(case, age)
        if known.any():
            found[age] = good, known
    if not found:
        return
    shares = {age: float(good.sum() / known.sum()) for age, (good, known) in found.items()}
    best = [age for age, share in shares.items() if share == max(shares.values())]
    if best[-1] - best[0] != len(best) - 1:
        return
    age, last = best[0], best[-1]
    span = str(age) if age == last else f"{age} to {last}"
    words = f"it is {span} packets old: one by design, {_more(age - 1, last - 1)} more"
    nothing = np.zeros(len(lined.values), dtype=np.int64)
    yield _scored(Rule(words, nothing, nothing), *found[age], wrong, 1.0)


def _as_old(case: Case, age: int) -> tuple[Flags, Flags]:
    """Return which reports show what was in force `age` packets before them, and for which that is known."""
    lined, shown = case.lined, case.shown
    rank = lined.rank[case.places]
    received = lined.received_ns[np.maximum(rank - age, 0)]
    good, known = np.zeros(len(shown), dtype=np.bool_), rank >= age
    for slack in (-lined.slack_ns, lined.slack_ns):
        place = np.searchsorted(lined.starts_ns, received + slack, side="right") - 1
        value = case.injected[np.maximum(place, 0)]
        known &= (place >= 0) & (value >= 0)
        good |= shown == value
    return good & known, known


def _number(bits: int, field: TelemetryField) -> str:
    if field.type == "f32":
        return f"{float(np.array([bits], dtype=np.uint32).view(np.float32)[0]):g}"
    width = 8 * FIELD_BYTES[field.type]
    return str(bits - (1 << width) if field.type[0] == "i" and bits >> width - 1 else bits)


def _more(low: int, high: int) -> str:
    return str(low) if low == high else f"{low} to {high}"


__all__ = ["Explanation", "explain_field"]

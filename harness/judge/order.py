"""Is every applied packet one that was sent, and in its turn? By number, by time and by content."""

from __future__ import annotations

from collections import Counter

from harness.judge.advice import BENCH, advise
from harness.judge.guard import Count, judge_count, no_advice, no_data, result
from harness.judge.words import EXAMPLES, moment
from harness.measure.cuts import DISTURBED
from harness.measure.evidence import Evidence
from harness.measure.ordering import Ordering, read_ordering
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict


def judge_order(rule: p.Order, evidence: Evidence) -> CheckResult:
    """Judge how many packets were applied out of order, or were never sent by this link's transmitter."""
    found = read_ordering(evidence)
    number = len(found.reordered) + len(found.never_sent)
    counts = {"reordered": len(found.reordered), "never sent": len(found.never_sent)}
    counts |= {"possible": found.maybe} if found.maybe else {}
    if not found.judged:
        return no_data(evidence, "of no applied packet is it known whether it was sent", "packets")
    if number <= rule.at_most < number + found.maybe:
        return _open(found, rule.at_most, counts)
    words = f"{_words(evidence, found)}; at most {rule.at_most} allowed"
    count = Count(
        number=number,
        allowed=rule.at_most,
        total=found.judged,
        unit="packets",
        what="a packet out of order",
        if_fine=words,
        if_not=words,
        advice=_advice(evidence, found),
    )
    return judge_count(evidence, count, counts=counts, examples=_examples(evidence, found))


def _open(found: Ordering, allowed: int, counts: dict[str, int]) -> CheckResult:
    number = len(found.reordered) + len(found.never_sent)
    return result(
        Verdict.INCONCLUSIVE,
        f"{many(found.maybe, 'packet')} may have been out of order or never sent: messages of the "
        f"transmitter got lost on the serial line and could explain them; {number} for certain, at most "
        f"{allowed} allowed",
        value=float(number),
        unit="packets",
        limit=float(allowed),
        side="at most",
        samples=found.judged,
        sample_unit="packets",
        counts=counts,
        advice=BENCH,
    )


def _words(evidence: Evidence, found: Ordering) -> str:
    late, never = len(found.reordered), len(found.never_sent)
    if not late and not never:
        return f"{many(found.judged, 'packet')} applied in the order sent, and no other"
    parts = [f"{many(late, 'packet')} of {found.judged} applied after a later one had been"] if late else []
    if never:
        parts.append(
            f"{many(never, 'packet')} of {found.judged} applied that nobody sent{_whence(evidence, found)}"
        )
    return "; ".join(parts)


def _whence(evidence: Evidence, found: Ordering) -> str:
    """Say during which disturbances packets were applied that were never sent."""
    ways = Counter(_during(evidence, int(evidence.applied.at_ns[row])) for row in found.never_sent.tolist())
    told = [f"{count} while {way} packets were about" for way, count in sorted(ways.items()) if way]
    return f" ({', '.join(told)})" if told else ""


def _during(evidence: Evidence, at_ns: int) -> str:
    """Return the word for the disturbance under way at a time, "" if there was none."""
    after = evidence.plan.link.lost_after_ns + evidence.slack_ns
    for order in evidence.orders:
        if order.what in (*DISTURBED, "beside") and order.start_ns <= at_ns <= order.over_ns + after:
            return "foreign" if order.what == "beside" else order.what
    return ""


def _advice(evidence: Evidence, found: Ordering) -> tuple[str, ...]:
    if len(found.reordered) + len(found.never_sent) == 0:
        return no_advice()
    strange = _whence(evidence, found) != ""
    situations = (["stranger"] if strange else []) + (["late"] if len(found.reordered) else [])
    return advise("order", *(situations or ["never"]))


def _examples(evidence: Evidence, found: Ordering) -> tuple[str, ...]:
    kinds = ((found.reordered, "after a later one"), (found.never_sent, "but nobody sent it"))
    rows = sorted((int(row), what) for rows, what in kinds for row in rows[:EXAMPLES].tolist())
    applied = evidence.applied
    return tuple(
        f"packet {applied.number[row]} applied at {moment(evidence, int(applied.at_ns[row]))}, {what}"
        for row, what in rows[:EXAMPLES]
    )


__all__ = ["judge_order"]

"""Is telemetry good enough? Its values and its age."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.bench.protocol import Role
from harness.clock import MS
from harness.judge.advice import BENCH, advise
from harness.judge.guard import ENOUGH, lost_messages, no_advice, no_data, result
from harness.judge.words import EXAMPLES, moment, ms
from harness.measure.evidence import Evidence
from harness.measure.injection import injections
from harness.measure.misread import explain_field
from harness.measure.telemetry import Comparison, TelemetryValues, WrongValue, comparison, telemetry_values
from harness.measure.telemetry_age import TelemetryAge, telemetry_ages
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict

PRELOADED: Final = 1
"""Packets by which an acknowledgement payload that is loaded before the packet comes is old by design
(shared/protocol.md, section 6)."""
FEWEST: Final = 5
"""Fewest injected sets whose worst age is worth a verdict (common practice, no source)."""


def judge_telemetry_value(rule: p.TelemetryValue, evidence: Evidence) -> CheckResult:  # noqa: ARG001
    """Judge that every injected field arrives bit for bit."""
    lined = comparison(evidence)
    found = telemetry_values(evidence, lined)
    fields = evidence.plan.link.telemetry
    total = sum(found.compared)
    missing = [
        field.name
        for field, count in zip(fields, found.compared, strict=True)
        if field.source == "injected" and not count
    ]
    if not total:
        return _no_values(evidence, found)
    wrong = len(found.wrong)
    verdict, advice = Verdict.PASS, no_advice()
    reason = f"all {many(total, 'value')} in {many(found.reports, 'payload')} were as injected"
    if wrong:
        verdict, advice = Verdict.FAIL, advise("telemetry_value", "fail")
        reason = _wrong_words(found, lined, fields)
    elif missing:
        verdict = Verdict.INCONCLUSIVE
        reason += f", but {', '.join(missing)} was never injected"
    return result(
        verdict,
        reason,
        value=float(wrong),
        unit="wrong values",
        limit=0.0,
        side="at most",
        samples=total,
        sample_unit="values",
        counts={"values": total, "wrong": wrong, "payloads": found.reports, "too short": found.too_short},
        examples=tuple(_wrong_example(evidence, one) for one in found.wrong[:EXAMPLES]),
        advice=advice,
    )


def _no_values(evidence: Evidence, found: TelemetryValues) -> CheckResult:
    """Say why nothing could be compared; acknowledgements that never carry a payload are a failure."""
    lost = lost_messages(evidence, Role.TRANSMITTER)
    if found.acknowledged >= ENOUGH and not len(evidence.telemetry) and not lost:
        return result(
            Verdict.FAIL,
            f"{many(found.acknowledged, 'packet')} were acknowledged without any telemetry",
            samples=found.acknowledged,
            sample_unit="packets",
            counts={"acknowledged": found.acknowledged, "payloads": 0},
            advice=advise("telemetry_value", "none"),
        )
    return no_data(evidence, "no telemetry arrived while values were injected", "values")


def _wrong_words(found: TelemetryValues, lined: Comparison, fields: tuple[p.TelemetryField, ...]) -> str:
    parts = []
    for number, field in enumerate(fields):
        mine = [one for one in found.wrong if one.field == number]
        if mine:
            why = explain_field(lined, fields, number)
            told = f"{field.name} was wrong in {len(mine)} of {many(found.compared[number], 'payload')}"
            parts.append(told + (f": {why.words}" if why else ""))
    return "; ".join(parts)


def _wrong_example(evidence: Evidence, one: WrongValue) -> str:
    field = evidence.plan.link.telemetry[one.field]
    shown = "nothing" if one.shown < 0 else f"raw {one.shown:#x}"
    wanted = " or ".join(f"{bits:#x}" for bits in dict.fromkeys(one.injected[-2:]))
    return (
        f"{moment(evidence, one.at_ns)}, packet {one.packet}: {field.name} shows {shown}, injected {wanted}"
    )


def judge_telemetry_age(rule: p.TelemetryAge, evidence: Evidence) -> CheckResult:
    """Judge the oldest telemetry, in packets and in time; each injected set that can be told apart counts."""
    ages = telemetry_ages(evidence)
    if not ages:
        given = len(injections(evidence))
        what = f"none of {many(given, 'injected set')} can be followed to the transmitter unchanged"
        return no_data(evidence, what if given else "no telemetry was injected", "injections")
    slack = evidence.slack_ns
    old = [age for age in ages if age.packets_least > rule.at_most_packets]
    late = [age for age in ages if age.time_least_ns - slack > rule.at_most_ns]
    good = [age for age in ages if _is_fresh(age, rule, slack)]
    verdict = Verdict.PASS if len(good) >= FEWEST else Verdict.INCONCLUSIVE
    if old or late:
        verdict = Verdict.FAIL
    shown = [age for age in ages if age.time_most_ns is not None] or list(ages)
    oldest = max(age.packets_least for age in ages)
    slowest = max(max(age.time_least_ns, age.time_most_ns or 0) for age in shown)
    return result(
        verdict,
        _age_reason(rule, ages, old, late, len(good), oldest, slowest),
        value=float(oldest) if old and not late else slowest / MS,
        unit="packets" if old and not late else "ms",
        uncertainty=None if old and not late else slack / MS,
        limit=float(rule.at_most_packets) if old and not late else rule.at_most_ns / MS,
        side="at most",
        samples=len(ages),
        sample_unit="injections",
        needed=max(1, FEWEST - len(good)) if verdict is Verdict.INCONCLUSIVE else None,
        counts={
            "injections": len(ages),
            "fresh": len(good),
            "too many packets old": len(old),
            "too late": len(late),
            "oldest in packets": oldest,
        },
        examples=tuple(_age_example(evidence, age) for age in sorted({*old, *late}, key=_when)[:EXAMPLES]),
        advice=_age_advice(verdict, evidence),
    )


def _is_fresh(age: TelemetryAge, rule: p.TelemetryAge, slack_ns: int) -> bool:
    if age.packets_most is None or age.time_most_ns is None:
        return False
    return age.packets_most <= rule.at_most_packets and age.time_most_ns + slack_ns <= rule.at_most_ns


def _when(age: TelemetryAge) -> int:
    return age.at_ns


def _age_reason(
    rule: p.TelemetryAge, ages: Sequence[TelemetryAge], old: Sequence[TelemetryAge],
    late: Sequence[TelemetryAge], good: int, oldest: int, slowest_ns: int,
) -> str:  # fmt: skip
    seen = f"the oldest was {many(oldest, 'packet')}{by_design(oldest)} and {ms(slowest_ns)} old"
    allowed = f"{many(rule.at_most_packets, 'packet')} and {ms(rule.at_most_ns)} allowed"
    told = f"{good} of {many(len(ages), 'injected set')} came fresh"
    if old or late:
        told = f"{len({*old, *late})} of {many(len(ages), 'injected set')} came too old"
    elif good < FEWEST:
        told += f", {FEWEST} are needed"
    return f"{told}: {seen}; {allowed}"


def by_design(packets: int) -> str:
    """Say how much of an age is the protocol's: a preloaded acknowledgement payload is one packet old."""
    if packets < PRELOADED:
        return ", younger than a preloaded payload can be"
    return " (one by design)" if packets == PRELOADED else f" (one by design, {packets - PRELOADED} more)"


def _age_example(evidence: Evidence, age: TelemetryAge) -> str:
    time = age.time_most_ns if age.time_most_ns is not None else age.time_least_ns
    more = "" if age.time_most_ns is not None else " or more"
    return f"{moment(evidence, age.at_ns)}: {many(age.packets_least, 'packet')}{more}, {ms(time)}{more}"


def _age_advice(verdict: Verdict, evidence: Evidence) -> tuple[str, ...]:
    if verdict is Verdict.PASS:
        return ()
    if verdict is Verdict.FAIL:
        return advise("telemetry_age", "fail")
    return BENCH if lost_messages(evidence, Role.RECEIVER) else advise("telemetry_age", "few")

"""Do outputs stay in their range, and the throttle clear of failsafe? Both ends of what outputs do."""

from __future__ import annotations

from collections.abc import Sequence

from harness.judge.advice import BENCH, MORE, advise
from harness.judge.guard import ENOUGH, hidden, no_advice, no_data, result
from harness.judge.words import EXAMPLES, many, moment
from harness.measure.evidence import Evidence
from harness.measure.extremes import Beyond, Margins, ThrottleMargin, outputs_beyond, throttle_margins
from harness.plan import model as p
from harness.verdict import CheckResult, Verdict


def judge_output_range(rule: p.OutputRange, evidence: Evidence) -> CheckResult:
    """Judge every output that the receiver reported in the run: in its channel's range, or at failsafe."""
    found = outputs_beyond(evidence, rule.tolerance_us)
    values = sum(one.values for one in found)
    if not values:
        return no_data(evidence, "no output was reported", "values")
    wrong = sum(len(one.at_ns) for one in found)
    verdict, advice = Verdict.PASS, no_advice()
    reason = f"all of {many(values, 'output')} were within their channel's range, or at failsafe"
    doubt = hidden(evidence, "an output beyond its range")
    if wrong:
        verdict, advice = Verdict.FAIL, advise("output_range", "fail")
        reason = _beyond_words(rule, evidence, found)
    elif doubt:
        verdict, reason, advice = Verdict.INCONCLUSIVE, f"{reason}, but {doubt}", BENCH
    elif values < ENOUGH * len(found):
        verdict, advice = Verdict.INCONCLUSIVE, (MORE,)
        reason += f"; that is too few to tell, {ENOUGH} of each channel would do"
    return result(
        verdict,
        reason,
        value=float(max(one.farthest_us for one in found)),
        unit="us",
        limit=float(rule.tolerance_us),
        side="at most",
        samples=values,
        sample_unit="values",
        counts={"values": values, "beyond": wrong},
        examples=_beyond_examples(evidence, found),
        advice=advice,
    )


def _beyond_words(rule: p.OutputRange, evidence: Evidence, found: Sequence[Beyond]) -> str:
    told = []
    for one in found:
        if len(one.at_ns):
            channel = evidence.plan.link.channels[one.channel]
            worst = int(one.shown_us[one.by_us.argmax()])
            told.append(
                f"{channel.name} was at {worst} us, outside {channel.range.low_us} us to "
                f"{channel.range.high_us} us, in {len(one.at_ns)} of {many(one.values, 'report')}"
            )
    return f"{'; '.join(told)} (tolerance {rule.tolerance_us} us)"


def _beyond_examples(evidence: Evidence, found: Sequence[Beyond]) -> tuple[str, ...]:
    names = [channel.name for channel in evidence.plan.link.channels]
    events = sorted(
        (at_ns, names[one.channel], shown)
        for one in found
        for at_ns, shown in zip(one.at_ns[:EXAMPLES].tolist(), one.shown_us[:EXAMPLES].tolist(), strict=True)
    )
    return tuple(f"{moment(evidence, at_ns)}: {name} {shown} us" for at_ns, name, shown in events[:EXAMPLES])


def judge_failsafe_margin(rule: p.FailsafeMargin, evidence: Evidence) -> CheckResult:
    """Judge the least distance of any throttle from its failsafe value: lowest applied less highest shown.

    Fails as soon as one packet came too near. Passes only if enough packets with the transmitter's own sticks
    were seen, for only these show how low a stick against its stop can go.
    """
    found = throttle_margins(evidence)
    if not found.throttles:
        return no_data(evidence, "the plan declares no throttle channel", "packets")
    if not found.failsafes:
        return no_data(evidence, "failsafe was never seen, so its throttle is not known", "packets")
    if not found.found:
        return no_data(evidence, "no packet with a throttle was applied", "packets")
    worst = min(found.found, key=lambda one: one.margin_us)
    verdict, more, advice = _margin_verdict(rule, evidence, found, worst)
    return result(
        verdict,
        f"{_margin_words(evidence, worst)}; at least {rule.at_least_us} us wanted{more}",
        value=float(worst.margin_us),
        unit="us",
        limit=float(rule.at_least_us),
        side="at least",
        samples=found.own,
        sample_unit="packets",
        needed=ENOUGH - found.own if verdict is Verdict.INCONCLUSIVE and found.own < ENOUGH else None,
        counts={"packets with own sticks": found.own, "failsafes": found.failsafes},
        examples=tuple(
            f"{moment(evidence, one.at_ns)}: {_margin_words(evidence, one)}" for one in found.found[:EXAMPLES]
        ),
        advice=advice,
    )


def _margin_verdict(
    rule: p.FailsafeMargin, evidence: Evidence, found: Margins, worst: ThrottleMargin
) -> tuple[Verdict, str, tuple[str, ...]]:
    """Return the verdict, what to add to the reason, and what to try next."""
    if worst.margin_us < rule.at_least_us:
        return Verdict.FAIL, "", advise("failsafe_margin", "fail")
    if not found.own:
        why = "; but no packet carried the transmitter's own sticks: how low they can go was not seen"
        return Verdict.INCONCLUSIVE, why, advise("failsafe_margin", "own")
    doubt = hidden(evidence, "a lower throttle")
    if doubt:
        return Verdict.INCONCLUSIVE, f"; but {doubt}", BENCH
    if len(found.found) < found.throttles:
        return Verdict.INCONCLUSIVE, "; but not every throttle was reported", no_advice()
    if found.own < ENOUGH:
        why = f"; {many(found.own, 'packet')} with own sticks are too few to tell, {ENOUGH} would do"
        return Verdict.INCONCLUSIVE, why, advise("failsafe_margin", "own")
    return Verdict.PASS, "", no_advice()


def _margin_words(evidence: Evidence, one: ThrottleMargin) -> str:
    channel = evidence.plan.link.channels[one.channel]
    end = "above" if channel.direction == "normal" else "below"
    low = "lowest" if channel.direction == "normal" else "highest"
    where = f"{abs(one.margin_us)} us {end}" if one.margin_us > 0 else f"not {end}"
    shown = f"the {low} {channel.name} of any packet was {one.lowest_us} us"
    return f"{shown}, {where} the {one.failsafe_us} us of failsafe"


__all__ = ["judge_failsafe_margin", "judge_output_range"]

"""Do outputs stay in their range, and the throttle clear of failsafe? Both ends of what outputs do."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.judge.advice import BENCH, MORE, advise
from harness.judge.guard import ENOUGH, hidden, no_advice, no_data, result
from harness.judge.words import EXAMPLES, moment
from harness.measure.evidence import Evidence
from harness.measure.extremes import (
    STOP_US,
    Beyond,
    Margins,
    ThrottleMargin,
    outputs_beyond,
    throttle_margins,
)
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict

TO_STOP: Final = (
    "press the throttle's own stick against its low stop before the run, and leave it there",
    "if it is there: let `range` of the channel begin at the pulse that the stop gives",
)


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
    were seen, and came down to the channel's low end, for only these show how low a stick against its stop
    can go.
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
    why, advice = _own_doubt(evidence, found)
    if why:
        return Verdict.INCONCLUSIVE, why, advice
    doubt = hidden(evidence, "a lower throttle")
    if doubt:
        return Verdict.INCONCLUSIVE, f"; but {doubt}", BENCH
    if len(found.found) < found.throttles or any(one.own_us is None for one in found.found):
        return Verdict.INCONCLUSIVE, "; but not every throttle was reported", no_advice()
    return Verdict.PASS, "", no_advice()


def _own_doubt(evidence: Evidence, found: Margins) -> tuple[str, tuple[str, ...]]:
    """Return why own sticks do not show how low a throttle can go, "" if they do, and what to try next."""
    if not found.own:
        why = "; but no packet carried the transmitter's own sticks: how low they can go was not seen"
        return why, advise("failsafe_margin", "own")
    for one in found.found:
        if one.off_stop_us is not None and one.off_stop_us > STOP_US:
            return f"; but {_off_stop_words(evidence, one)}", TO_STOP
    if found.own < ENOUGH:
        why = f"; {many(found.own, 'packet')} with own sticks are too few to tell, {ENOUGH} would do"
        return why, advise("failsafe_margin", "own")
    return "", no_advice()


def _off_stop_words(evidence: Evidence, one: ThrottleMargin) -> str:
    channel = evidence.plan.link.channels[one.channel]
    lower, above = ("lower", "above") if channel.direction == "normal" else ("higher", "below")
    end_us = channel.output_us(channel.range.low_us)
    return (
        f"the transmitter's own {channel.name} came no {lower} than {one.own_us} us, {one.off_stop_us} us "
        f"{above} its low end of {end_us} us: press the throttle stick against its low stop"
    )


def _margin_words(evidence: Evidence, one: ThrottleMargin) -> str:
    channel = evidence.plan.link.channels[one.channel]
    end = "above" if channel.direction == "normal" else "below"
    low = "lowest" if channel.direction == "normal" else "highest"
    where = f"{abs(one.margin_us)} us {end}" if one.margin_us > 0 else f"not {end}"
    shown = f"the {low} {channel.name} of any packet was {one.lowest_us} us"
    return f"{shown}, {where} the {one.failsafe_us} us of failsafe"


__all__ = ["judge_failsafe_margin", "judge_output_range"]

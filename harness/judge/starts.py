"""Do outputs keep still from a start of the receiver to its first packet? The twitch at power-up."""

from __future__ import annotations

from collections.abc import Sequence

from harness.judge.advice import BENCH, advise
from harness.judge.guard import no_advice, no_data, result
from harness.judge.words import EXAMPLES, moment
from harness.measure.evidence import Evidence
from harness.measure.starts import Start, StartOutput, read_starts
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict


def judge_start_up(rule: p.StartUp, evidence: Evidence) -> CheckResult:
    """Judge every output from each start of the receiver to its first packet.

    One wrong output fails. A start of which messages are missing, or of which the receiver reports no
    outputs, leaves the check open.
    """
    starts = read_starts(evidence)
    if not starts:
        return no_data(evidence, "no start of the receiver was seen", "starts")
    wrong = [(start, [one for one in start.outputs if one.off_us > rule.tolerance_us]) for start in starts]
    bad = [(start, outputs) for start, outputs in wrong if outputs]
    hidden = [start for start in starts if start.hidden]
    silent = [start for start in starts if not start.hidden and not start.reports]
    verdict, reason, advice = Verdict.PASS, "", no_advice()
    if bad:
        verdict, advice = Verdict.FAIL, advise("start_up", "fail")
        reason = _wrong_words(evidence, [one for _, outputs in bad for one in outputs], len(bad), len(starts))
    elif hidden or silent:
        verdict, advice = Verdict.INCONCLUSIVE, BENCH if hidden else advise("start_up", "silent")
    return result(
        verdict,
        reason or _fine_words(starts, len(hidden), len(silent)),
        value=float(max((one.off_us for start in starts for one in start.outputs), default=0)),
        unit="us",
        limit=float(rule.tolerance_us),
        side="at most",
        samples=len(starts),
        sample_unit="starts",
        counts={
            "starts": len(starts),
            "reports of outputs": sum(start.reports for start in starts),
            "with a wrong output": len(bad),
            "left open": len(hidden) + len(silent),
        },
        examples=_examples(evidence, bad),
        advice=advice,
    )


def _fine_words(starts: Sequence[Start], hidden: int, silent: int) -> str:
    good = len(starts) - hidden - silent
    reason = f"every output was at its failsafe value up to the first packet in {many(good, 'start')}"
    if hidden:
        reason += f"; messages of {many(hidden, 'start')} are missing, and could have shown a twitch"
    if silent:
        reason += f"; the receiver did not say what its outputs were after {many(silent, 'start')}"
    return reason


def _wrong_words(evidence: Evidence, wrong: Sequence[StartOutput], bad: int, starts: int) -> str:
    told = []
    for number, channel in enumerate(evidence.plan.link.channels):
        mine = [one for one in wrong if one.channel == number]
        if mine:
            told.append(f"{channel.name} {_shown(max(mine, key=lambda one: one.off_us))}")
    return f"before the first packet, {'; '.join(told)}, in {bad} of {many(starts, 'start')}"


def _shown(one: StartOutput) -> str:
    if one.shown_us is None:
        return "was not reported"
    if one.wanted_us is None:
        return f"moved, or was outside its range, by {one.off_us} us"
    return f"was {one.shown_us} us instead of {one.wanted_us} us"


def _examples(evidence: Evidence, bad: Sequence[tuple[Start, list[StartOutput]]]) -> tuple[str, ...]:
    names = [channel.name for channel in evidence.plan.link.channels]
    return tuple(
        f"start at {moment(evidence, start.at_ns)}: {names[outputs[0].channel]} {_shown(outputs[0])}"
        for start, outputs in bad[:EXAMPLES]
    )


__all__ = ["judge_start_up"]

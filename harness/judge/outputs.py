"""Do the outputs follow the sticks? Fidelity and glitches."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from harness.judge.advice import MORE, advise
from harness.judge.guard import ENOUGH, Count, judge_count, no_advice, no_data, result
from harness.judge.words import EXAMPLES, in_steps, moment
from harness.measure.arrays import Flags, inside
from harness.measure.channels import channel_figures
from harness.measure.evidence import Evidence
from harness.measure.explain import back_words, explain
from harness.measure.fidelity import MISSING_US, Deviations, Glitch, deviations, glitches, still_channels
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict


def judge_fidelity(rule: p.Fidelity, evidence: Evidence) -> CheckResult:
    """Judge the worst deviation of any output from the stick it was sent with."""
    found = deviations(evidence, rule.during)
    total = len(found.row)
    if not total:
        what = f"no packet with commanded sticks was applied{in_steps(rule.during)}"
        return no_data(evidence, what, "packets")
    off = np.abs(found.off_us)
    wrong = off > rule.tolerance_us
    broken = _broken_steps(rule, evidence, found)
    verdict = Verdict.PASS if total >= ENOUGH else Verdict.INCONCLUSIVE
    verdict = Verdict.FAIL if wrong.any() or broken else verdict
    reason, advice = _fidelity_words(rule, evidence, found, verdict)
    reason = "; ".join(filter(None, (reason, *broken)))
    return result(
        verdict,
        reason,
        value=float(off.max()),
        unit="us",
        limit=float(rule.tolerance_us),
        side="at most",
        samples=total,
        sample_unit="packets",
        needed=ENOUGH - total if verdict is Verdict.INCONCLUSIVE else None,
        counts={"packets": total, "deviating": int(wrong.any(axis=1).sum())},
        examples=_off_examples(evidence, found, wrong) if wrong.any() else (),
        advice=advice,
    )


def _fidelity_words(
    rule: p.Fidelity, evidence: Evidence, found: Deviations, verdict: Verdict
) -> tuple[str, tuple[str, ...]]:
    """Return the reason and what to try next."""
    if verdict is Verdict.FAIL:
        wrong = (np.abs(found.off_us) > rule.tolerance_us).any(axis=0)
        told = [_channel_words(rule, evidence, found, channel) for channel in np.flatnonzero(wrong).tolist()]
        return "; ".join(told), advise("fidelity", "fail")
    total, advice = len(found.row), no_advice()
    reason = f"every output equals its stick within {rule.tolerance_us} us in {many(total, 'packet')}"
    if verdict is Verdict.INCONCLUSIVE:
        reason, advice = f"{reason}, which are too few: {ENOUGH} would do", (MORE,)
    still = [evidence.plan.link.channels[channel].name for channel in still_channels(found).tolist()]
    if still:
        reason += f"; the stick of {', '.join(still)} never moved, so little is shown of it"
        advice = (*advice, *advise("fidelity", "still"))
    return reason, advice


def _broken_steps(rule: p.Fidelity, evidence: Evidence, found: Deviations) -> list[str]:
    """Name the channels that are within a tolerance and yet step back or merge steps, as far as asked for."""
    told = []
    for channel, about in enumerate(evidence.plan.link.channels):
        within = (np.abs(found.off_us[:, channel]) <= rule.tolerance_us).all()
        if not within or not rule.tolerance_us:
            continue
        steps = channel_figures(found, channel, about).steps
        if rule.monotonic == "required" and steps.back is not None:
            told.append(f"{about.name} is within {rule.tolerance_us} us, but {back_words(steps)}")
        if rule.resolution == "required" and steps.merged:
            told.append(
                f"{about.name} is within {rule.tolerance_us} us, but {steps.merged} of its stick's steps of "
                f"{about.resolution_us} us or more do not move it"
            )
    return told


def _channel_words(rule: p.Fidelity, evidence: Evidence, found: Deviations, channel: int) -> str:
    channels = evidence.plan.link.channels
    off = np.abs(found.off_us[:, channel])
    wrong = int((off > rule.tolerance_us).sum())
    why = explain(found, channel, rule.tolerance_us, channels)
    worst = "" if off.max() == MISSING_US else f" by up to {off.max()} us"
    tail = f": {why}" if why else ""
    return f"{channels[channel].name} is off{worst} in {wrong} of {many(len(off), 'packet')}{tail}"


def _off_examples(evidence: Evidence, found: Deviations, wrong: Flags) -> tuple[str, ...]:
    names = [channel.name for channel in evidence.plan.link.channels]
    lines = []
    for place, channel in np.argwhere(wrong)[:EXAMPLES].tolist():
        row = int(found.row[place])
        shown = found.shown_us[place, channel]
        lines.append(
            f"packet {evidence.applied.number[row]} at {moment(evidence, int(evidence.applied.at_ns[row]))}: "
            f"{names[channel]} {'not reported' if shown < 0 else f'{shown} us'} "
            f"instead of {found.wanted_us[place, channel]} us"
        )
    return tuple(lines)


def judge_no_glitch(rule: p.NoGlitch, evidence: Evidence) -> CheckResult:  # noqa: ARG001
    """Judge that every output of the run is explained by a sent packet, failsafe or start-up."""
    found = glitches(evidence)
    total = int(inside(evidence.applied.at_ns, evidence.spans()).sum())
    count = Count(
        number=len(found),
        allowed=0,
        total=total,
        unit="glitches",
        what="a glitch",
        if_fine=f"every output is explained, in {many(total, 'packet')}",
        if_not=_glitch_reason(evidence, found),
        advice=advise("no_glitch", "fail"),
    )
    told = [f"{moment(evidence, one.at_ns)}: {_glitch_words(evidence, one)}" for one in found[:EXAMPLES]]
    return judge_count(evidence, count, counts={"glitches": len(found)}, examples=tuple(told))


def _glitch_reason(evidence: Evidence, found: Sequence[Glitch]) -> str:
    kinds = Counter(one.kind for one in found)
    names = [channel.name for channel in evidence.plan.link.channels]
    parts = []
    if kinds["change"]:
        parts.append(f"outputs changed without a packet, failsafe or start: {kinds['change']} times")
    if kinds["nowhere"]:
        parts.append(f"{many(kinds['nowhere'], 'applied packet')} that nobody sent")
    if kinds["jump"]:
        jumped = sorted({names[one.channel] for one in found if one.kind == "jump"})
        parts.append(f"{', '.join(jumped)} jumped away from the stick {many(kinds['jump'], 'time')}")
    return "; ".join(parts)


def _glitch_words(evidence: Evidence, one: Glitch) -> str:
    if one.kind == "change":
        return "outputs changed for no reason given"
    if one.kind == "nowhere":
        return f"packet {one.packet} was applied, but never sent"
    name = evidence.plan.link.channels[one.channel].name
    return f"packet {one.packet} put {name} at {one.shown_us} us instead of {one.wanted_us} us"

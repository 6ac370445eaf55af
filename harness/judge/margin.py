"""Is there enough margin? How much weaker than normal the signal may get, against the plan's limit.

margin = normal level - level at which the wanted share of packets comes through, in dB (`measure.margin`).
It passes if its lower limit, less how far a level may be off what was asked for, reaches the limit, and if
the losses or the reported signal show that the levels had any effect at all: a power setting that does
nothing would otherwise look like a margin without end. It fails if its upper limit plus that error does not.
"""

from __future__ import annotations

import math

from harness.judge.advice import advise
from harness.judge.guard import at_least, no_data, result
from harness.judge.words import plain, share
from harness.measure.evidence import Evidence
from harness.measure.margin import Margin, measure_margin
from harness.plan import model as p
from harness.plan.units import format_decibel
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict

LEVELS_NAMED = 5
MOST_NEEDED = 1_000_000


def judge_link_margin(rule: p.LinkMargin, evidence: Evidence) -> CheckResult:
    """Judge the margin in dB at which `rule.delivery` of the packets still come through."""
    found = measure_margin(evidence, rule.delivery, float(rule.confidence), rule.during)
    if found is None or not found.packets:
        return no_data(evidence, "no level was measured", "packets")
    limit, error = rule.at_least_x10 / 10, rule.level_error_x10 / 10
    verdict = at_least(found.lower_db, found.upper_db, limit, error)
    doubt = _doubt(found)
    if found.mixed or (verdict is Verdict.PASS and doubt):
        verdict = Verdict.INCONCLUSIVE
    reason, situation = _reason(rule, found, verdict, doubt)
    return result(
        verdict,
        reason,
        value=found.margin_db,
        unit="dB",
        interval=_interval(found),
        confidence=float(rule.confidence),
        uncertainty=error,
        limit=limit,
        side="at least",
        samples=found.packets,
        sample_unit="packets",
        needed=_needed(found, limit, error) if verdict is Verdict.INCONCLUSIVE and not doubt else None,
        counts=_counts(found),
        examples=_examples(found),
        advice=advise("link_margin", situation) if situation else (),
    )


def _doubt(found: Margin) -> str:
    """Say why the levels may have had no effect; empty if they had one."""
    if found.shown:
        return ""
    if found.signal_slope is not None:
        what = "transmit power was lowered" if found.step.by == "power" else "attenuator was turned"
        return (
            f"the {what} by {_span_db(found)} dB, and the receiver's reported signal did not follow: "
            "the setting had no effect"
        )
    lost = "no losses" if not any(level.attempts_lost for level in found.levels) else "no more losses"
    return (
        f"nothing shows that the levels had any effect: {lost} over {_span_db(found)} dB, and no "
        "signal reports"
    )


def _span_db(found: Margin) -> str:
    levels = [level.above_db for level in found.levels]
    return plain(max(levels) - min(levels), 1)


def _reason(rule: p.LinkMargin, found: Margin, verdict: Verdict, doubt: str) -> tuple[str, str]:
    """Return the reason in words, and the situation to advise on."""
    wanted = f"{plain(rule.at_least_x10 / 10, 1)} dB wanted"
    if found.mixed:
        return "the margin steps differ in `by`, `normal` or `in_line`: no one measurement", "mixed"
    if doubt and verdict is not Verdict.FAIL:
        return doubt, "flat"
    text = f"{_margin_words(found)} at {share(rule.delivery)} delivery, {wanted}"
    if found.upper_db < 0:
        text = f"{text}: already in normal use too few packets come through"
    if verdict is Verdict.PASS:
        return text, ""
    if verdict is Verdict.FAIL:
        return text, "fail"
    if _level_decides(rule, found):
        return f"{text}; levels may be {plain(rule.level_error_x10 / 10, 1)} dB off, which decides", "level"
    return text, "deeper" if math.isinf(found.upper_db) else "few"


def _level_decides(rule: p.LinkMargin, found: Margin) -> bool:
    """Return whether it stays open because levels may be off, however many packets are sent."""
    limit, error = rule.at_least_x10 / 10, rule.level_error_x10 / 10
    if at_least(found.lower_db, found.upper_db, limit) is not Verdict.INCONCLUSIVE:
        return True
    return found.margin_db is not None and abs(found.margin_db - limit) < error


def _margin_words(found: Margin) -> str:
    """Return the margin with its limits, as far as there are any."""
    low, high = found.lower_db, found.upper_db
    if found.margin_db is not None and math.isfinite(low) and math.isfinite(high):
        return f"margin {plain(found.margin_db, 1)} dB ({plain(low, 1)} dB to {plain(high, 1)} dB)"
    if math.isfinite(low):
        weakest = min(found.levels, key=lambda level: level.above_db)
        words = format_decibel(weakest.level_x10, found.step.unit)
        return f"margin at least {plain(low, 1)} dB (measured down to {words})"
    if math.isfinite(high):
        return f"margin at most {plain(high, 1)} dB"
    return "margin unknown"


def _interval(found: Margin) -> tuple[float | None, float | None]:
    low, high = (end if math.isfinite(end) else None for end in (found.lower_db, found.upper_db))
    return low, high


def _needed(found: Margin, limit: float, error: float) -> int | None:
    """Return about how many more packets would settle it: the interval shrinks with their square root."""
    if found.margin_db is None:
        return None
    above = found.margin_db >= limit
    room = abs(found.margin_db - limit) - error
    half = found.margin_db - found.lower_db if above else found.upper_db - found.margin_db
    if room <= 0 or not math.isfinite(half):
        return None
    more = math.ceil(found.packets * ((half / room) ** 2 - 1))
    return more if 0 < more <= MOST_NEEDED else None


def _counts(found: Margin) -> dict[str, int]:
    levels = found.levels
    return {
        "levels": len(levels),
        "applied": sum(level.applied for level in levels),
        "lost": sum(level.lost for level in levels),
        "unknown": sum(level.unknown for level in levels),
        "attempts": sum(level.attempts for level in levels),
        "levels refused": found.refused,
        "levels disturbed": found.disturbed,
    }


def _examples(found: Margin) -> tuple[str, ...]:
    """Return the levels around the one asked about."""
    margin = found.margin_db if found.margin_db is not None else math.inf
    near = sorted(found.levels, key=lambda level: (abs(level.above_db + margin), level.above_db))[
        :LEVELS_NAMED
    ]
    lines = []
    for level in sorted(near, key=lambda level: -level.above_db):
        signal = "" if level.signal_dbm is None else f", signal {plain(level.signal_dbm, 0)} dBm"
        lines.append(
            f"{format_decibel(level.level_x10, found.step.unit)}: {level.applied} of "
            f"{many(level.packets, 'packet')} applied, {level.attempts_lost} of {level.attempts} "
            f"attempts lost{signal}"
        )
    return tuple(lines)


__all__ = ["judge_link_margin"]

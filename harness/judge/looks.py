"""At which look was this run judged, and how sure must a check be then? Read from the recording's marks."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any, TypeVar

from harness.judge.words import share
from harness.looks import Look, at_share, looks_of
from harness.measure.evidence import Evidence
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict

Rule = TypeVar("Rule", bound=p.Check)


def look_taken(evidence: Evidence) -> Look | None:
    """Return the look that this recording's end is; None for a plan whose steps are played once.

    The rounds and shares are the plan's, fixed before the run; a mark only says how far the run got. A whole
    recording without any was looked at once, at its end. Where marks may be missing, the look with the
    smallest share is taken.
    """
    looks, recording = looks_of(evidence.plan), evidence.recording
    if not looks:
        return None
    marks = [mark.fields.get("number") for mark in recording.marks if mark.kind == "look"]
    numbers = [number for number in marks if type(number) is int and 1 <= number <= len(looks)]
    if recording.damaged or (not numbers and (marks or not recording.complete)):
        return looks[-1]
    return looks[max(numbers, default=1) - 1]


def tightened(rule: Rule, look: Look | None) -> Rule:
    """Return the rule with the share of its risk that this look may use; the rule itself if it has none.

    The risk is 1 - `confidence`, or `false_alarm`.
    """
    if look is None:
        return rule
    given = {field.name: getattr(rule, field.name) for field in fields(rule)}
    used: dict[str, Any] = {}
    if "confidence" in given:
        used["confidence"] = at_share(given["confidence"], look.share)
    if "false_alarm" in given:
        used["false_alarm"] = given["false_alarm"] * look.share
    return replace(rule, **used)


def look_words(rule: p.Check, judged: p.Check, look: Look | None) -> str:
    """Return what the end of a reason says about the look; nothing where the look changed nothing."""
    if look is None or judged == rule:
        return ""
    if isinstance(rule, p.LossPattern):
        return f"; {look}: all looks together keep the {share(rule.false_alarm)} of false alarms"
    asked, used = (share(one.confidence) for one in (rule, judged))  # type: ignore[union-attr]
    return f"; {look}: judged with {used} confidence, so that all looks together keep {asked}"


def look_note(evidence: Evidence, look: Look | None, results: tuple[CheckResult, ...]) -> tuple[str, ...]:
    """Return what is worth telling about a run that could be extended."""
    if look is None:
        return ()
    rounds = sum(mark.kind == "round" for mark in evidence.recording.marks)
    wanting = [one.name for one in results if one.verdict is Verdict.INCONCLUSIVE and (one.needed or 0) > 0]
    told = f"the steps were played {times(rounds)}, {look} at the data"
    if wanting and look.number == look.of and rounds >= look.rounds:
        told += (
            f"; that is the cap, and {many(len(wanting), 'check')} still lack samples: {', '.join(wanting)}"
        )
    return (told,)


def times(count: int) -> str:
    """Return `once`, `2 times`."""
    return "once" if count == 1 else f"{count} times"

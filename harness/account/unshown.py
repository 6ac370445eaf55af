"""What was not shown of failsafe, and why? What the plan leaves out, what was skipped, what no bench can."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.bench.protocol import Role
from harness.findings import Grid
from harness.measure import circumstances as c
from harness.measure.cuts import WAY_WORDS, WAYS, Way
from harness.measure.evidence import Evidence
from harness.measure.extremes import throttle_margins
from harness.measure.failsafe import CutEntry, Entry
from harness.measure.starts import read_starts
from harness.plan.model import every_step

NO_STEP: Final = "no step of the plan does it"
ABOUT: Final = {
    c.BURST: "a cut with a burst under way",
    c.ENDS: "a cut with the sticks at their ends",
    c.HIGH: "a cut at full throttle",
    c.AFTER_RECEIVER: "a cut right after the receiver's start",
    c.AFTER_TRANSMITTER: "a cut right after the transmitter's start",
    c.IN_FAILSAFE: "a start of the receiver in failsafe",
    c.CLOCK_WRAP: "a cut across the wrap of a device's clock",
    c.NUMBER_WRAP: "a cut near the wrap of packet numbers",
}
ALWAYS: Final = (
    ("loss of range: fading, reflections, other users of the band", "a bench has none of them"),
    ("a supply that sags or fails, on either side", "the bench feeds both devices"),
    ("heat, cold, vibration, moisture, age", "the run was minutes on a bench"),
    ("servos, speed controllers and what they do with failsafe pulses", "only the receiver was watched"),
)
"""What no run shows."""


def not_shown(evidence: Evidence, entries: Sequence[CutEntry], about: set[str]) -> Grid:
    """Return what was not shown. `about` holds the circumstances of the cuts that could be judged."""
    rows = [*_ways(evidence, entries), *_circumstances(about), *_others(evidence)]
    rows += [(_step_words(evidence, path, name), f"left out: {why}") for path, name, why in skipped(evidence)]
    if Role.WITNESS not in evidence.heard:
        rows.append(("the pulses on the receiver's pins", "no witness is on this bench: reports were judged"))
    return Grid("What was not shown", ("what", "why"), (*rows, *ALWAYS))


def skipped(evidence: Evidence) -> list[tuple[str, str, str]]:
    """Return path, name and reason of each step that was left out for want of an ability, each once."""
    marks = [mark.fields for mark in evidence.recording.marks if mark.kind == "skipped"]
    found = [tuple(str(fields.get(key, "")) for key in ("path", "name", "why")) for fields in marks]
    return [(path, name, why) for path, name, why in dict.fromkeys(found)]


def _step_words(evidence: Evidence, path: str, name: str) -> str:
    step = next((step for step in every_step(evidence.plan.steps) if step.path == path), None)
    kind = getattr(step.action, "WORD", "") if step is not None else ""
    return f"{kind}: {name}" if kind and name and name != kind else name or kind or path


def _ways(evidence: Evidence, entries: Sequence[CutEntry]) -> list[tuple[str, str]]:
    return [
        (f"cuts {WAY_WORDS[way]}", why)
        for way in WAYS
        if (why := _why_not(evidence, way, [entry for entry in entries if entry.cut.way == way]))
    ]


def _why_not(evidence: Evidence, way: Way, entries: Sequence[CutEntry]) -> str:
    """Return why cuts of a way show nothing; "" if some do, or if it is told as a step left out."""
    if any(entry.entry in (Entry.ENGAGED, Entry.NEVER, Entry.UNKNOWN) for entry in entries):
        return ""
    if entries:
        return "made, but " + " and ".join(sorted({str(entry.entry) for entry in entries}))
    paths = {path for path, _, _ in skipped(evidence)}
    left_out = [step.action for step in every_step(evidence.plan.steps) if step.path in paths]
    told = any(getattr(action, "by", "") == way for action in left_out)
    return "" if told else NO_STEP


def _circumstances(about: set[str]) -> list[tuple[str, str]]:
    missing = [one for one in ABOUT if not any(one in each for each in about)]
    return [(ABOUT[one], "no cut that can be judged was so") for one in missing]


def _others(evidence: Evidence) -> list[tuple[str, str]]:
    """Return what belongs to a proof of failsafe beside cuts."""
    made = {order.what for order in evidence.orders if not order.refused}
    paths = {path for path, _, _ in skipped(evidence)}
    words = {
        getattr(step.action, "WORD", "") for step in every_step(evidence.plan.steps) if step.path in paths
    }
    rows = []
    if "muted" not in made and "mute" not in words:
        rows.append(("acknowledgements lost, packets alive", NO_STEP))
    if "beside" not in made and "interfere" not in words:
        rows.append(("another transmitter in between", NO_STEP))
    if not any(start.reports for start in read_starts(evidence)):
        rows.append(("outputs at a start of the receiver", "no start was seen"))
    margins = throttle_margins(evidence)
    if margins.throttles and not (margins.own and margins.found):
        why = "the transmitter's own sticks were not read" if margins.failsafes else "failsafe was never seen"
        rows.append(("how far a throttle stick against its stop stays clear of failsafe", why))
    return rows


__all__ = ["not_shown", "skipped"]

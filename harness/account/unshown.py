"""What was not shown of failsafe, and why? What the plan leaves out, what was skipped, what no bench can."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from harness.bench.protocol import Role
from harness.clock import MS
from harness.codec.messages import OutputReason
from harness.findings import Grid
from harness.measure import circumstances as c
from harness.measure.arrays import inside, ints
from harness.measure.cuts import WAY_WORDS, WAYS, Cut, Way
from harness.measure.evidence import Evidence
from harness.measure.extremes import STOP_US, throttle_margins
from harness.measure.failsafe import NONE, CutEntry, Entry, receiver_lost
from harness.measure.orders import Order, What
from harness.measure.starts import read_starts
from harness.plan.model import Cut as CutStep
from harness.plan.model import every_step

STICK: Final = "how far a throttle stick against its stop stays clear of failsafe"
OUTSIDE: Final = {"power": "of the transmitter's power", "path": "of the antenna path"}
"""Ways that need something beside the devices, by what a plan calls them."""
NO_STEP: Final = "no step of the plan does it"
MISSING: Final = "messages of the receiver are missing in it: failsafe could be among them"
BETWEEN: Final[tuple[tuple[What, str, str], ...]] = (
    ("muted", "mute", "acknowledgements lost, packets alive"),
    ("beside", "interfere", "another transmitter in between"),
)
"""Orders that must not lead to failsafe: what was ordered, the step's word, and what to call it."""
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
    ("power-up itself: pins and boot loader before the firmware runs", "firmware cannot report of it"),
    ("counters that the firmware does not set near their wrap", "it was only told to, and may have more"),
    ("a supply that sags or fails, on either side", "the bench feeds both devices"),
    ("heat, cold, vibration, moisture, age", "the run was minutes on a bench"),
    ("servos, speed controllers and what they do with failsafe pulses", "only the receiver was watched"),
)
"""What no run shows."""


def not_shown(evidence: Evidence, entries: Sequence[CutEntry], about: set[str]) -> Grid:
    """Return what was not shown. `about` holds the circumstances of the cuts that could be judged."""
    rows = [*_ways(evidence, entries), *_circumstances(evidence, about)]
    rows += [*_flickers(evidence, entries), *_others(evidence)]
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
    made = {entry.cut.way for entry in entries}
    ways = [way for way in WAYS if way in made or way.partition(" ")[0] not in OUTSIDE]
    rows = [
        (f"cuts {WAY_WORDS[way]}", why)
        for way in ways
        if (why := _why_not(evidence, way, [entry for entry in entries if entry.cut.way == way]))
    ]
    return rows + [
        (f"cuts {words}", NO_STEP)
        for by, words in OUTSIDE.items()
        if not any(way.startswith(by) for way in made) and not _told(evidence, by)
    ]


def _told(evidence: Evidence, by: str) -> bool:
    """Return whether a cut in this way is told of as a step that was left out."""
    paths = {path for path, _, _ in skipped(evidence)}
    left_out = [step.action for step in every_step(evidence.plan.steps) if step.path in paths]
    return any(getattr(action, "by", "") == by for action in left_out if isinstance(action, CutStep))


def _why_not(evidence: Evidence, way: Way, entries: Sequence[CutEntry]) -> str:
    """Return why cuts of a way show nothing; "" if some do, or if it is told as a step left out."""
    if any(entry.entry in (Entry.ENGAGED, Entry.NEVER, Entry.UNKNOWN) for entry in entries):
        return ""
    if entries:
        return "made, but " + " and ".join(sorted({str(entry.entry) for entry in entries}))
    return "" if _told(evidence, way) else NO_STEP


def _circumstances(evidence: Evidence, about: set[str]) -> list[tuple[str, str]]:
    missing = [one for one in ABOUT if not any(one in each for each in about)]
    asked, why = c.planned(evidence.plan), "no cut that can be judged was so"
    return [(ABOUT[one], f"planned, but {why}" if one in asked else why) for one in missing]


def failsafe_came(evidence: Evidence, span: tuple[int, int]) -> bool:
    """Return whether outputs went to failsafe in a span of host ns."""
    changes = evidence.changes
    engaged = (changes.reason == OutputReason.FAILSAFE) & ~changes.idle
    return bool((engaged & inside(changes.at_ns, ints([span]))).any())


def flicker_words(cut: Cut) -> str:
    """Return what to call a cut too short for failsafe."""
    return "gaps of a fade" if cut.way == "fade" else f"{round(cut.duration_ns / MS)} ms {WAY_WORDS[cut.way]}"


def flicker_doubt(evidence: Evidence, entry: CutEntry) -> str:
    """Return why a flicker without failsafe shows nothing; "" if it does, or if failsafe was seen in it."""
    cut = entry.cut
    hidden = receiver_lost(evidence, cut.start_ns, cut.until_ns + evidence.report_delay_ns)
    return MISSING if entry.change == NONE and hidden else ""


def order_doubt(evidence: Evidence, order: Order) -> str:
    """Return why an order of `BETWEEN` shows nothing; "" if it does."""
    if order.refused:
        return "the device refused"
    why = _mute_doubt(evidence, order) if order.what == "muted" else _beside_doubt(order)
    start_ns, end_ns = order.span
    hidden = receiver_lost(evidence, start_ns, end_ns + evidence.report_delay_ns)
    return why or (MISSING if hidden and not failsafe_came(evidence, order.span) else "")


def _beside_doubt(order: Order) -> str:
    if order.packets is None:
        return "the transmitter did not report what it sent"
    return "" if order.packets else "nothing was sent in between"


def _mute_doubt(evidence: Evidence, order: Order) -> str:
    if order.began_ns is None:
        return "the receiver did not reply that it was done"
    sent = inside(evidence.sent.at_ns, ints([(order.began_ns, order.over_ns)]))
    if not sent.any():
        return "no packet was reported in it"
    acked = int(evidence.sent.acked[sent].sum())
    return "packets were acknowledged all the same" if 2 * acked >= int(sent.sum()) else ""


def _flickers(evidence: Evidence, entries: Sequence[CutEntry]) -> list[tuple[str, str]]:
    short = [entry for entry in entries if entry.entry is Entry.NOT_NEEDED]
    return _left_out([(flicker_words(entry.cut), flicker_doubt(evidence, entry)) for entry in short])


def _left_out(found: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return a row for each kind and reason, with how many of its times show nothing."""
    times = Counter(what for what, _ in found)
    doubts = Counter((what, why) for what, why in found if why)
    return [(f"{what}, {count} of {times[what]}", why) for (what, why), count in doubts.items()]


def _others(evidence: Evidence) -> list[tuple[str, str]]:
    """Return what belongs to a proof of failsafe beside cuts."""
    paths = {path for path, _, _ in skipped(evidence)}
    words = {
        getattr(step.action, "WORD", "") for step in every_step(evidence.plan.steps) if step.path in paths
    }
    rows = []
    for what, word, told in BETWEEN:
        orders = [order for order in evidence.orders if order.what == what]
        rows += _left_out([(told, order_doubt(evidence, order)) for order in orders])
        if not orders and word not in words:
            rows.append((told, NO_STEP))
    if not any(start.reports for start in read_starts(evidence)):
        rows.append(("outputs at a start of the receiver", "no start was seen"))
    margins = throttle_margins(evidence)
    if margins.throttles and not (margins.own and margins.found):
        why = "the transmitter's own sticks were not read" if margins.failsafes else "failsafe was never seen"
        rows.append((STICK, why))
    elif any(one.off_stop_us is None or one.off_stop_us > STOP_US for one in margins.found):
        rows.append((STICK, "the transmitter's own throttle stick was not seen at its low stop"))
    return rows


__all__ = [
    "ALWAYS",
    "BETWEEN",
    "failsafe_came",
    "flicker_doubt",
    "flicker_words",
    "not_shown",
    "order_doubt",
    "skipped",
]

"""Why do outputs not show their sticks? Suspects about the way from a packet to the outputs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, cast

import numpy as np

from harness.likely import Likely
from harness.measure.evidence import Evidence
from harness.measure.extremes import outputs_beyond
from harness.plan.wording import many
from harness.verdict import CheckResult
from harness.why.devices import CAUTION, CLEAR, STRONG, SURE, Told, failed, names_of
from harness.why.occasions import Occasion, after_telemetry, find_occasion, frame_phase, since_start
from harness.why.patterns import Case, Pattern, cases, partly, whole

Suspect = Callable[[Evidence, Sequence[CheckResult]], Likely | None]
MOST: Final = 0.95
CHECKS: Final = ("fidelity", "no_glitch", "failsafe_exit")
REACHES: Final = (
    "number-overflows",
    "packet-cut-short",
    "output-overshoots",
    "damage-not-noticed",
    "torn-update",
)
"""Mistakes that may put an output beyond its range."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What is wrong with one channel: the cause's key, how and when in words, how well it fits."""

    key: str
    channel: int
    how: str
    when: str
    wrong: int
    packets: int
    fits: float
    certain: bool


WHEN_KEYS: Final = {
    ("previous", "retried"): "retry-buffer-refilled",
    ("neighbour", "equal"): "equal-values-copied-late",
    ("held", "equal"): "equal-values-copied-late",
    ("previous", "equal"): "equal-values-copied-late",
    ("held", "small"): "small-moves-ignored",
    ("held", "leaps"): "leaps-rejected",
    ("previous", "leaps"): "leaps-rejected",
    ("held", "others"): "update-skipped",
    ("previous", "others"): "update-skipped",
    ("bit", "numbered"): "number-overlaps-channel",
    ("offset", "numbered"): "number-overlaps-channel",
    ("bit", "telemetry"): "telemetry-overwrites-outputs",
    ("offset", "others"): "cross-talk",
    ("bit", "others"): "cross-talk",
}
ALWAYS_KEYS: Final = {
    "torn": "torn-update",
    "previous": "one-packet-behind",
    "held": "update-skipped",
    "bit": "damage-not-noticed",
}
"""What it is where no circumstance was found."""


def findings(evidence: Evidence) -> tuple[Finding, ...]:
    """Return what is wrong with each channel that deviates, once found."""
    key = (__name__, "findings", ())
    if key not in evidence.memo:
        evidence.memo[key] = tuple(one for case in cases(evidence) for one in _diagnosed(case))
    return cast("tuple[Finding, ...]", evidence.memo[key])


def _diagnosed(case: Case) -> tuple[Finding, ...]:
    pattern = whole(case)
    if pattern is not None:
        return (_finding(pattern.key, case, pattern, None, 1.0, certain=True),)
    soft = _soft_start(case)
    if soft is not None:
        return (soft,)
    told = [one for pattern in partly(case) if (one := _partly(case, pattern)) is not None]
    return (max(told, key=lambda one: (one.certain, bool(one.when), one.fits)),) if told else ()


def _partly(case: Case, pattern: Pattern) -> Finding | None:
    """Return what a pattern that is true of wrong packets says, with the circumstance in which it is."""
    fits = float(pattern.fits(case)[case.wrong].mean())
    if fits < MOST:
        return None
    eligible = pattern.foretold != case.wanted
    occasion = find_occasion(case, eligible)
    key = WHEN_KEYS.get((pattern.key, occasion.key)) if occasion is not None else None
    if key is not None:
        return _finding(key, case, pattern, occasion, fits, certain=True)
    if pattern.key == "bit":
        subset = _spilt(case, pattern, fits)
        if subset is not None:
            return subset
    key = ALWAYS_KEYS.get(pattern.key)
    if key is None:
        return None
    certain = pattern.key in ("torn", "bit") and int(case.wrong.sum()) >= 3
    if pattern.key == "torn":
        pattern = replace(pattern, words=pattern.words + _frame_words(case))
    return _finding(key, case, pattern, None, fits, certain=certain)


def _frame_words(case: Case) -> str:
    """Return in which part of which servo frame torn outputs come, "" if in any."""
    frame = frame_phase(case)
    if frame is None:
        return ""
    return f", all in one part ({100 * frame[1]:.0f} %) of a frame of {frame[0] / 1000:g} ms"


def _spilt(case: Case, pattern: Pattern, fits: float) -> Finding | None:
    """Return that wrong packets come next after telemetry changed, after some values only."""
    for one in after_telemetry(case):
        if one.met[case.wrong].all() and 4 * int(one.met.sum()) < len(one.met) and int(case.wrong.sum()) >= 3:
            return _finding("telemetry-overwrites-outputs", case, pattern, one, fits, certain=True)
    return None


def _soft_start(case: Case) -> Finding | None:
    """Return that outputs near their sticks step by step after each start."""
    since = since_start(case.evidence, case.found.row)
    most = int(since[case.wrong].max())
    early = since <= most
    lives = len(np.unique(case.evidence.applied.segment[case.found.row[case.wrong]]))
    if most >= 64 or 5 * int(early.sum()) > len(early) or int(case.wrong.sum()) < 3:
        return None
    away, before = np.abs(case.off), np.abs(case.off[case.last])
    nears = (
        away[case.wrong & (since > 0)]
        <= before[case.wrong & (since > 0)]
        + np.abs(case.wanted - case.wanted[case.last])[case.wrong & (since > 0)]
    )
    if not len(nears) or nears.mean() < MOST:
        return None
    how = f"takes {most + 1} packets to reach its stick"
    when = f"after {many(lives, 'start')} of the receiver"
    return Finding(
        "soft-start", case.number, how, when, int(case.wrong.sum()), len(case.wrong), 1.0, certain=True
    )


def _finding(
    key: str, case: Case, pattern: Pattern, occasion: Occasion | None, fits: float, *, certain: bool
) -> Finding:
    when = occasion.words if occasion is not None else ""
    return Finding(
        key, case.number, pattern.words, when, int(case.wrong.sum()), len(case.wrong), fits, certain
    )


TOLD: Final = {
    "outputs-not-reported": Told(
        "a loop over the outputs ends too early",
        "Count the outputs in the receiver's report, and compare with the number of channels in both devices",
    ),
    "channels-swapped": Told(
        "transmitter and receiver lay packets out differently, or the table of outputs is in another order",
        "Move one stick at a time and see which output follows; then use one header for both devices",
    ),
    "channel-reversed": Told(
        "a reversing switch is set at one end only",
        "Look for a reversal in both devices, and for a stored one; then move that stick alone",
    ),
    "channel-not-driven": Told(
        "a loop over the channels ends too early, or the output was never set up",
        "Exchange this channel with another in the table and see whether the fault stays with the place",
    ),
    "pulse-offset": Told(
        "a trim, or a count that begins at 1 in one device and at 0 in the other",
        "Send both ends and the centre, and print what each device computes for them",
    ),
    "resolution-lost": Told(
        "the pulse goes through fewer bits than it needs",
        "Print the value at each stage from packet to timer, and widen the narrowest",
    ),
    "packet-cut-short": Told(
        "a buffer is too short for the packet, or a length was not changed with the layout",
        "Compare the packet's length with every buffer and every loop that it goes through, in both devices",
    ),
    "output-clipped": Told(
        "an end point is set short of the travel, or a trim is added before the limit",
        "Look for limits in both devices, and for a trim in one that the other takes off",
    ),
    "dead-band": Told(
        "small sticks are taken for zero",
        "Set the dead band in the receiver to 0; one against a trembling stick belongs into the transmitter",
    ),
    "number-overflows": Told(
        "a number is one bit too narrow for the end of its travel",
        "Compute the pulse at both ends in wider numbers, and clamp it after that. Do not fly this: at its "
        "top the output falls to its other end",
    ),
    "table-wrong": Told(
        "entries of a table are exchanged or mistyped",
        "Compute the table instead of typing it in, or sweep that channel in steps of its resolution",
    ),
    "output-scaled": Told(
        "the ends of the travel differ between the devices",
        "Compare the range that each device assumes for this channel",
    ),
    "outputs-averaged": Told(
        "a filter over packets smears every move",
        "Take the filter out of the receiver; average readings of one moment in the transmitter instead",
    ),
    "output-overshoots": Told(
        "a lead, or derivative, is added to the output, after its limits",
        "Take the lead out, or clamp the output after it",
    ),
    "rounding-adds-up": Told(
        "moves are added up and each is rounded, so that the rounding adds up",
        "Compute the output from the packet's value each time, or keep the remainder for the next move",
    ),
    "soft-start": Told(
        "a slow start that is meant for power-up runs after every start",
        "Run it only if the start's cause is power; then restart the receiver with the sticks at their ends",
    ),
    "torn-update": Told(
        "an interrupt reads a 16-bit variable while it is half written",
        "Hold interrupts off while both bytes are written; repeat with a random walk of the sticks",
    ),
    "one-packet-behind": Told(
        "outputs are driven before the new packet is copied",
        "Send a single step of the stick and count the packets until the output moves",
    ),
    "retry-buffer-refilled": Told(
        "the buffer of a packet that is sent again is being filled for the next one",
        "Send repetitions from a copy; then weaken the link until packets are sent again",
    ),
    "equal-values-copied-late": Told(
        "equal values are packed as a mark, which is resolved with the packet before",
        "Send all sticks alike and let them leap together; then resolve the mark within its own packet",
    ),
    "small-moves-ignored": Told(
        "small changes are not followed (hysteresis)",
        "Move that stick by 1 us at a time and see when the output follows",
    ),
    "leaps-rejected": Told(
        "packets in which much changes at once are taken for damaged",
        "Leave such a check to the packet's checksum, and let all sticks leap from end to end",
    ),
    "update-skipped": Told(
        "the time or the order in which outputs are loaded leaves this one out",
        "Measure how long the output routine takes while those channels are there, and load this one first",
    ),
    "number-overlaps-channel": Told(
        "the packet number and a pulse share bits",
        "Compare the bit fields of both devices, and see that the number has room for all of its bits",
    ),
    "telemetry-overwrites-outputs": Told(
        "storing a telemetry value writes beyond its place, into the outputs",
        "Compare the width of each field with the shift and the buffer that it goes through",
    ),
    "damage-not-noticed": Told(
        "damaged packets are applied: the check does not cover this channel",
        "Compare the length that the check is made over with the packet's, and damage each byte in turn",
    ),
    "cross-talk": Told(
        "one output's pulse holds up the other's: an interrupt serves both, or the wiring couples them",
        "Hold that channel at its end and look at this one with an oscilloscope, then separate their timers",
    ),
}  # fmt: skip


def _suspect(key: str, evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    names = failed(results, *CHECKS)
    if not failed(results, "fidelity", "no_glitch"):
        return None
    mine = [one for one in findings(evidence) if one.key == key]
    if not mine:
        return None
    beyond = failed(results, "output_range") if key in REACHES and _beyond(evidence, mine) else ()
    told = TOLD[key]
    channels = names_of(evidence, [one.channel for one in mine])
    every = len({one.channel for one in findings(evidence)})
    first = max(mine, key=lambda one: one.wrong)
    how = "; ".join(f"{names_of(evidence, [one.channel])} {one.how}" for one in mine)
    if len({one.how for one in mine}) == 1:
        how = f"{channels}{': each' if len(mine) > 1 else ''} {first.how}"
    return Likely(
        key=key,
        title=f"{how}{_when(first)}: {told.because}",
        explains=names + beyond,
        strength=_strength(mine),
        speaks_for=tuple(
            f"{names_of(evidence, [one.channel])} {one.how}{_when(one)}: this foretells "
            f"{100 * min(1.0, one.fits):.0f} % of {many(one.wrong, 'wrong output')} in "
            f"{many(one.packets, 'packet')}."
            for one in mine
        ),
        speaks_against=()
        if every == len(mine)
        else (f"{every - len(mine)} other channels are wrong otherwise.",),
        next_step=f"{told.next_step}. {CAUTION}",
    )


def _when(one: Finding) -> str:
    return f" {one.when}" if one.when else ""


def _strength(mine: Sequence[Finding]) -> float:
    if all(one.certain for one in mine):
        return SURE if min(one.fits for one in mine) >= MOST else STRONG
    return CLEAR


def _beyond(evidence: Evidence, mine: Sequence[Finding]) -> bool:
    wrong = {one.channel for one in outputs_beyond(evidence, 1) if len(one.at_ns)}
    return bool(wrong) and wrong <= {one.channel for one in mine}


def _named(key: str) -> Suspect:
    def suspect(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
        return _suspect(key, evidence, results)

    suspect.__name__ = key.replace("-", "_")
    suspect.__doc__ = f"Outputs are wrong: {TOLD[key].because}."
    return suspect


SUSPECTS: Final = tuple(_named(key) for key in TOLD)

"""Under what condition does failsafe fail? What stood by every cut, and what tells bad ones from good ones.

Each condition is held against all cuts of the run. One that meets the bad cuts and no good one, so often that
chance does not do it, is found; nothing is taken from the names of steps.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np

from harness.clock import US
from harness.codec.messages import OutputReason
from harness.judge.words import ms
from harness.measure.arrays import Flags, Ints, ints
from harness.measure.cuts import WAY_WORDS
from harness.measure.evidence import Evidence
from harness.measure.exchanges import WRAP_US
from harness.measure.failsafe import NONE, CutEntry
from harness.why.devices import Told, fisher

FITS: Final = 0.9
"""Share of the bad cuts, and of those that meet it, that a condition must have in common."""
CHANCE: Final = 0.02
"""A run makes some circumstances once or twice only, on purpose: no test of them can ask for more."""
FULL_US: Final = 10
ENDS: Final = 2
HALF: Final = 2
"""A packet that comes within half the packet period is part of a burst."""
MODULI_US: Final = (256_000, 65_536, 1_024_000, 1_000_000)
"""Rounds of a clock that firmware often looks at: a byte of milliseconds, 16 bits of microseconds, a second
(common practice, no source)."""
WIDEST: Final = 0.4
"""An arc of bad phases that is wider than this share of the round tells nothing."""
JUMP: Final = 1_000
"""No link loses so many packets between two that it applies: the number began anew."""


@dataclass(frozen=True, slots=True)
class Condition:
    """What the bad cuts have in common: `words` go behind "failsafe fails"; `tried` alternatives."""

    key: str
    words: str
    met: Flags
    tried: int = 1

    def p_value(self, bad: Flags) -> float:
        """Return the chance of so good a fit without a cause, all alternatives of its kind counted."""
        return min(1.0, fisher(self.met, bad) * self.tried)

    def share(self, bad: Flags) -> float:
        """Return what the condition and the bad cuts have in common, as a share of both together."""
        either = int((self.met | bad).sum())
        return int((self.met & bad).sum()) / either if either else 0.0


@dataclass(frozen=True, slots=True)
class Before:
    """What was before each of n cuts: rows of the last packet, and what is known of the receiver then.

    `uptime_us` counts from the first thing that the receiver's clock stamped in this life, `life` its starts,
    `since_jump_us` from the last jump of packet numbers in that life (-1: none).
    """

    row: Ints
    dev_us: Ints
    life: Ints
    uptime_us: Ints
    since_jump_us: Ints
    number: Ints
    gap_us: Ints
    engaged: Ints


def before_cuts(evidence: Evidence, entries: Sequence[CutEntry]) -> Before:
    """Return what was before each cut; all of them have a last packet."""
    applied, changes = evidence.applied, evidence.changes
    row = ints([one.last_applied for one in entries])
    dev_us, life = applied.dev_us[row], applied.segment[row]
    alike = (row > 0) & (applied.segment[np.maximum(row - 1, 0)] == life)
    gap = np.where(alike, dev_us - applied.dev_us[np.maximum(row - 1, 0)], WRAP_US)
    safe = (changes.reason == OutputReason.FAILSAFE) & ~changes.idle
    engaged = ints([
        int((safe & (changes.segment == one) & (changes.dev_us < at)).sum())
        for one, at in zip(life.tolist(), dev_us.tolist(), strict=True)
    ])  # fmt: skip
    return Before(
        row, dev_us, life, dev_us - _starts(evidence, life), _since_jump(evidence, row),
        applied.number[row], gap, engaged,
    )  # fmt: skip


def _starts(evidence: Evidence, life: Ints) -> Ints:
    """Return when the life of each cut began by the receiver's clock: its first stamp there."""
    changes, applied = evidence.changes, evidence.applied
    begins = {}
    for one in set(life.tolist()):
        stamps = [table.dev_us[table.segment == one] for table in (changes, applied)]
        begins[one] = min(int(some.min()) for some in stamps if len(some))
    return ints([begins[one] for one in life.tolist()])


def _since_jump(evidence: Evidence, rows: Ints) -> Ints:
    """Return the time from the last packet whose number jumped, in the same life, to each row."""
    applied = evidence.applied
    step = np.diff(applied.number) & 0xFFFF
    jumps = 1 + np.flatnonzero((step > JUMP) & (np.diff(applied.segment) == 0) & ~applied.strange[1:])
    place = np.searchsorted(jumps, rows, side="right") - 1
    at = jumps[np.maximum(place, 0)] if len(jumps) else np.zeros(len(rows), dtype=np.int64)
    same = (place >= 0) & (applied.segment[at] == applied.segment[rows])
    since: Ints = np.where(same, applied.dev_us[rows] - applied.dev_us[at], -1)
    return since


def find_condition(evidence: Evidence, entries: Sequence[CutEntry], bad: Flags) -> Condition | None:
    """Return the condition that tells the bad cuts from the others best, None if none does.

    Of equally good ones the first in the list: the ways of cutting, then the plainer ones.
    """
    told = [place for place, one in enumerate(entries) if one.last_applied != NONE]
    if not bad.any() or bad.all() or len(told) < len(entries):
        return None
    tried = list(_conditions(evidence, entries, bad))
    fits = [
        (one.share(bad), -place, one)
        for place, one in enumerate(tried)
        if one.share(bad) >= FITS and one.p_value(bad) <= CHANCE
    ]
    return max(fits, key=lambda fit: fit[:2])[2] if fits else None


def _conditions(evidence: Evidence, entries: Sequence[CutEntry], bad: Flags) -> Iterator[Condition]:
    before = before_cuts(evidence, entries)
    yield from _ways(entries)
    yield from _clocks(evidence, before)
    yield from _lives(before, bad)
    yield from _packets(evidence, before, bad)
    yield from _outputs(evidence, before, bad)
    for modulus_us in MODULI_US:
        arc = _arc(before.dev_us % WRAP_US % modulus_us, bad, modulus_us)
        if arc is not None:
            yield arc


WAY_KEYS: Final = {
    "corrupted": "failsafe-fed-by-corrupted",
    "foreign": "failsafe-fed-by-strangers",
    "repeated": "failsafe-fed-by-repeats",
    "deaf": "failsafe-fed-by-radio",
    "power line": "failsafe-waits-for-packet",
    "power device": "failsafe-waits-for-packet",
    "power hand": "failsafe-waits-for-packet",
}


def _ways(entries: Sequence[CutEntry]) -> Iterator[Condition]:
    """Yield a condition for each way of cutting, and one for all in which something else was on the air."""
    ways = [one.cut.way for one in entries]
    for way in dict.fromkeys(ways):
        if way in WAY_KEYS:
            met = np.array([one == way for one in ways], dtype=np.bool_)
            yield Condition(WAY_KEYS[way], f"in cuts {WAY_WORDS[way]}", met)
    heard = np.array([one in ("corrupted", "foreign", "repeated") for one in ways], dtype=np.bool_)
    yield Condition("failsafe-fed-by-radio", "while anything at all is on the air", heard)
    alive = heard | np.array([one == "deaf" for one in ways], dtype=np.bool_)
    yield Condition("failsafe-fed-by-radio", "while the radio works, whatever it hears", alive)


def _clocks(evidence: Evidence, before: Before) -> Iterator[Condition]:
    """Yield the wrap of the receiver's clock between the last packet and when failsafe is due."""
    due_us = before.dev_us + evidence.plan.link.failsafe.within_ns // US
    wraps = before.dev_us // WRAP_US != due_us // WRAP_US
    words = "where the receiver's 32-bit clock (71.6 min) wraps before failsafe is due"
    yield Condition("time-compared-absolutely", words, wraps)


def _lives(before: Before, bad: Flags) -> Iterator[Condition]:
    yield Condition(
        "failsafe-only-once", "wherever it has engaged before since the receiver's start", before.engaged > 0
    )
    first = int(before.life.min())
    yield Condition(
        "failsafe-off-after-restart", "in every cut after a restart of the receiver", before.life > first
    )
    yield Condition(
        "failsafe-off-after-jump", "once packet numbers have jumped, as at a start of the transmitter",
        before.since_jump_us >= 0,
    )  # fmt: skip
    jumped = np.where(before.since_jump_us >= 0, before.since_jump_us, WRAP_US)
    yield from _up_to(
        jumped, bad, "failsafe-off-after-jump", lambda at: f"up to {_ms(at)} after packet numbers jumped"
    )
    yield from _up_to(
        before.uptime_us, bad, "failsafe-armed-late",
        lambda at: f"where the last packet came up to {_ms(at)} after the receiver's start",
    )  # fmt: skip


def _packets(evidence: Evidence, before: Before, bad: Flags) -> Iterator[Condition]:
    period_us = evidence.plan.link.packet_period_ns // US
    yield Condition(
        "failsafe-lost-in-burst", "where the last two packets came less than half a period apart",
        before.gap_us < period_us // HALF,
    )  # fmt: skip
    yield from _up_to(
        before.number, bad, "failsafe-armed-by-number",
        lambda at: f"where the last packet's number was {at} or less",
    )  # fmt: skip


def _outputs(evidence: Evidence, before: Before, bad: Flags) -> Iterator[Condition]:
    """Yield outputs at their high or low ends when the link was lost, throttles first."""
    channels, outputs = evidence.plan.link.channels, evidence.applied.outputs_us
    order = sorted(range(len(channels)), key=lambda place: channels[place].role != "throttle")
    throttles = [place for place in order if channels[place].role == "throttle"]
    shown = {place: outputs[before.row, place] for place in order if place < outputs.shape[1]}
    high = [shown[place] > channels[place].range.high_us - FULL_US for place in throttles if place in shown]
    if high:
        words = f"while a throttle is within {FULL_US} us of its high end"
        yield Condition("failsafe-not-at-full-throttle", words, np.any(high, axis=0))
        yield Condition("failsafe-not-at-full-throttle", "while every throttle is at its high end",
                        np.all(high, axis=0))  # fmt: skip
    for place, pulses in shown.items():
        words = f"while {channels[place].name} is at"
        yield from _from(pulses, bad, "failsafe-by-output", partial(_at_least, words), ENDS * len(shown))
        yield from _up_to(pulses, bad, "failsafe-by-output", partial(_at_most, words), ENDS * len(shown))


def _at_least(words: str, at_us: int) -> str:
    return f"{words} {at_us} us or more"


def _at_most(words: str, at_us: int) -> str:
    return f"{words} {at_us} us or less"


def _up_to(
    values: Ints, bad: Flags, key: str, words: Callable[[int], str], tried: int = 1
) -> Iterator[Condition]:
    """Yield `values <= t` for the t that takes every bad cut: all n bad ones lowest are one event."""
    at = int(values[bad].max())
    if at < int(values.max()):
        yield Condition(key, words(at), values <= at, tried)


def _from(
    values: Ints, bad: Flags, key: str, words: Callable[[int], str], tried: int = 1
) -> Iterator[Condition]:
    at = int(values[bad].min())
    if at > int(values.min()):
        yield Condition(key, words(at), values >= at, tried)


def _arc(phase_us: Ints, bad: Flags, modulus_us: int) -> Condition | None:
    """Return the shortest arc of the round that holds every bad phase, as a condition."""
    phases = np.sort(phase_us[bad])
    if len(phases) < 3:
        return None
    gaps = np.diff(np.append(phases, phases[0] + modulus_us))
    place = int(np.argmax(gaps))
    start, width = int(phases[(place + 1) % len(phases)]), modulus_us - int(gaps[place])
    if width > WIDEST * modulus_us:
        return None
    met = (phase_us - start) % modulus_us <= width
    words = (
        f"where the last packet came {_ms(start)} to {_ms(start + width)} into each {_ms(modulus_us)} of "
        "the receiver's clock"
    )
    return Condition("failsafe-by-phase", words, met, len(phase_us) * len(phases))


def _ms(time_us: float) -> str:
    return ms(int(time_us) * US)


TOLD: Final = {
    "failsafe-fed-by-corrupted": Told(
        "the receiver's timer is restarted before a packet's check is made",
        "Restart the timer where the packet is applied, not in the radio's interrupt",
    ),
    "failsafe-fed-by-strangers": Told(
        "the receiver's timer is restarted before it looks whose a packet is",
        "Restart the timer where the packet is applied, behind the comparison of identity",
    ),
    "failsafe-fed-by-repeats": Told(
        "packets are timed, and not whether they are new",
        "Restart the timer only for a packet with a new number",
    ),
    "failsafe-fed-by-radio": Told(
        "the timer is restarted by what the radio does, and not by packets applied",
        "Restart the timer where the packet is applied, not where the radio interrupts",
    ),
    "failsafe-waits-for-packet": Told(
        "the receiver waits for the rest of what a dying transmitter left on the air",
        "Give every wait for the radio a time limit of less than the failsafe time",
    ),
    "time-compared-absolutely": Told(
        "due times are compared, which wrap, instead of differences",
        "Compare (now - last packet) with the limit, in unsigned numbers as wide as the clock",
    ),
    "failsafe-only-once": Told(
        "the mark that failsafe is in is not cleared when the link comes back",
        "Clear that mark with the first packet after a cut",
    ),
    "failsafe-off-after-restart": Told(
        "a restart does not set the failsafe up as power-up does",
        "Set the failsafe up at every start, whatever its cause",
    ),
    "failsafe-off-after-jump": Told(
        "numbers that jump put the link into a state without failsafe",
        "Leave failsafe on while packet numbers jump",
    ),
    "failsafe-armed-late": Told(
        "failsafe is armed too late after a start",
        "Arm failsafe with the first packet",
    ),
    "failsafe-lost-in-burst": Told(
        "packets back to back stop its timer",
        "Read the timer at each turn of the loop rather than by an interrupt for each packet",
    ),
    "failsafe-armed-by-number": Told(
        "failsafe is armed by the packet number",
        "Arm failsafe with the first packet of the receiver's own life, whatever its number",
    ),
    "failsafe-not-at-full-throttle": Told(
        "a pulse at its end is taken for not set",
        "Look for the mark of a pulse that is not set, and use a value that no stick gives",
    ),
    "failsafe-by-output": Told(
        "failsafe depends on what an output shows",
        "Look where the failsafe routine reads outputs",
    ),
    "failsafe-by-phase": Told(
        "the age of the last packet is kept in too few bits",
        "Keep the time of the last packet in as many bits as the clock, and subtract",
    ),
}  # fmt: skip

"""What do wrong outputs show? Rules that foretell each output of a channel from what was sent.

A rule says what each packet's output must then be, in right packets and wrong ones. What it foretells nearly
all of is the likely mechanism: a value from the wrong place, a value changed alike, or one of another time. A
rule that is true of some packets only needs a circumstance that tells them (`harness.why.occasions`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.measure.arrays import Flags, Ints
from harness.measure.evidence import Evidence
from harness.measure.fidelity import MISSING_US, Deviations, deviations
from harness.plan import model as p

MOST: Final = 0.97
"""A rule must foretell this share of the wrong outputs, and of the right ones."""
FEW_VALUES: Final = 8
AVERAGED: Final = range(2, 17)
LOW_BYTE: Final = 0xFF
MOST_BITS: Final = 11
BYTE_BITS: Final = 7
"""From so many lost bits on it is a byte that is lost, and no resolution."""
ROUNDED_US: Final = 1
STEPS: Final = (63, 64, 100, 127, 128, 200, 250, 255, 256, 500, 511, 512)
"""Steps that a travel is often cut into: of one byte, one bit more or less, and round numbers."""


@dataclass(frozen=True, slots=True)
class Case:
    """One channel's packets, in the order in which they were applied.

    `wanted`, `shown` and `before` are outputs in us: `before` is what the outputs were when the packet came,
    failsafe or not, -1 at a start. `follows` tells that a packet had brought them. `last` is each packet's
    predecessor in the same life (itself if none).
    `every` has the wanted outputs of all channels. `wrong` marks what deviates by more than is tolerated.
    """

    evidence: Evidence
    found: Deviations
    number: int
    wrong: Flags
    before: Ints
    last: Ints
    follows: Flags

    @property
    def channel(self) -> p.Channel:
        """The channel as the plan declares it."""
        return self.evidence.plan.link.channels[self.number]

    @property
    def wanted(self) -> Ints:
        """What the outputs had to be."""
        wanted: Ints = self.found.wanted_us[:, self.number]
        return wanted

    @property
    def shown(self) -> Ints:
        """What they were."""
        shown: Ints = self.found.shown_us[:, self.number]
        return shown

    @property
    def off(self) -> Ints:
        """Shown less wanted."""
        off: Ints = self.found.off_us[:, self.number]
        return off

    @property
    def ends(self) -> tuple[int, int]:
        """The channel's range."""
        return self.channel.range.low_us, self.channel.range.high_us

    def stick(self, number: int) -> Ints:
        """Return another channel's stick, or this one's: the output mirrored back if it is reversed."""
        channel = self.evidence.plan.link.channels[number]
        wanted = self.found.wanted_us[:, number]
        turned = channel.range.low_us + channel.range.high_us - wanted
        stick: Ints = wanted if channel.direction == "normal" else turned
        return stick

    def output(self, stick: Ints) -> Ints:
        """Return this channel's output for a stick."""
        low, high = self.ends
        return stick if self.channel.direction == "normal" else low + high - stick


@dataclass(frozen=True, slots=True)
class Pattern:
    """A rule that fits: its key, what it does in words, and what it foretells (n,)."""

    key: str
    words: str
    foretold: Ints
    near_us: int = 0

    def fits(self, case: Case) -> Flags:
        """Return which outputs are as foretold."""
        same: Flags = np.abs(self.foretold - case.shown) <= self.near_us
        return same


def cases(evidence: Evidence) -> tuple[Case, ...]:
    """Return the channels whose outputs deviate by more than the plan tolerates anywhere."""
    rules = (check.rule for check in evidence.plan.checks)
    near = min((one.tolerance_us for one in rules if isinstance(one, p.Fidelity)), default=0)
    found = deviations(evidence)
    wrong = np.abs(found.off_us) > near
    if not wrong.any():
        return ()
    (before, follows), last = _before(evidence, found), _last(evidence, found)
    return tuple(
        Case(evidence, found, number, wrong[:, number], before[:, number], last, follows)
        for number in np.flatnonzero(wrong.any(axis=0)).tolist()
    )


def _before(evidence: Evidence, found: Deviations) -> tuple[Ints, Flags]:
    """Return (n, channels) outputs by the report before each packet (-1: none), and if a packet made it."""
    applied, changes = evidence.applied, evidence.changes
    width = found.wanted_us.shape[1]
    rows = [_padded(table.outputs_us, width) for table in (applied, changes)]
    frame = np.concatenate((applied.frame, changes.frame))
    segment = np.concatenate((applied.segment, changes.segment))
    outputs = np.concatenate(rows)
    order = np.argsort(frame, kind="stable")
    place = np.searchsorted(frame[order], applied.frame[found.row])
    known = (place > 0) & (segment[order][np.maximum(place - 1, 0)] == applied.segment[found.row])
    before: Ints = np.where(known[:, None], outputs[order][np.maximum(place - 1, 0)], -1)
    packet = (np.arange(len(frame)) < len(applied))[order]
    return before, known & packet[np.maximum(place - 1, 0)]


def _padded(outputs: Ints, width: int) -> Ints:
    given = np.full((len(outputs), width), -1, dtype=np.int64)
    given[:, : min(width, outputs.shape[1])] = outputs[:, :width]
    return given


def _last(evidence: Evidence, found: Deviations) -> Ints:
    """Return each packet's place's predecessor among the looked-at packets of one life, or itself."""
    place = np.arange(len(found.row))
    life = evidence.applied.segment[found.row]
    same = np.concatenate(([False], life[1:] == life[:-1]))
    last: Ints = np.where(same, place - 1, place)
    return last


def whole(case: Case) -> Pattern | None:
    """Return the first rule that foretells nearly every packet of the channel; None if none does."""
    for rule in WHOLE:
        for pattern in rule(case):
            same = pattern.fits(case)
            clear = case.wrong & (np.abs(case.off) > pattern.near_us)
            if clear.any() and same[clear].mean() >= MOST and _spares(same, case):
                return pattern
    return None


def _spares(same: Flags, case: Case) -> bool:
    """Return whether the rule leaves right packets right."""
    right = ~case.wrong
    return not right.any() or bool(same[right].mean() >= MOST)


def _not_reported(case: Case) -> Iterator[Pattern]:
    if (case.off[case.wrong] == MISSING_US).mean() >= MOST:
        yield Pattern("outputs-not-reported", "is not reported at all", case.shown)


def _swapped(case: Case) -> Iterator[Pattern]:
    low, high = case.ends
    for other in range(case.found.wanted_us.shape[1]):
        if other == case.number:
            continue
        name = case.evidence.plan.link.channels[other].name
        for key, value in (("", case.found.wanted_us[:, other]), ("stick", case.output(case.stick(other)))):
            words = f"follows {name}'s output" if not key else f"follows {name}'s stick"
            yield Pattern("channels-swapped", words, value)
            yield Pattern("channels-swapped", f"{words}, and the wrong way round", low + high - value)


def _reversed(case: Case) -> Iterator[Pattern]:
    low, high = case.ends
    yield Pattern("channel-reversed", "goes the other way", low + high - case.wanted)


def _stuck(case: Case) -> Iterator[Pattern]:
    values, counts = np.unique(case.shown, return_counts=True)
    if len(values) < FEW_VALUES // 2 <= len(np.unique(case.wanted)):
        common = int(values[np.argmax(counts)])
        yield Pattern("channel-not-driven", f"stays at {common} us", np.full(len(case.shown), common))


def _offset(case: Case) -> Iterator[Pattern]:
    usual = int(np.median(case.off))
    if usual and len(np.unique(case.wanted)) >= FEW_VALUES:
        words = f"is off by {usual:+d} us everywhere"
        yield Pattern("pulse-offset", words, case.wanted + usual)


def _bits(case: Case) -> Iterator[Pattern]:
    """The lowest bits are cut off, of the pulse itself or of its distance from the low end."""
    stick, low = case.stick(case.number), case.ends[0]
    for bits in range(1, MOST_BITS + 1):
        for zero in (0, low):
            cut = (stick - zero) // (1 << bits) * (1 << bits) + zero
            if bits < BYTE_BITS:
                lost = "lowest bit is" if bits == 1 else f"{bits} lowest bits are"
                words = f"moves in steps of {1 << bits} us only: its {lost} lost"
                yield Pattern("resolution-lost", words, case.output(cut))
            else:
                words = f"has lost the {bits} lowest bits of its pulse: bytes are cut off or never filled"
                yield Pattern("packet-cut-short", words, case.output(cut))


def _clipped(case: Case) -> Iterator[Pattern]:
    low, high = int(case.shown.min()), int(case.shown.max())
    beyond = case.wanted[case.wrong]
    if ((beyond < low) | (beyond > high)).all():
        least, most = int(case.wanted.min()), int(case.wanted.max())
        ends = [f"{low - least} us before its low end" if low > least else "",
                f"{most - high} us before its high end" if high < most else ""]  # fmt: skip
        words = " and ".join(end for end in ends if end)
        yield Pattern("output-clipped", f"stops {words}", case.wanted.clip(low, high))


def _dead_band(case: Case) -> Iterator[Pattern]:
    middle = case.channel.output_us(case.channel.middle_us)
    wide = int(np.abs(case.wanted[case.wrong] - middle).max())
    low, high = case.ends
    if 10 * wide <= high - low:
        rests = np.where(np.abs(case.wanted - middle) <= wide, middle, case.wanted)
        yield Pattern("dead-band", f"rests at {middle} us within {wide} us of its centre", rests)


def _scaled(case: Case) -> Iterator[Pattern]:
    """A straight line, by least squares; not one that stands still."""
    stick = case.wanted.astype(np.float64)
    if np.ptp(stick) == 0:
        return
    away = stick - stick.mean()
    gain = float((away * (case.shown - case.shown.mean())).sum() / (away**2).sum())
    line = np.rint(case.shown.mean() + gain * away).astype(np.int64)
    if gain and abs(gain - 1) > 1e-3:
        yield Pattern("output-scaled", f"moves by {gain:.3f} us for each us", line, ROUNDED_US)


def _rescaled(case: Case) -> Iterator[Pattern]:
    """The pulse goes through a number with fewer steps than its travel has us, and back."""
    low, high = case.ends
    stick, travel = case.stick(case.number) - low, high - low
    for steps in STEPS:
        if steps < travel:
            for half in (travel // 2, 0):
                step = (stick * steps + half) // travel
                words = (
                    f"moves in {steps} steps over its travel of {travel} us, {travel / steps:.1f} us apart"
                )
                foretold = low + (2 * step * travel + steps) // (2 * steps)
                yield Pattern("resolution-lost", words, case.output(foretold))


def _steps(case: Case) -> Iterator[Pattern]:
    """Each stick gives one output always, and several neighbouring sticks the same one."""
    values, place = np.unique(case.wanted, return_inverse=True)
    usual = _usual(case.shown, place, len(values))
    outputs = np.unique(usual)
    coarse = len(outputs) >= FEW_VALUES and len(outputs) <= 0.7 * len(values)
    if coarse and (np.diff(usual) >= 0).all() and np.abs(case.off).max() <= np.diff(outputs).max():
        step = float(np.median(np.diff(outputs)))
        words = f"has {len(outputs)} different pulses for {len(values)} sticks, about {step:g} us apart"
        yield Pattern("resolution-lost", words, usual[place])


def _overflow(case: Case) -> Iterator[Pattern]:
    """Sticks near one end come out near the other."""
    low, high = case.ends
    far = np.abs(case.off) * 2 > high - low
    wanted = case.wanted[case.wrong & far]
    if not len(wanted) or not (far | ~case.wrong).all():
        return
    for at, met, words in (
        (int(wanted.min()), case.wanted >= wanted.min(), "or more"),
        (int(wanted.max()), case.wanted <= wanted.max(), "or less"),
    ):
        if (met & case.wrong).sum() >= MOST * (met | case.wrong).sum() and 4 * np.ptp(wanted) < high - low:
            told = f"comes out {int(case.shown[case.wrong].min())} us where {at} us {words} is asked for"
            yield Pattern("number-overflows", told, np.where(met, case.shown, case.wanted))


def _table(case: Case) -> Iterator[Pattern]:
    """A few sticks always give the same wrong output, and all others are right."""
    values, place = np.unique(case.wanted, return_inverse=True)
    usual = _usual(case.shown, place, len(values))
    off = np.flatnonzero(usual != values)
    if len(values) < FEW_VALUES or not 0 < len(off) <= max(2, len(values) // 50):
        return
    there = np.isin(place, off)
    if (case.shown[there] == usual[place][there]).mean() < MOST:
        return
    told = ", ".join(f"{values[one]} us gives {usual[one]} us" for one in off[:4])
    yield Pattern("table-wrong", f"is wrong at {len(off)} of {len(values)} sticks only: {told}", usual[place])


def _usual(shown: Ints, place: Ints, count: int) -> Ints:
    """Return the commonest output of each stick value."""
    low = int(shown.min())
    width = int(shown.max()) - low + 1
    key, times = np.unique(place * width + (shown - low), return_counts=True)
    order = np.lexsort((times, key // width))
    last = np.flatnonzero(np.diff(np.append((key // width)[order], count)))
    usual: Ints = (key % width + low)[order][last]
    return usual


def _averaged(case: Case) -> Iterator[Pattern]:
    life = case.evidence.applied.segment[case.found.row]
    total = np.concatenate(([0], np.cumsum(case.wanted)))
    place = np.arange(len(case.wanted))
    start = np.searchsorted(life, life, side="left") if (np.diff(life) >= 0).all() else place * 0
    for many in AVERAGED:
        first = np.maximum(start, place - many + 1)
        mean = (total[place + 1] - total[first]) // (place + 1 - first)
        words = f"is the mean of the last {many} packets"
        yield Pattern("outputs-averaged", words, mean, ROUNDED_US)


def _overshoot(case: Case) -> Iterator[Pattern]:
    move = case.wanted - case.wanted[case.last]
    square = float((move**2).sum())
    share = float((move * case.off).sum()) / square if square else 0.0
    if share > 0.01:
        words = f"goes beyond each move by {100 * share:.1f} % of it for one packet"
        foretold = case.wanted + np.rint(share * move).astype(np.int64)
        yield Pattern("output-overshoots", words, foretold, ROUNDED_US)


def _drift(case: Case) -> Iterator[Pattern]:
    """What an output is off by changes little with each packet, and adds up; a start clears it."""
    step = case.off - case.off[case.last]
    moves = case.wanted != case.wanted[case.last]
    small = np.abs(step) <= ROUNDED_US
    adds_up = np.ptp(case.off) >= FEW_VALUES and len(np.unique(case.off)) >= FEW_VALUES // 2
    if adds_up and small.mean() >= MOST and not step[~moves].any() and not _by_value(case):
        words = (
            f"creeps away by up to {int(np.abs(case.off).max())} us, {ROUNDED_US} us or less with each move"
        )
        yield Pattern("rounding-adds-up", words, case.shown)


def _by_value(case: Case) -> bool:
    """Return whether the same stick gives the same output nearly always."""
    values, place = np.unique(case.wanted, return_inverse=True)
    return bool((_usual(case.shown, place, len(values))[place] == case.shown).mean() > 0.9)


Rule = Callable[[Case], Iterator[Pattern]]
WHOLE: Final[tuple[Rule, ...]] = (
    _not_reported, _swapped, _reversed, _stuck, _offset, _bits, _clipped, _dead_band, _overflow, _table,
    _rescaled, _steps, _scaled, _averaged, _overshoot, _drift,
)  # fmt: skip


def partly(case: Case) -> Iterator[Pattern]:
    """Yield what wrong packets may show where right ones do not: another time's value, half of one, a bit."""
    yield Pattern("torn", "has its new low byte and its old high byte", _torn(case, LOW_BYTE))
    yield Pattern("torn", "has its new high byte and its old low byte", _torn(case, ~LOW_BYTE))
    if case.number:
        neighbour = case.output(case.stick(case.number - 1))[case.last]
        yield Pattern("neighbour", "shows what the channel before it had in the packet before", neighbour)
    yield Pattern("previous", "shows the value of the packet before", _sent_before(case))
    yield Pattern("held", "stays where it was", case.before)
    flipped = case.shown ^ case.wanted
    values, counts = np.unique(flipped[case.wrong], return_counts=True)
    bit = int(values[np.argmax(counts)])
    if bit > 0 and bit & (bit - 1) == 0:
        set_bit = not (case.wanted[case.wrong] & bit).any()
        turned = case.wanted | bit if set_bit else case.wanted ^ bit
        what = "set" if set_bit else "turned"
        yield Pattern("bit", f"has a single bit {what}, the one worth {bit} us", turned)
    usual = int(np.median(case.off[case.wrong]))
    yield Pattern("offset", f"is off by {usual:+d} us", case.wanted + usual)


def _torn(case: Case, new: int) -> Ints:
    torn: Ints = np.where(case.before >= 0, (case.before & ~new) | (case.wanted & new), case.wanted)
    return torn


def _sent_before(case: Case) -> Ints:
    """Return what the packet that was sent before each one asked for, applied or not."""
    evidence = case.evidence
    row = np.maximum(evidence.applied.sent_row[case.found.row] - 1, 0)
    sticks = evidence.sent.sticks_row[row]
    asked = evidence.sticks.outputs_us[np.maximum(sticks, 0), case.number]
    before: Ints = np.where(sticks >= 0, asked, case.wanted)
    return before


__all__ = ["Case", "Pattern", "cases", "partly", "whole"]

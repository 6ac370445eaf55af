"""How much weaker may the signal get? Losses level by level, the curve through them, and the margin.

A packet is tried up to n times, so a share q of attempts lost makes 1 - q**n of the packets come through; the
level asked about is where that is the delivery wanted, q = (1 - delivery)**(1/n). `harness.stats.curve` finds
it. Of a packet that was applied in time all attempts but one count as lost, of any other all of them. What
this counts too much are attempts whose acknowledgement alone was lost: the level comes out too strong, if
anything, so the margin is never flattered (by under 0.1 dB with the acknowledgements at full power, and by up
to about half a dB where an attenuator weakens both ways).

Where reports are missing, the lower limit of the margin takes them for lost and the upper one for received.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.clock import S
from harness.codec import messages as wire
from harness.measure.arrays import Flags, Floats, Ints, ints
from harness.measure.delivery import Fates, packet_fates
from harness.measure.evidence import Evidence
from harness.measure.restarts import restarted
from harness.plan import model as p
from harness.recording.model import Mark
from harness.stats.curve import Counts, Crossing, find_crossing

BLOCKS: Final = 10
"""Parts into which a level's packets are cut to see whether losses come in bursts."""
MOST_LEVELS: Final = 2_000
"""Levels looked at in all passes: a recording cannot make judging endless."""
RISES: Final = 13.8
"""Losses that depend on the level must explain this much (once in a thousand times by chance)."""
FEWEST_SIGNALS: Final = 5
LEAST_SPAN_DB: Final = 6.0
FOLLOWS: Final = 0.5
"""A reported signal follows the level if it falls by at least half as much. It is looked at over 6 dB or
more, at levels where most packets came through: of the others only the strong ones are reported."""


@dataclass(frozen=True, slots=True)
class Level:
    """What happened at one level, all passes together. Levels in tenths, `above_db` relative to normal use.

    `unknown` packets may have been applied or not; they are no part of `lost`. `attempts` and
    `attempts_lost` are of the known packets. `signal_dbm` is the median of what the receiver reported.
    """

    level_x10: int
    above_db: float
    packets: int
    applied: int
    lost: int
    unknown: int
    attempts: int
    attempts_lost: int
    signal_dbm: float | None


@dataclass(frozen=True, slots=True)
class Margin:
    """The margin in dB and all that it rests on; `levels` from strong to weak.

    `lower_db` and `upper_db` are one-sided limits, infinite where the data set none; `margin_db` is None
    where they do not hold the level asked about. `tries` is n, `loss` the share of attempts lost at that
    level. `refused` counts levels that the transmitter has not got, `disturbed` those with a restart in
    them. `shown` says whether losses or the reported signal show that the level had any effect;
    `signal_slope` is the dB of signal per dB of level. `mixed` if the steps cannot be one measurement.
    """

    step: p.Margin
    levels: tuple[Level, ...]
    tries: int
    loss: float
    margin_db: float | None
    lower_db: float
    upper_db: float
    crossing: Crossing
    refused: int
    disturbed: int
    shown: bool
    signal_slope: float | None
    mixed: bool

    @property
    def packets(self) -> int:
        """Packets behind it."""
        return sum(level.packets for level in self.levels)


@dataclass(frozen=True, slots=True)
class _Stay:
    """One stay at a level, from when its packets count."""

    level_x10: int
    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class _Packets:
    """The packets at the levels, in time order: `stay` is the place of each one's level among `levels`."""

    stay: Ints
    attempts: Ints
    delivered: Flags
    unknown: Flags


def margin_steps(plan: p.Plan, during: tuple[str, ...] = ()) -> dict[str, p.Margin]:
    """Return the margin steps called `during`, or all, by key path."""
    return {
        step.path: step.action
        for step in p.every_step(plan.steps)
        if isinstance(step.action, p.Margin) and (not during or step.name in during)
    }


def measure_margin(
    evidence: Evidence, delivery: Fraction, confidence: float, during: tuple[str, ...] = ()
) -> Margin | None:
    """Return the margin at which `delivery` of the packets come through; None if no level was measured."""
    steps = margin_steps(evidence.plan, during)
    stays, refused = _read_stays(evidence, steps)
    whole = [stay for stay in stays if not restarted(evidence, stay.start_ns, stay.end_ns)]
    if not whole:
        return None
    step = next(iter(steps.values()))
    chosen = sorted({stay.level_x10 for stay in whole}, key=step.above_normal_db, reverse=True)
    packets = _packets(evidence, whole, chosen, during)
    tries = _tries(packets)
    above = np.array([step.above_normal_db(level) for level in chosen])
    loss = float((1 - delivery) ** (1 / tries))
    missing = _missing(evidence, whole, chosen)
    worst = find_crossing(_counts(packets, above, missing, tries, good=False), loss, confidence)
    best = worst
    if packets.unknown.any() or missing.any():
        best = find_crossing(_counts(packets, above, missing, tries, good=True), loss, confidence)
    levels = tuple(_level(evidence, packets, whole, chosen, step, place) for place in range(len(chosen)))
    slope = _signal_slope(levels)
    return Margin(
        step=step,
        levels=tuple(level for level in levels if level.packets),
        tries=tries,
        loss=loss,
        margin_db=None if worst.estimate is None else -worst.estimate,
        lower_db=-worst.high,
        upper_db=-best.low,
        crossing=worst,
        refused=refused,
        disturbed=len(stays) - len(whole),
        shown=min(worst.rise, best.rise) >= RISES or (slope is not None and slope >= FOLLOWS),
        signal_slope=slope,
        mixed=len({(each.by, each.normal, each.in_line_x10) for each in steps.values()}) > 1,
    )


def _read_stays(evidence: Evidence, steps: dict[str, p.Margin]) -> tuple[list[_Stay], int]:
    """Return every stay at a level, from the marks, and how many levels were refused."""
    stays: list[_Stay] = []
    refused = 0
    opened: Mark | None = None
    for mark in evidence.recording.marks:
        path = mark.fields.get("path")
        if not isinstance(path, str) or path not in steps:
            continue
        if mark.kind in ("level", "level end", "step end") and opened is not None:
            stays += _stay(opened, mark.at_ns, steps)
            opened = None
        if mark.kind == "level":
            opened = mark
        refused += mark.kind == "level refused"
    if opened is not None:
        stays += _stay(opened, evidence.data_end_ns, steps)
    return stays[:MOST_LEVELS], refused


def _stay(mark: Mark, end_ns: int, steps: dict[str, p.Margin]) -> list[_Stay]:
    """Return what a mark opens, if it is sound and one of its step's levels."""
    level, settle = mark.fields.get("level_x10"), mark.fields.get("settle_ns")
    if type(level) is not int or type(settle) is not int or not 0 <= settle <= S:
        return []
    if level not in steps[str(mark.fields["path"])].levels_x10:
        return []
    start_ns = mark.at_ns + settle
    return [_Stay(level, start_ns, end_ns)] if start_ns < end_ns else []


def _packets(evidence: Evidence, stays: list[_Stay], chosen: list[int], during: tuple[str, ...]) -> _Packets:
    fates = packet_fates(evidence, tuple(dict.fromkeys(_names(evidence.plan, during))))
    at_ns = evidence.sent.at_ns[fates.row]
    ordered = sorted(stays, key=lambda stay: stay.start_ns)
    turn = np.searchsorted(ints([stay.start_ns for stay in ordered]), at_ns, side="right") - 1
    ends = ints([stay.end_ns for stay in ordered])
    inside = (turn >= 0) & (at_ns < ends[np.maximum(turn, 0)])
    place = ints([chosen.index(stay.level_x10) for stay in ordered])
    return _Packets(
        place[turn[inside]],
        np.maximum(_attempts(evidence, fates)[inside], 1),
        fates.delivered[inside],
        fates.unknown[inside],
    )


def _names(plan: p.Plan, during: tuple[str, ...]) -> Iterator[str]:
    paths = margin_steps(plan, during)
    return (step.name for step in p.every_step(plan.steps) if step.path in paths)


def _attempts(evidence: Evidence, fates: Fates) -> Ints:
    """Return how often each packet was tried, as the transmitter reports it."""
    table = evidence.heard[Role.TRANSMITTER].table(wire.Sent.TYPE)
    tried = table.rows["attempts"].astype(np.int64)
    row = np.searchsorted(table.frame, evidence.sent.frame[fates.row])
    return tried[np.minimum(row, max(0, len(tried) - 1))] if len(tried) else np.ones(len(row), dtype=np.int64)


def _tries(packets: _Packets) -> int:
    """Return after how many attempts the transmitter gives up: as often as for most packets it lost."""
    lost = packets.attempts[~packets.delivered & ~packets.unknown]
    if len(lost):
        return int(np.sort(lost)[(len(lost) - 1) // 2])
    return int(packets.attempts.max()) if len(packets.attempts) else 1


def _missing(evidence: Evidence, stays: list[_Stay], chosen: list[int]) -> Ints:
    """Return for each level how many messages of the transmitter are missing: each may be a packet."""
    heard = evidence.heard[Role.TRANSMITTER]
    found = np.zeros(len(chosen), dtype=np.int64)
    for stay in stays:
        first, after = np.searchsorted(heard.at_ns, (stay.start_ns, stay.end_ns)).tolist()
        if after > first:
            lost = heard.lost[min(after, len(heard.lost) - 1)] - heard.lost[max(0, first - 1)]
            found[chosen.index(stay.level_x10)] += int(lost)
    return found


def _counts(packets: _Packets, above: Floats, missing: Ints, tries: int, *, good: bool) -> Counts:
    """Return the attempts in blocks; `good` takes what is unknown for received at once, else for lost."""
    delivered = packets.delivered | (packets.unknown & good)
    number = len(above)
    place = packets.stay
    size = np.bincount(place, minlength=number)
    order = np.argsort(place, kind="stable")
    turn = np.empty(len(place), dtype=np.int64)
    turn[order] = np.arange(len(place)) - np.repeat(np.cumsum(size) - size, size)
    block = place * BLOCKS + turn * BLOCKS // np.maximum(size, 1)[place]
    made = np.bincount(block, packets.attempts, number * BLOCKS)
    lost = np.bincount(block, packets.attempts - delivered, number * BLOCKS)
    last = np.arange(number) * BLOCKS + BLOCKS - 1
    made[last] += missing * (1 if good else tries)
    lost[last] += 0 if good else missing * tries
    used = made > 0
    group = np.repeat(np.arange(number), BLOCKS)
    return Counts(
        above[group][used], group[used], made[used].astype(np.float64), lost[used].astype(np.float64)
    )


def _level(
    evidence: Evidence, packets: _Packets, stays: list[_Stay], chosen: list[int], step: p.Margin, place: int
) -> Level:
    mine = packets.stay == place
    known = mine & ~packets.unknown
    attempts = int(packets.attempts[known].sum())
    applied = int((packets.delivered & known).sum())
    return Level(
        level_x10=chosen[place],
        above_db=step.above_normal_db(chosen[place]),
        packets=int(mine.sum()),
        applied=applied,
        lost=int(known.sum()) - applied,
        unknown=int((mine & packets.unknown).sum()),
        attempts=attempts,
        attempts_lost=attempts - applied,
        signal_dbm=_signal(evidence, [stay for stay in stays if stay.level_x10 == chosen[place]]),
    )


def _signal(evidence: Evidence, stays: list[_Stay]) -> float | None:
    """Return the median of the signal that the receiver reported, in dBm; None if it knows none."""
    table = evidence.heard[Role.RECEIVER].table(wire.Applied.TYPE)
    applied = evidence.applied
    row = np.searchsorted(table.frame, applied.frame)
    inside = np.zeros(len(applied), dtype=np.bool_)
    for stay in stays:
        inside |= (applied.at_ns >= stay.start_ns) & (applied.at_ns < stay.end_ns)
    if not len(table):
        return None
    told = table.rows["signal_dbm"].astype(np.int64)[np.minimum(row[inside], len(table) - 1)]
    known = told[told != wire.SIGNAL_UNKNOWN]
    return float(np.median(known)) if len(known) >= FEWEST_SIGNALS else None


def _signal_slope(levels: tuple[Level, ...]) -> float | None:
    """Return how many dB the reported signal falls for each dB of the level; None if nobody can tell."""
    told = [
        (level.above_db, level.signal_dbm)
        for level in levels
        if level.signal_dbm is not None and 2 * level.applied >= level.packets
    ]
    if len(told) < 2:
        return None
    at, signal = np.array(told).T
    if float(at.max() - at.min()) < LEAST_SPAN_DB:
        return None
    away = at - at.mean()
    return float((away * signal).sum() / (away * away).sum())


__all__ = ["Level", "Margin", "margin_steps", "measure_margin"]

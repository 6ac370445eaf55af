"""When did the receiver stand still, and what sets it off? Packets that it had, and used only much later.

A packet that the radio acknowledged and that took effect more than half a packet period after the usual time
was waited for by nobody: from its arrival to that instant the firmware did something else. Packets that come
meanwhile wait with it and take effect at one instant, the end of the standstill; or they find the radio's
FIFO full and get lost. Where one such time begins before the one before it ended, packets queue instead.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from harness.bench.protocol import Role
from harness.measure.arrays import Flags, Floats, Ints, inside, ints
from harness.measure.evidence import Evidence
from harness.measure.injection import injections
from harness.measure.memo import remembered
from harness.stats.association import more_than_chance
from harness.stats.grids import fit_grid
from harness.why.packets import FEWEST, Packets, packets_of
from harness.why.words import SURE, covers

SHORTEST: Final = 0.5
"""Shortest standstill that is looked for, in packet periods: a shorter one need not delay any packet."""
MOST_OF_TIME: Final = 0.5
"""A receiver that stands still longer than this share of the time has a slow loop, not standstills."""
CHAINED: Final = 0.3
"""Share of standstills that may begin before the one before is over; more of them are a queue."""
FEW: Final = 3
MOST_FITTED: Final = 120
"""Standstills among which a grid is searched; a rhythm shows in so many, and the search takes time."""
ALIKE: Final = 0.03
"""Waits are alike if they differ by less than this share of a packet period."""
SOON: Final = 3
"""What follows a telemetry value within so many packet periods may have been set off by it."""
Trigger = Literal["time", "packets", "telemetry", "none"]


@dataclass(frozen=True, slots=True)
class Stalls:
    """Standstills in order: from `begin_ns` (the first packet that waited was sampled) to `end_ns`.

    `longest_ns` is the longest wait of any packet: the standstill lasts that long at least, and at most one
    packet period more. `behind` marks among `packets` those that were lost or late because of one.
    `first` is the place of the first packet that waited.
    """

    packets: Packets
    begin_ns: Ints
    end_ns: Ints
    first: Ints
    longest_ns: int
    behind: Flags

    def __len__(self) -> int:
        return len(self.begin_ns)


@remembered
def stalls_of(evidence: Evidence, during: tuple[str, ...] = ()) -> Stalls | None:
    """Return the standstills in the steps `during`; None without any, or where packets queue instead."""
    packets = packets_of(evidence, during)
    period = evidence.plan.link.packet_period_ns
    came = packets.acked & packets.arrived & ~packets.ordered
    if len(packets) < FEWEST or came.sum() < FEWEST // 2:
        return None
    wait = packets.delay_ns - packets.took_ns
    waited = np.flatnonzero(came & (wait - np.median(wait[came]) > SHORTEST * period))
    begin, end, first = _groups(packets, waited, period)
    if not len(begin) or float((end - begin).sum()) > MOST_OF_TIME * len(packets) * period:
        return None
    if (begin[1:] < end[:-1] - period // 2).mean() > CHAINED if len(begin) > 1 else False:
        return None
    order = np.argsort(begin, kind="stable")
    begin, end, first = begin[order], np.maximum.accumulate(end[order]), first[order]
    near = period // 4
    behind = covers(packets.at_ns, begin - near, end + near)
    return Stalls(packets, begin, end, first, int(wait[waited].max()), behind)


def _groups(packets: Packets, waited: Ints, period: int) -> tuple[Ints, Ints, Ints]:
    """Return begin, end and first packet of each group that took effect at one instant."""
    if not len(waited):
        return waited, waited, waited
    used = packets.at_ns[waited] + packets.delay_ns[waited]
    new = np.concatenate(([True], np.abs(np.diff(used)) > period // 2))
    place = np.flatnonzero(new)
    return packets.at_ns[waited[place]], used[place], waited[place]


@dataclass(frozen=True, slots=True)
class Rhythm:
    """What sets standstills off: every `every` ns or packets, soon after new telemetry values, or unknown.

    `p_value` is corrected for the periods tried. `hits` of `of` standstills came so. `exact` says that all of
    them are a whole number of packets apart, to the packet: a period in time does not do that across pauses.
    """

    trigger: Trigger
    every: float
    p_value: float
    hits: int
    of: int
    exact: bool = False


def rhythm_of(evidence: Evidence, stalls: Stalls) -> Rhythm:
    """Return what sets standstills off, the one with the smallest p-value where several fit."""
    count = len(stalls)
    found = [Rhythm("none", 0.0, 1.0, 0, count), after_telemetry(evidence, stalls)]
    if count >= FEW:
        found += [by_count(evidence, stalls), _by_time(evidence, stalls)]
    best = min(found, key=lambda one: (not one.exact, one.p_value))
    return best if best.p_value < SURE else found[0]


def after_telemetry(evidence: Evidence, stalls: Stalls) -> Rhythm:
    """Hold the standstills against the instants at which the receiver took new values."""
    taken = ints([one.at_ns for one in injections(evidence)])
    reach = SOON * evidence.plan.link.packet_period_ns
    spans = np.stack((taken - reach // 6, taken + reach), axis=1).reshape(-1, 2)
    hits = int(inside(stalls.begin_ns, spans).sum())
    packets = stalls.packets
    chances = inside(packets.at_ns, spans)
    p_value = more_than_chance(hits, len(stalls), int(chances.sum()), len(packets))
    return Rhythm("telemetry", 0.0, p_value if 2 * hits > len(stalls) else 1.0, hits, len(stalls))


def _by_time(evidence: Evidence, stalls: Stalls) -> Rhythm:
    """Search the ends of the standstills, on the receiver's clock, for a period."""
    applied, count = evidence.applied, len(stalls)
    order = np.argsort(applied.at_ns, kind="stable")
    row = order[np.minimum(np.searchsorted(applied.at_ns[order], stalls.end_ns), len(order) - 1)]
    life = applied.segment[row]
    times = np.where(np.abs(applied.at_ns[row] - stalls.end_ns) < 1000, applied.dev_us[row], -1)
    known = times >= 0
    tick, p_value = _grid(times[known], life[known], 1.0)
    return Rhythm("time", tick * 1000, p_value, int(known.sum()), count)


def by_count(evidence: Evidence, stalls: Stalls) -> Rhythm:
    """Search the places of the first packets that waited, among all that reached the receiver."""
    sent = evidence.sent
    order = np.argsort(sent.at_ns, kind="stable")
    reached = np.zeros(len(sent), dtype=np.int64)
    applied = evidence.applied.sent_row[evidence.applied.sent_row >= 0]
    reached[sent.acked] = 1
    reached[applied] = 1
    place = np.empty(len(sent), dtype=np.int64)
    place[order] = np.cumsum(reached[order])
    at = place[stalls.packets.row[stalls.first]]
    life = evidence.heard[Role.RECEIVER].segment
    lives = np.zeros(len(at), dtype=np.int64)
    if len(life) and life[-1] > life[0]:
        starts = evidence.heard[Role.RECEIVER].restarts[:, 1]
        lives = np.searchsorted(starts, stalls.begin_ns)
    tick, p_value = _grid(at, lives, 1.0)
    exact = p_value < SURE and _exact(at, lives, round(tick)) and _begin_with_packets(evidence, stalls)
    return Rhythm("packets", tick, p_value, len(at), len(stalls), exact)


def _begin_with_packets(evidence: Evidence, stalls: Stalls) -> bool:
    """Return whether the first packets all wait alike: what a packet sets off begins when one comes.

    A routine with a period of its own begins at any time before them, and drifts with its clock.
    """
    waits = (stalls.packets.delay_ns - stalls.packets.took_ns)[stalls.first]
    low, high = np.percentile(waits, (10, 90))
    return bool(high - low < ALIKE * evidence.plan.link.packet_period_ns)


def _exact(places: Ints, lives: Ints, every: int) -> bool:
    """Return whether nearly all places leave the same rest, life by life."""
    if every < 2:
        return False
    same = sum(int(np.bincount(places[lives == life] % every).max()) for life in np.unique(lives))
    return same >= 0.9 * len(places)


def _grid(times: Ints, lives: Ints, step: float) -> tuple[float, float]:
    """Return the tick on which most of these places lie and its p-value, or (0, 1).

    Nine in ten must: the search itself wants all of them, so the farthest from the best grid are left out.
    The tick is not below half the usual distance, for every place lies on a grid that is fine enough.
    """
    times, lives = times[:MOST_FITTED], lives[:MOST_FITTED]
    if len(times) < FEW:
        return 0.0, 1.0
    apart = np.diff(np.sort(times))
    usual = float(np.median(apart[apart > 0])) if (apart > 0).any() else 0.0
    if usual <= 0:
        return 0.0, 1.0
    fitted = fit_grid(times, lives, 0.6 * usual, 1.4 * usual)
    if fitted is None:
        return 0.0, 1.0
    kept = _on_grid(times.astype(np.float64), lives, fitted.tick)
    if kept.all() or kept.mean() < 0.9:
        again = fitted
    else:
        again = fit_grid(times[kept], lives[kept], 0.9 * fitted.tick, 1.1 * fitted.tick) or fitted
    width = max(again.width, step) / again.tick
    count = int(kept.sum()) - len(np.unique(lives[kept]))
    trials = max(3.0, 4 * float(np.ptp(times)) / usual)
    return again.tick, min(1.0, trials * len(times) * width ** max(0, count - 1)) if width < 1 else 1.0


def _on_grid(times: Floats, lives: Ints, tick: float) -> Flags:
    """Return which times lie within a tenth of a tick of their life's usual phase."""
    kept = np.zeros(len(times), dtype=np.bool_)
    for life in np.unique(lives):
        mine = lives == life
        turn = np.exp(2j * np.pi * times[mine] / tick)
        off = np.angle(turn * np.conj(turn.mean())) / (2 * np.pi)
        kept[mine] = np.abs(off) < 0.1
    return kept


__all__ = ["Rhythm", "Stalls", "after_telemetry", "by_count", "rhythm_of", "stalls_of"]

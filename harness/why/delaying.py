"""Where do packets lose time? In a queue, between looks of a slow loop, before sending, in repetitions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.clock import MS, US
from harness.judge.words import moment, plain
from harness.likely import Likely
from harness.measure.arrays import Flags, Floats, Ints
from harness.measure.evidence import Evidence
from harness.measure.memo import remembered
from harness.plan import model as p
from harness.plan.wording import many
from harness.stats.grids import fit_grid
from harness.verdict import CheckResult
from harness.why.blame import blamed, late_or_lost
from harness.why.packets import FEWEST, packets_of
from harness.why.words import (
    CERTAIN,
    LOSSES,
    MOST,
    STRONG,
    SURE,
    about,
    chance,
    failed,
    failed_latency,
    in_order,
    percent,
)

LATE: Final = ("latency", "control_age")
MOST_BEHIND: Final = 16
"""Longest queue looked for, in packets."""
PROMPT: Final = 0.25
"""A packet follows a newer one if it takes effect within this share of a packet period after it."""
BEFORE: Final = 0.9
FITTED: Final = 150
"""Applied packets among which the loop's tick is searched: enough for any p-value, and soon searched."""
SLOWEST: Final = 6
"""Longest loop searched, in packet periods."""
NARROW: Final = 0.1
SPREAD: Final = 0.25
"""Packets wait for a loop anything up to its tick; those that all wait alike keep to their own timer."""
ON_IT: Final = 0.98
"""Mean resultant length of phases from which times are taken to lie on a grid: within 3 % of its tick "
"or so."""
UNLIKE: Final = 0.3
FEW: Final = 3
LEAST_NS: Final = 3 * MS
"""Shorter delays of one kind are left to the others."""


@dataclass(frozen=True, slots=True)
class Queue:
    """How many newer packets had been sent when each took effect: `behind` is the usual number.

    `share` of the packets from place `since` on are just so many behind; `at_ns` is when that began, `bursts`
    whether a burst of packets came right before it. `shortest_ns` and `longest_ns` are the extreme waits,
    `spacings` counts the different ones, by 2 ms.
    """

    behind: int
    share: float
    since: int
    at_ns: int
    bursts: bool
    shortest_ns: int
    longest_ns: int
    spacings: int


@remembered
def queue_of(evidence: Evidence, during: tuple[str, ...] = ()) -> Queue | None:  # noqa: ARG001
    """Return the queue in front of the outputs; None where packets are no constant number behind."""
    applied, sent = evidence.applied, evidence.sent
    rows = np.flatnonzero((applied.sent_row >= 0) & ~applied.repeat)
    if len(rows) < FEWEST:
        return None
    sent_ns = np.sort(sent.at_ns)
    own = sent.at_ns[applied.sent_row[rows]]
    order = np.argsort(own, kind="stable")
    own, used = own[order], applied.at_ns[rows][order]
    newest = np.searchsorted(sent_ns, used + evidence.slack_ns, side="right") - 1
    behind = newest - np.searchsorted(sent_ns, own)
    usual = int(np.bincount(np.clip(behind[behind > 0], 0, MOST_BEHIND), minlength=1).argmax())
    if usual < 1 or usual >= MOST_BEHIND:
        return None
    same = behind == usual
    prompt = used - sent_ns[newest] < PROMPT * evidence.plan.link.packet_period_ns
    since = _since(same)
    if not _whatever_apart(evidence, sent_ns, own[since:], (same & prompt)[since:], usual):
        return None
    if (same & prompt)[since:].mean() < MOST or (since and (behind[:since] == 0).mean() < BEFORE):
        return None
    wait = (used - own)[since:]
    first = int(own[since])
    before = sent.in_burst & (np.abs(sent.at_ns - first) < 5 * evidence.plan.link.packet_period_ns)
    apart = np.unique(wait[same[since:]] // (2 * MS))
    return Queue(
        behind=usual,
        share=float(same[since:].mean()),
        since=since,
        at_ns=first,
        bursts=bool(before.any()),
        shortest_ns=int(wait[same[since:]].min()),
        longest_ns=int(wait.max()),
        spacings=len(apart),
    )


def _whatever_apart(evidence: Evidence, sent_ns: Ints, own: Ints, follows: Flags, behind: int) -> bool:
    """Return whether packets follow the newer one where it came much sooner or later than usual, too.

    Else a fixed delay near a multiple of the packet period would look like a queue.
    """
    place = np.searchsorted(sent_ns, own) + behind
    known = place < len(sent_ns)
    apart = sent_ns[place[known]] - own[known]
    usual = behind * evidence.plan.link.packet_period_ns
    odd = np.abs(apart - usual) > UNLIKE * usual
    return bool(odd.sum() >= FEW and follows[known][odd].mean() >= 0.5)


def _since(same: Flags) -> int:
    """Return the place from which on the difference of hits and misses is largest: where it begins."""
    score = np.cumsum(np.where(same, 1, -1)[::-1])[::-1]
    return int(np.argmax(score))


def queued(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a queue: the receiver stays a constant number of packets behind, whatever their spacing."""
    names = (*failed(results, *LATE, "failsafe_exit"), *_by_lateness(evidence, results))
    queue = queue_of(evidence) if names else None
    if queue is None or queue.spacings < 2:
        return None
    number = many(queue.behind, "packet")
    began = f" from {moment(evidence, queue.at_ns)} on" if queue.since else ""
    after = ", after a burst of packets," if queue.since and queue.bursts else ""
    return Likely(
        key="queue",
        title=f"The receiver stays {number} behind{after}{began}: a queue that is never emptied"
        if queue.since
        else f"The receiver is always {number} behind: packets wait in a queue",
        explains=in_order(results, names),
        strength=CERTAIN,
        speaks_for=(
            f"{percent(queue.share, 1)} of the packets took effect just when the {_nth(queue.behind)} newer "
            f"one came: after {about(queue.shortest_ns)} where packets came close together, after up to "
            f"{about(queue.longest_ns)} where they paused. A fixed delay does not do that.",
        ),
        next_step="Read packets until the radio's FIFO is empty, each time, and keep the newest only. The "
        "delay must then be the same in milliseconds at 25 Hz and at 100 Hz.",
    )


def _nth(number: int) -> str:
    return {1: "first", 2: "second", 3: "third"}.get(number, f"{number}th")


def _by_lateness(evidence: Evidence, results: Sequence[CheckResult]) -> tuple[str, ...]:
    """Return failed checks of losses whose lost packets did come, too late."""
    packets = packets_of(evidence)
    return blamed(evidence, results, packets, packets.arrived)


@dataclass(frozen=True, slots=True)
class Loop:
    """The tick at which a receiver applies packets, in us, and how sure that is."""

    tick_us: float
    width_us: float
    p_value: float
    looked: int


@remembered
def loop_of(evidence: Evidence, during: tuple[str, ...] = ()) -> Loop | None:  # noqa: ARG001
    """Return the tick of the receiver's loop where it is slow; None where no grid but the packets' own is."""
    applied, period_us = evidence.applied, evidence.plan.link.packet_period_ns / US
    rows = np.flatnonzero((applied.sent_row >= 0) & ~applied.repeat)
    rows = rows[~evidence.sent.in_burst[applied.sent_row[rows]]]
    middle = len(rows) // 2
    rows = rows[max(0, middle - FITTED // 2) : middle + FITTED // 2]
    if len(rows) < FEWEST // 2:
        return None
    times, lives = applied.dev_us[rows], applied.segment[rows]
    found = fit_grid(times, lives, 0.15 * period_us, SLOWEST * period_us)
    if found is None or found.width > NARROW * found.tick:
        return None
    tick = found.tick * _fold((times - times[0]).astype(np.float64), found.tick, SLOWEST * period_us)
    first, last = evidence.sent.at_ns[applied.sent_row[rows[[0, -1]]]].tolist()
    sampled = evidence.sent.at_ns[(evidence.sent.at_ns >= first) & (evidence.sent.at_ns <= last)] / US
    if _keeps(sampled, tick) > 0.5:  # the packets' own clock has that tick as well
        return None
    return Loop(tick, found.width, max(found.p_value, 0.0), len(rows))


def _fold(times: Floats, tick: float, longest: float) -> int:
    """Return the largest multiple of a tick on which the times lie too: a grid fits on finer ones as well."""
    multiples = range(int(longest / tick), 1, -1)
    return next((fold for fold in multiples if _keeps(times, fold * tick) > ON_IT), 1)


def _keeps(times: Floats, tick: float) -> float:
    return float(abs(np.exp(2j * np.pi * times / tick).mean()))


def slow_loop(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a slow loop: packets take effect at the ticks of the receiver's own clock only."""
    names = failed(results, *LOSSES, "back_to_back", "throughput", "failsafe_exit")
    loop = loop_of(evidence) if names else None
    if loop is None or loop.p_value >= SURE:
        return None
    packets = packets_of(evidence)
    wait = packets.delay_ns[packets.arrived]
    tick_ns = round(loop.tick_us * US)
    explains = _of_loop(evidence, results, names, tick_ns)
    early, late = np.percentile(wait, (5, 95)).tolist()
    if not explains or late - early < SPREAD * tick_ns:
        return None
    lost = int((packets.lost & ~packets.acked).sum())
    room = lost > 0.2 * len(packets)
    return Likely(
        key="slow-loop",
        title=f"The receiver looks for packets only every {about(tick_ns)}",
        explains=explains,
        strength=CERTAIN,
        speaks_for=(
            f"{loop.looked} packets in a row took effect on a grid of {about(tick_ns)} of its own clock, "
            f"within {plain(loop.width_us, 0)} us ({chance(loop.p_value)}); the transmitter's packets keep "
            "another one.",
            f"Packets wait {about(early)} to {about(late)}, as they happen to come."
            + (
                f" {lost} were never acknowledged: the radio holds too few packets for so long a loop."
                if room
                else ""
            ),
        ),
        next_step="Time the receiver's loop with a pin that toggles each time round; start slow "
        "conversions and read them next time instead of waiting for them; read the radio from its "
        "interrupt.",
    )


def _of_loop(
    evidence: Evidence, results: Sequence[CheckResult], names: tuple[str, ...], tick_ns: int
) -> tuple[str, ...]:
    """Return the checks that a loop of this length can fail: those whose limit it comes near.

    What has no limit in time is failed by a loop of half a packet period or more.
    """
    rules = {check.name: check.rule for check in evidence.plan.checks}
    near = []
    for name in names:
        rule = rules.get(name)
        limit = getattr(rule, "at_most_ns", 6 * evidence.plan.link.packet_period_ns // 4)
        if isinstance(rule, p.Latency) and rule.of == "acknowledgement":
            continue
        if limit <= 3 * tick_ns:
            near.append(name)
    return in_order(results, near)


def before_sending(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect that sticks are sampled early: a first attempt ends long after the sampling, and is prompt."""
    packets = packets_of(evidence)
    once = packets.acked & packets.arrived & (packets.attempts == 1) & ~packets.unknown & ~packets.ordered
    names = failed_latency(evidence, results, "packet") + failed(results, "control_age")
    if not names or once.sum() < FEWEST // 2:
        return None
    took = float(np.median(packets.took_ns[once]))
    after = packets.delay_ns[once] - packets.took_ns[once]
    if took < LEAST_NS or abs(float(np.median(after))) > took / 4:
        return None
    spread = float(np.ptp(np.percentile(packets.took_ns[once], (5, 95))))
    if spread > took / 4:
        return None
    return Likely(
        key="sampled-early",
        title=f"Sticks are sampled {about(took)} before the packet that carries them is through",
        explains=in_order(results, names + failed_latency(evidence, results, "stick")),
        strength=STRONG,
        speaks_for=(
            f"{many(int(once.sum()), 'packet')} acknowledged at the first attempt took {about(took)} from "
            "sampling to acknowledgement, all alike; one on the air takes a millisecond or less.",
            f"They took effect within {about(float(np.abs(after).max()))} of the acknowledgement: the "
            "receiver loses no time.",
        ),
        next_step="Look what stands between reading the sticks and starting to send (a conversion that is "
        "waited for, a print, a telemetry routine) and move it behind sending.",
    )


def late_acknowledgement(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect who makes the acknowledgement: it comes long after the packet took effect."""
    packets = packets_of(evidence)
    once = packets.acked & packets.arrived & (packets.attempts == 1) & ~packets.unknown
    names = failed_latency(evidence, results, "acknowledgement") + failed(
        results, "throughput", "back_to_back"
    )
    if not names or once.sum() < FEWEST // 2:
        return None
    took = float(np.median(packets.took_ns[once]))
    before = float(np.median(packets.took_ns[once] - packets.delay_ns[once]))
    if took < LEAST_NS or before < took / 2:
        return None
    return Likely(
        key="acknowledgement-late",
        title=f"The acknowledgement comes {about(before)} after the packet took effect",
        explains=in_order(results, names),
        strength=CERTAIN,
        speaks_for=(
            f"Packets acknowledged at the first attempt took {about(took)} until then, and took effect "
            f"{about(before)} earlier.",
            f"So an exchange takes {about(took)}: {plain(1e9 / took, 0)} packets a second at most.",
        ),
        next_step="Let the radio acknowledge by itself, with a payload loaded before the packet comes, "
        "instead of the receiver's loop; run the limits plan again.",
    )


def late_repetition(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the delay of repetitions: late packets are those that were tried more than once."""
    packets = packets_of(evidence)
    again = packets.acked & (packets.attempts > 1) & ~packets.unknown
    once = packets.acked & (packets.attempts == 1)
    names = failed_latency(evidence, results, "packet") + failed_latency(evidence, results, "acknowledgement")
    if not names or min(again.sum(), once.sum()) < 10:
        return None
    base = float(np.median(packets.took_ns[once]))
    each = (packets.took_ns[again] - base) / (packets.attempts[again] - 1)
    usual = float(np.median(each))
    late = late_or_lost(packets, round(base + usual / 2)) & packets.arrived
    tried = int((late & (packets.attempts > 1)).sum())
    if usual < LEAST_NS or late.sum() < 10 or tried < MOST * late.sum():
        return None
    share = float(again.sum()) / max(1, len(packets))
    return Likely(
        key="repetition-late",
        title=f"A packet that needs another attempt gets it only after {about(usual)}",
        explains=in_order(results, names + failed(results, "control_age")),
        strength=CERTAIN,
        speaks_for=(
            f"{tried} of {many(int(late.sum()), 'late packet')} were tried more than once, and each attempt "
            f"more took {about(usual)}.",
            f"{percent(share, 1)} of the packets needed more than one attempt; the others took "
            f"{about(base)}.",
        ),
        next_step="Look at the register for the delay between repetitions and at its unit (many radios "
        "count in steps of 250 us): one exchange and a little more is enough.",
    )


def stick_queue(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a queue or filter before sending: even the luckiest stick position waits long for a packet."""
    names = failed_latency(evidence, results, "stick")
    if not names:
        return None
    waits = stick_waits(evidence)
    period = evidence.plan.link.packet_period_ns
    if len(waits) < FEWEST // 2:
        return None
    least = float(np.percentile(waits, 5))
    if least < period / 2:
        return None
    positions = round(least / period)
    return Likely(
        key="stick-queue",
        title=f"Stick positions wait {about(least)} in the transmitter before a packet takes them",
        explains=in_order(results, names),
        strength=CERTAIN,
        speaks_for=(
            f"Of {many(len(waits), 'stick position')} that were taken 95 % waited {about(least)} or longer, "
            f"where none need wait longer than a packet period ({about(period)}).",
            "The packets themselves are prompt: the wait lies before sampling, "
            f"{many(positions, 'packet')} long.",
        ),
        next_step="Look for a buffer, a moving average or a debounce between reading the sticks and "
        "packing them, and take the newest position instead.",
    )


def stick_waits(evidence: Evidence) -> Ints:
    """Return the time from each stick command to the sampling of the first packet that carried it, in ns."""
    sent, sticks = evidence.sent, evidence.sticks
    rows = np.flatnonzero(sent.sticks_row >= 0)
    if not len(rows):
        return rows
    rows = rows[np.argsort(sent.at_ns[rows], kind="stable")]
    taken, first = np.unique(sent.sticks_row[rows], return_index=True)
    waits: Ints = sent.at_ns[rows[first]] - sticks.at_ns[taken]
    return waits


def slow_timer(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the transmitter's packet timer: every packet comes late by the same time."""
    names = failed(results, "packet_rate")
    packets = packets_of(evidence)
    follows = ~packets.breaks & ~packets.ordered & ~np.concatenate(([False], packets.ordered[:-1]))
    if not names or follows.sum() < FEWEST // 2:
        return None
    apart = np.diff(packets.at_ns, prepend=packets.at_ns[0])[follows]
    declared, usual = evidence.plan.link.packet_period_ns, float(np.median(apart))
    steady = float(np.ptp(np.percentile(apart, (5, 95)))) < 0.02 * declared
    if usual < 1.005 * declared:
        return None
    more = usual - declared
    return Likely(
        key="packet-timer",
        title=f"The transmitter sends every {about(usual)} instead of every {about(declared)}",
        explains=names,
        strength=CERTAIN if steady else STRONG,
        speaks_for=(
            f"{many(len(apart), 'interval')} between packets are {about(usual)} in the middle, "
            + ("95 % of them alike to 2 %: a timer, and no hold-ups." if steady else "and differ widely."),
        ),
        next_step=f"Set the timer from the last due time, not from when the packet was done (that adds "
        f"{about(more)}), and compare the timer's clock with the declared rate.",
    )


__all__ = [
    "before_sending",
    "late_acknowledgement",
    "late_repetition",
    "queued",
    "slow_loop",
    "slow_timer",
    "stick_queue",
    "stick_waits",
]

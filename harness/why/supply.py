"""Does the supply give way? Losses that rise with the throttle, and restarts that nobody ordered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS
from harness.codec import messages as wire
from harness.judge.words import plain
from harness.likely import Likely
from harness.measure.arrays import Floats, Ints
from harness.measure.evidence import Evidence
from harness.plan.wording import many
from harness.stats.association import rank_test
from harness.stats.periods import burst_starts
from harness.verdict import CheckResult
from harness.why.content import pulses_of
from harness.why.packets import FEWEST, Packets, packets_of
from harness.why.words import CERTAIN, CLEAR, LOSSES, STRONG, SURE, chance, failed, percent

CAUTION: Final = "Propellers off, model tied down, supply current-limited."
RISES: Final = 0.65
"""Share of pairs in which the lost packet's throttle is the higher one: less is a faint connection."""
FEW: Final = 10
RATIO: Final = 1.5
"""A larger share is lost with an open throttle than with a closed one by this factor at least."""
RIVAL: Final = 1e-3
"""Another stick explains the losses as well unless throttle does it so much less likely by chance."""
BEFORE_NS: Final = 300 * MS
"""A restart this soon after a throttle was opened may be its doing (common practice, no source)."""
OPENED: Final = 0.25
"""A throttle opens quickly if it moves by this share of its travel in that time."""


def with_throttle(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the supply: the harder the motors run, the more packets get lost."""
    explains = failed(results, *LOSSES)
    packets = packets_of(evidence)
    if not explains or len(packets) < FEWEST:
        return None
    throttle, others = shares_of(evidence, packets)
    if throttle is None:
        return None
    gone = packets.lost & ~packets.arrived
    chances, starts = burst_starts(gone, packets.unknown | packets.ordered, packets.breaks)
    chances &= ~np.isnan(throttle)
    events = starts[chances]
    above, p_value = rank_test(throttle[chances], events)
    if p_value >= SURE or above < RISES or events.sum() < FEW:
        return None
    thirds = _thirds(packets, throttle)
    if not _rise(*thirds):
        return None
    rivals = [rank_test(values[chances], events) for values in others]
    rival = min((p for _, p in rivals), default=1.0)
    alone = p_value < RIVAL * rival
    low, high = (percent(*part) for part in thirds)
    against = () if alone else (
        "Other sticks moved with the throttle: the losses go with those about as well.",
    )  # fmt: skip
    return Likely(
        key="supply",
        title=f"Losses rise with the throttle: {low} of the packets while it is low, {high} while it is high",
        explains=explains,
        strength=STRONG if alone else CLEAR,
        speaks_for=(
            f"In {percent(above, 1)} of all pairs of a loss and a packet that came through the throttle "
            f"stood higher at the loss ({chance(p_value)}, rank test on {int(events.sum())} bursts).",
            *(_acked(packets)),
        ),
        speaks_against=against,
        next_step="Feed the receiver from its own battery, motors unloaded, and run again; or run with "
        "`--throttle-up-to 10%`: losses that go away are the supply's. Then measure the supply at the "
        f"receiver's pins while the throttle opens. {CAUTION}",
    )


def _acked(packets: Packets) -> tuple[str, ...]:
    acked = int((packets.lost & packets.acked).sum())
    if 2 * acked <= packets.losses:
        return ()
    return (f"{acked} of {packets.losses} lost packets were acknowledged: they failed behind the radio.",)


def _rise(low: tuple[int, int], high: tuple[int, int]) -> bool:
    """Return whether a larger share is lost with an open throttle than with a closed one, by counts alone.

    Losses that last for long begin anywhere, and their beginnings alone may seem to go with the throttle.
    """
    return low[1] == 0 or high[1] == 0 or high[0] * low[1] > RATIO * low[0] * high[1]


def _thirds(packets: Packets, throttle: Floats) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return lost packets and all in the lower and in the upper third of the throttle's travel."""
    told = ~packets.unknown & ~np.isnan(throttle)
    parts = (told & (throttle <= 1 / 3), told & (throttle >= 2 / 3))
    low, high = ((int((packets.lost & part).sum()), int(part.sum())) for part in parts)
    return low, high


def shares_of(evidence: Evidence, packets: Packets) -> tuple[Floats | None, list[Floats]]:
    """Return how far open the throttles are in each packet, their mean, and every other stick's place.

    0 to 1 over a channel's range, NaN where the recording does not tell; None without a throttle that moves.
    """
    pulses = pulses_of(evidence, packets)
    channels = evidence.plan.link.channels[: pulses.shape[1]]
    if not channels:
        return None, []
    lows = np.array([channel.range.low_us for channel in channels], dtype=np.float64)
    highs = np.array([channel.range.high_us for channel in channels], dtype=np.float64)
    share = np.where(pulses < 0, np.nan, (pulses - lows) / (highs - lows))
    motors = np.array([channel.role == "throttle" for channel in channels])
    if not motors.any():
        return None, []
    throttle = share[:, motors].mean(axis=1)
    told = throttle[~np.isnan(throttle)]
    if not len(told) or float(np.ptp(told)) < OPENED:
        return None, []
    others = [share[:, place] for place in np.flatnonzero(~motors).tolist()]
    return throttle, [values for values in others if not np.isnan(values).any()]


@dataclass(frozen=True, slots=True)
class Restarted:
    """A start that nobody ordered: of which device, when heard, why by its own word."""

    role: Role
    at_ns: int
    cause: int


def unordered_starts(evidence: Evidence) -> tuple[Restarted, ...]:
    """Return the starts, after the first message, that no command and no power switched by us made."""
    found = []
    for role in DEVICES:
        heard = evidence.heard[role]
        ours = {span.frame for span in evidence.restarts if span.role is role and span.frame >= 0}
        for note in heard.others:
            if not isinstance(note.message, wire.Started) or not note.frame or note.frame in ours:
                continue
            if note.message.cause != wire.StartCause.COMMAND:
                found.append(Restarted(role, note.at_ns, int(note.message.cause)))
    return tuple(found)


def browns_out(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the supply of a device that restarts by itself, most of all when a throttle opens."""
    explains = failed(results)
    starts = [one for one in unordered_starts(evidence) if one.cause != wire.StartCause.WATCHDOG]
    if not starts or not explains:
        return None
    said = sum(one.cause == wire.StartCause.BROWN_OUT for one in starts)
    opened = sum(_opened(evidence, one.at_ns) for one in starts)
    role = starts[0].role
    usual = _opened_usually(evidence)
    with_it = opened >= 2 and opened >= 0.8 * len(starts) and usual < 0.5
    when = " when the throttle opens" if with_it else ""
    return Likely(
        key="supply",
        title=f"The {role.value} restarts by itself{when}, {many(len(starts), 'time')}",
        explains=tuple(name for name in explains if _by_restart(results, name)),
        strength=CERTAIN if with_it and said else STRONG if with_it or said else CLEAR,
        speaks_for=(
            f"{many(len(starts), 'start')} that nobody ordered; {said} of them a brown-out by its own word.",
            f"Before {opened} of them a throttle had just opened by a quarter of its travel or more "
            f"({percent(usual, 1)} of all times have that).",
        ),
        next_step="Feed the device from its own battery and run again; then measure its supply while the "
        f"throttle opens, add a capacitor or a regulator of its own. {CAUTION}",
    )


def _by_restart(results: Sequence[CheckResult], name: str) -> bool:
    """Return whether a restart can fail this check."""
    kinds = {
        *LOSSES, "no_false_failsafe", "start_up", "no_glitch", "pins", "failsafe_exit", "bench",
        "fidelity", "telemetry_value", "telemetry_age", "recovery", "failsafe_entry", "failsafe_outputs",
    }  # fmt: skip
    return any(one.name == name and one.kind in kinds for one in results)


def _opened(evidence: Evidence, at_ns: int) -> bool:
    return bool(_opening(evidence, np.array([at_ns]))[0])


def _opened_usually(evidence: Evidence) -> float:
    """Return the share of times in which a throttle had just been opened."""
    times = np.linspace(evidence.run.start_ns, evidence.run.end_ns, 1000).astype(np.int64)
    return float(_opening(evidence, times).mean())


def _opening(evidence: Evidence, at_ns: Ints) -> Ints:
    """Return for each time whether a throttle's stick had opened quickly right before."""
    sticks, channels = evidence.sticks, evidence.plan.link.channels
    motors = [place for place, channel in enumerate(channels) if channel.role == "throttle"]
    found = np.zeros(len(at_ns), dtype=np.int64)
    if not motors or not len(sticks.at_ns):
        return found
    ranges = np.array([channels[place].range.high_us - channels[place].range.low_us for place in motors])
    signs = np.array([1 if channels[place].direction == "normal" else -1 for place in motors])
    open_to = (sticks.outputs_us[:, motors] * signs / ranges).mean(axis=1)
    after = np.searchsorted(sticks.at_ns, at_ns, side="right")
    before = np.searchsorted(sticks.at_ns, at_ns - BEFORE_NS, side="right")
    for place in range(len(at_ns)):
        seen = open_to[max(0, int(before[place]) - 1) : int(after[place])]
        if len(seen) > 1:
            low = np.minimum.accumulate(seen)
            found[place] = float((seen - low).max()) >= OPENED
    return found


def watchdog(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a device that hangs until its watchdog starts it anew."""
    explains = tuple(name for name in failed(results) if _by_restart(results, name))
    starts = [one for one in unordered_starts(evidence) if one.cause == wire.StartCause.WATCHDOG]
    if not starts or not explains:
        return None
    seconds = (starts[0].at_ns - evidence.run.start_ns) / 1e9
    return Likely(
        key="watchdog",
        title=f"The {starts[0].role.value}'s watchdog restarted it, {many(len(starts), 'time')}",
        explains=explains,
        strength=STRONG,
        speaks_for=(
            f"{many(len(starts), 'start')} that nobody ordered, each the watchdog's by the device's own "
            f"word, the first {plain(seconds, 1)} s into the run.",
        ),
        next_step="Find what keeps its loop from coming round: store a mark in memory that survives a "
        f"restart before each routine, and report it after the start. {CAUTION}",
    )


__all__ = ["browns_out", "shares_of", "unordered_starts", "watchdog", "with_throttle"]

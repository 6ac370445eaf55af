"""Why are packets lost on the air, or behind the radio? By their attempts, and whether acknowledged.

A lost packet that was acknowledged got as far as the receiver's radio: the firmware lost it. One that was not
acknowledged, with every attempt made, was lost on the air, or found no room.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.likely import Likely
from harness.measure.arrays import Flags, meeting
from harness.measure.evidence import Evidence
from harness.measure.orders import spans_of
from harness.plan.wording import many
from harness.stats.association import more_than_chance
from harness.stats.runs import loss_periods, run_test
from harness.verdict import CheckResult
from harness.why.blame import blamed
from harness.why.packets import FEWEST, Packets, packets_of
from harness.why.words import CERTAIN, CLEAR, MOST, SURE, chance, failed, failed_latency, percent

FEW: Final = 5
ALIKE: Final = 2.0
"""Losses agree with attempts that fail independently if they are within this factor of each other."""
OFTENER: Final = 5
"""Packets of a burst are lost so much oftener than others before the burst is blamed."""
OWN: Final = 0.7
WORSE: Final = 1.5
"""The way back is the worse one if single attempts fail on it so much oftener."""


def starved(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a starved receiver: packets are acknowledged and never applied."""
    packets = packets_of(evidence)
    gone = packets.lost & packets.acked & ~packets.arrived
    if len(packets) < FEWEST or gone.sum() < FEW or _all_gone(packets):
        return None
    explains = blamed(evidence, results, packets, gone)
    if not explains:
        return None
    test = run_test(gone[~packets.unknown])
    clustered = test is not None and test.p_clustered < SURE
    against = ("They come in clusters: something that lasts spoils several in a row.",) if clustered else ()
    return Likely(
        key="starved-receiver",
        title=f"{percent(int(gone.sum()), len(packets))} of the packets are acknowledged and never applied",
        explains=explains,
        strength=CLEAR,
        speaks_for=(
            f"{int(gone.sum())} of {packets.losses} lost packets were acknowledged: the radio had them, the "
            "firmware did not use them.",
            "They go with no rhythm, packet number, stick or throttle that was tried.",
        ),
        speaks_against=against,
        next_step="Count in the receiver what the radio says came and what the loop took out; toggle a pin "
        "where a packet is read, and keep interrupts off the buffer while it is read.",
    )


def _all_gone(packets: Packets) -> bool:
    """Return whether nothing was applied at all: that is no starved receiver."""
    return not packets.arrived.any()


def overrun(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the radio's FIFO: packets of a burst get lost, and single ones do not."""
    packets = packets_of(evidence)
    if len(packets) < FEWEST or packets.losses < FEW:
        return None
    period = evidence.plan.link.packet_period_ns
    close = np.concatenate(([False], np.diff(packets.at_ns) < period // 2)) & ~packets.unknown
    close |= np.concatenate((close[1:], [False]))  # the first of a burst belongs to it
    lost, total = int((packets.lost & close).sum()), int(close.sum())
    p_value = more_than_chance(lost, packets.losses, total, int((~packets.unknown).sum()))
    rest = (packets.losses - lost) / max(1, len(packets) - total)
    if p_value >= SURE or not total or lost / total < OFTENER * rest:
        return None
    explains = blamed(evidence, results, packets, packets.lost & close)
    if not explains:
        return None
    acked = int((packets.lost & close & packets.acked).sum())
    how = (
        f"{acked} of them had been acknowledged: what waited in the FIFO was thrown away or written over."
        if 2 * acked > lost
        else f"{lost - acked} of them were never acknowledged: the FIFO had no room for them."
    )
    return Likely(
        key="fifo-overrun",
        title=f"Packets that come close together run over the receiver's FIFO: {lost} of {total} are lost",
        explains=explains,
        strength=CERTAIN,
        speaks_for=(
            f"{lost} of {packets.losses} lost packets came within half a packet period of another "
            f"({chance(p_value)}); {percent(packets.losses - lost, len(packets) - total)} of the others are "
            "lost.",
            how,
        ),
        next_step="Read the FIFO until it is empty each time the loop comes round, and do not flush it "
        "when it is full; run the limits plan before and after: its longest burst tells how many packets "
        "find room.",
    )


@dataclass(frozen=True, slots=True)
class _Tries:
    """Attempts: `most` for a packet, the share that fails, and of packets if each fails by itself."""

    most: int
    fails: float
    expected: float


def _tries(packets: Packets) -> _Tries | None:
    """Return how often attempts fail, of all packets: the last attempt of an acknowledged one did not."""
    gave_up = packets.lost & ~packets.acked & ~packets.arrived
    if gave_up.sum() < FEW:
        return None
    most = int(np.median(packets.attempts[gave_up]))
    made = int(packets.attempts.sum())
    fails = (made - int(packets.acked.sum())) / made
    return _Tries(most, fails, fails**most)


def too_few_tries(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the number of repetitions: single attempts fail so often that this many are not enough."""
    packets = packets_of(evidence)
    if len(packets) < FEWEST:
        return None
    tries = _tries(packets)
    gone = packets.lost & ~packets.acked & ~packets.arrived
    if tries is None or tries.fails < 0.02:
        return None
    muted = meeting(packets.at_ns, packets.at_ns, evidence.muted_spans)
    silent = int((~packets.acked & ~muted).sum())
    share = silent / len(packets)
    test = run_test(packets.lost[~packets.unknown])
    if not tries.expected / ALIKE / 2 < share < tries.expected * ALIKE or (
        test is not None and test.p_clustered < SURE
    ):
        return None
    explains = blamed(evidence, results, packets, gone)
    if not explains:
        return None
    times = "once" if tries.most == 1 else many(tries.most, "time")
    fewer = tries.fails * int(gone.sum()) / len(packets)
    return Likely(
        key="repetitions",
        title=f"Each packet is tried {times} at most, and {percent(tries.fails, 1)} of the attempts fail",
        explains=explains,
        strength=CLEAR,
        speaks_for=(
            f"Lost packets were tried {times}; so many failures in a row are expected in "
            f"{percent(tries.expected, 1)} of the packets, and {percent(share, 1)} were never acknowledged "
            f"({percent(int(gone.sum()), len(packets))} did not arrive, of the others the answer was lost).",
            "Losses do not come in clusters: each attempt fails by itself.",
        ),
        speaks_against=("Why single attempts fail so often is another question: distance, antenna, noise.",),
        next_step=f"Allow one repetition more ({percent(fewer, 1)} lost expected) and compare; look whether "
        "the radio's register counts repetitions or attempts. Then move the modules closer: attempts that "
        "still fail point to the module or to noise.",
    )


def in_bursts(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the air: losses come in bursts, unacknowledged, and follow nothing of ours."""
    packets = packets_of(evidence)
    gone = packets.lost & ~packets.acked
    if len(packets) < FEWEST or gone.sum() < FEW:
        return None
    test = run_test(gone[~packets.unknown])
    if test is None or test.p_clustered >= SURE:
        return None
    explains = blamed(evidence, results, packets, gone)
    if not explains:
        return None
    runs = loss_periods(gone, packets.breaks)
    retried = float((packets.attempts[packets.acked] > 1).mean()) if packets.acked.any() else 0.0
    return Likely(
        key="interference",
        title=f"Packets are lost on the air in {many(len(runs), 'burst')} of up to {int(runs[:, 1].max())}: "
        "interference, or a signal that fades",
        explains=explains,
        strength=CLEAR,
        speaks_for=(
            f"{int(gone.sum())} of {packets.losses} lost packets were never acknowledged, every attempt "
            f"made; they come in clusters ({chance(test.p_clustered)}, run test).",
            "The bursts keep no rhythm and go with no packet number, stick, throttle or burst of packets "
            f"that was tried; outside them {percent(retried, 1)} of the packets needed more than one "
            "attempt.",
        ),
        speaks_against=("One run cannot tell a disturber from a shaded or loose antenna.",),
        next_step="Run again on another radio channel, and with other transmitters off: bursts that go "
        "away came from outside. Bursts that stay: turn and press the antennas and their plugs, then swap "
        "the module.",
    )


def upset(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect that other transmitters' packets upset the receiver: losses while they are sent in between."""
    packets = packets_of(evidence)
    spans = spans_of(evidence.orders, "beside")
    if len(packets) < FEWEST or not len(spans):
        return None
    beside: Flags = meeting(packets.at_ns, packets.at_ns, spans)
    lost, total = int((packets.lost & beside).sum()), int((beside & ~packets.unknown).sum())
    p_value = more_than_chance(lost, packets.losses, total, int((~packets.unknown).sum()))
    if p_value >= SURE or lost < MOST * packets.losses:
        return None
    explains = blamed(evidence, results, packets, packets.lost & beside)
    if not explains:
        return None
    acked = int((packets.lost & beside & packets.acked).sum())
    return Likely(
        key="upset-by-strangers",
        title=f"While another transmitter sends in between {percent(lost, total)} of the own packets "
        "are lost",
        explains=explains,
        strength=CERTAIN,
        speaks_for=(
            f"{lost} of {packets.losses} lost packets were sent while foreign packets were about "
            f"({chance(p_value)}).",
            f"{lost - acked} of them were not acknowledged: the receiver's radio did not hear them.",
        ),
        next_step="Look what the receiver does with a packet that has a wrong identity: it must be "
        "dropped, and the radio left as it is. A pin toggled around the radio's set-up shows whether it is "
        "made anew.",
    )


def on_the_way_back(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the way back: packets are applied and not acknowledged, far oftener than they are lost."""
    names = failed_acknowledgements(evidence, results)
    packets = packets_of(evidence)
    muted = meeting(packets.at_ns, packets.at_ns, evidence.muted_spans)
    deaf = packets.arrived & ~packets.acked & ~muted
    gone = int((packets.lost & ~packets.acked & ~muted).sum())
    if not names or len(packets) < FEWEST or deaf.sum() < max(FEW, packets.losses):
        return None
    there, back = _ways(int(deaf.sum()), gone, len(packets), int(packets.attempts.max()))
    if back < WORSE * there:
        return None
    return Likely(
        key="weak-way-back",
        title=f"{percent(int(deaf.sum()), len(packets))} of the packets are applied, and their "
        "acknowledgement is lost",
        explains=names,
        strength=CLEAR,
        speaks_for=(
            f"{int(deaf.sum())} packets took effect and were not acknowledged, {packets.losses} were lost: "
            f"of single attempts {percent(back, 1)} fail on the way back, and {percent(there, 1)} at most on "
            "the way there.",
        ),
        next_step="Swap transmitter and receiver module: if the weak way turns round, it is the module or "
        "its antenna; if not, look at noise near the transmitter.",
    )


def _ways(deaf: int, lost: int, count: int, tries: int) -> tuple[float, float]:
    """Return the share of attempts that fail on the way there, at most, and of answers on the way back.

    A packet is lost if all its tries fail on the way there, and goes unanswered if all fail on either: two
    equal ways leave more packets applied and unanswered than lost. Poisson, two standard deviations.
    """
    most = min(count, lost + 2 * math.sqrt(lost) + 3)
    there = (most / count) ** (1 / tries)
    either = ((deaf + lost) / count) ** (1 / tries)
    return there, max(0.0, 1 - (1 - either) / max(1 - there, 1e-9))


def failed_acknowledgements(evidence: Evidence, results: Sequence[CheckResult]) -> tuple[str, ...]:
    """Return the failed checks of acknowledgements."""
    return (*failed_latency(evidence, results, "acknowledgement"), *failed(results, "telemetry_age"))


__all__ = ["in_bursts", "on_the_way_back", "overrun", "starved", "too_few_tries", "upset"]

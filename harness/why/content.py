"""Do packets get lost for what they hold? A byte that is taken for a sign, a stick at the end of its travel.

The only form of a packet that the recording knows is the bench's own: number and pulses as 16-bit words, low
byte first. A radio that packs them otherwise shows a byte's losses in another byte, or in none.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.codec import messages as wire
from harness.likely import Likely
from harness.measure.arrays import Flags, Ints
from harness.measure.evidence import Evidence
from harness.stats.association import more_than_chance
from harness.stats.runs import loss_periods
from harness.verdict import CheckResult
from harness.why.blame import blamed
from harness.why.packets import FEWEST, Packets, packets_of
from harness.why.words import CERTAIN, LOSSES, MOST, STRONG, SURE, chance, failed, percent

FEW: Final = 5
OFTEN: Final = 0.5
RUNS: Final = 3
"""Losses in fewer runs than this are as few events, however many packets they took."""
TRIED_BYTES: Final = 256
MOST_LOOKED_AT: Final = 5_000
"""Lost packets whose bytes are counted to see which are worth a test."""


@dataclass(frozen=True, slots=True)
class Content:
    """Packets that hold something, `marked`: `hits` of `lost` lost ones are among the `those` that do."""

    words: str
    hits: int
    lost: int
    those: int
    p_value: float
    marked: Flags


def pulses_of(evidence: Evidence, packets: Packets) -> Ints:
    """Return (n, channels) pulses that each packet carried, in us; -1 where the recording does not tell."""
    table = evidence.told[Role.TRANSMITTER].table(wire.Sticks.TYPE)
    row = evidence.sent.sticks_row[packets.row]
    width = min(len(evidence.plan.link.channels), table.tail.shape[1] if len(table) else 0)
    found = np.full((len(packets), width), -1, dtype=np.int64)
    known = row >= 0
    found[known] = np.where(
        table.tail_count[row[known], None] > np.arange(width), table.tail[row[known], :width], -1
    )
    return found


def a_byte(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect framing: packets with a certain byte in them do not arrive."""
    if not failed(results, *LOSSES):
        return None
    packets = packets_of(evidence)
    if packets.losses < FEW or len(packets) < FEWEST or an_end(evidence, results) is not None:
        return None
    pulses = pulses_of(evidence, packets)
    told = (pulses >= 0).all(axis=1) & ~packets.unknown if pulses.shape[1] else np.zeros(len(packets), bool)
    octets = _octets(packets, pulses)
    found = [
        _held(f"the byte 0x{byte:02X}", (octets == byte).any(axis=1), packets, told)
        for byte in _common(octets[packets.lost & told][:MOST_LOOKED_AT])
    ]
    if not found:
        return None
    best = min(found, key=lambda one: one.p_value)
    p_value = min(1.0, TRIED_BYTES * best.p_value)
    if p_value >= SURE or best.hits < MOST * best.lost or best.hits < OFTEN * best.those:
        return None
    explains = _blamed(evidence, results, packets, best)
    if not explains:
        return None
    return Likely(
        key="framing",
        title=f"Packets that hold {best.words} do not arrive",
        explains=explains,
        strength=CERTAIN,
        speaks_for=(
            f"{best.hits} of {best.lost} lost packets hold it, in their number or in a pulse "
            f"({chance(p_value)}, corrected for all 256 bytes); {percent(best.hits, best.those)} of all "
            "packets that hold it are lost.",
        ),
        next_step="Look where packets cross a serial line between microcontroller and radio: a byte that "
        "ends or starts a frame there must be escaped. Hold all sticks still at pulses without that byte: "
        "no packet may then be lost.",
    )


def _common(octets: Ints) -> list[int]:
    """Return the bytes that most of these packets hold: no other can be the cause."""
    return [byte for byte in range(256) if len(octets) and (octets == byte).any(axis=1).mean() >= MOST]


def _octets(packets: Packets, pulses: Ints) -> Ints:
    words = np.concatenate((packets.number[:, None], np.maximum(pulses, 0)), axis=1)
    return np.concatenate((words & 0xFF, words >> 8), axis=1)


def _held(words: str, marked: Flags, packets: Packets, told: Flags) -> Content:
    lost = packets.lost & told
    hits, those = int((lost & marked).sum()), int((marked & told).sum())
    p_value = more_than_chance(hits, int(lost.sum()), those, int(told.sum()))
    return Content(words, hits, int(lost.sum()), those, p_value, marked & told)


def _blamed(
    evidence: Evidence, results: Sequence[CheckResult], packets: Packets, found: Content
) -> tuple[str, ...]:
    """Return the failed checks that such packets account for; none if all lie in a few runs, unacknowledged.

    A device that hangs makes one run, and whatever held then seems to go with it.
    """
    hits = packets.lost & found.marked
    few = len(loss_periods(hits, packets.breaks)) < RUNS
    if few and (hits & packets.acked).sum() < MOST * hits.sum():
        return ()
    return blamed(evidence, results, packets, hits)


def an_end(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a test of the range: packets with a stick at the end of its travel are thrown away."""
    if not failed(results, *LOSSES):
        return None
    packets = packets_of(evidence)
    if packets.losses < FEW or len(packets) < FEWEST:
        return None
    pulses = pulses_of(evidence, packets)
    told = (pulses >= 0).all(axis=1) & ~packets.unknown if pulses.shape[1] else np.zeros(len(packets), bool)
    found = [_held(words, marked, packets, told) for words, marked in _ends(evidence, pulses)]
    if not found:
        return None
    best = min(found, key=lambda one: one.p_value)
    p_value = min(1.0, len(found) * best.p_value)
    if p_value >= SURE or best.hits < MOST * best.lost or best.hits < MOST * best.those:
        return None
    explains = _blamed(evidence, results, packets, best)
    if not explains:
        return None
    acked = int((packets.lost & best.marked & packets.acked).sum())
    return Likely(
        key="range-test",
        title=f"No packet is followed while {best.words}",
        explains=explains,
        strength=CERTAIN if acked >= MOST * best.hits else STRONG,
        speaks_for=(
            f"{best.hits} of {best.lost} lost packets, and {percent(best.hits, best.those)} of all packets "
            f"in which it was so ({chance(p_value)}).",
            f"The radio acknowledged {acked} of them: they were thrown away after that.",
        ),
        next_step="Look for the test of a pulse's range in the receiver: the end itself must be allowed "
        "(`<=`, not `<`). Run again with sticks that stop 1 us before the end: no packet may then be lost.",
    )


def _ends(evidence: Evidence, pulses: Ints) -> Iterator[tuple[str, Flags]]:
    """Yield the conditions tried: any stick at an end, or one certain stick."""
    channels = evidence.plan.link.channels[: pulses.shape[1]]
    if not channels:
        return
    for word, ends in (
        ("high", [channel.range.high_us for channel in channels]),
        ("low", [channel.range.low_us for channel in channels]),
    ):
        at_end = pulses == np.array(ends)
        yield f"any stick is at its {word} end", at_end.any(axis=1)
        for number, channel in enumerate(channels):
            yield f"{channel.name} is at its {word} end", at_end[:, number]


__all__ = ["a_byte", "an_end", "pulses_of"]

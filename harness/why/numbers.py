"""Do lost packets have a number in common? Their low bits, tried for every power of two."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.measure.arrays import Flags
from harness.stats.association import more_than_chance
from harness.why.packets import FEWEST, Packets
from harness.why.words import MOST, SURE

MODULI: Final = tuple(2**bits for bits in range(1, 13))
FEW: Final = 3
OFTEN: Final = 0.5
"""Share of the packets with such a number that must be lost: what only favours a number is no rule."""


@dataclass(frozen=True, slots=True)
class Numbered:
    """Losses among packets whose number leaves `rest` modulo `modulus`, which `marked` tells.

    `hits` of `lost` lost packets and `those` packets in all are such; `tried` numbers were tried. `acked`
    says whether most of the lost ones were acknowledged.
    """

    modulus: int
    rest: int
    hits: int
    lost: int
    those: int
    tried: int
    p_value: float
    acked: bool
    marked: Flags


def by_number(packets: Packets) -> Numbered | None:
    """Return what most lost packets' numbers have in common; None where nothing is sure."""
    lost, known = packets.lost, ~packets.unknown
    if len(packets) < FEWEST or packets.losses < FEW:
        return None
    found = [one for modulus in MODULI if (one := _modulo(packets, modulus, lost, known)) is not None]
    return max(found, key=lambda one: (round(one.hits / one.those, 2), -one.modulus), default=None)


def _modulo(packets: Packets, modulus: int, lost: Flags, known: Flags) -> Numbered | None:
    rests = packets.number % modulus
    counts = np.bincount(rests[lost], minlength=modulus)
    rest = int(np.argmax(counts))
    marked = rests == rest
    hits, those, tried = int(counts[rest]), int((marked & known).sum()), sum(MODULI)
    if hits < max(FEW, MOST * packets.losses) or hits < OFTEN * those:
        return None
    p_value = min(1.0, tried * more_than_chance(hits, packets.losses, those, int(known.sum())))
    if p_value >= SURE:
        return None
    acked = bool((packets.acked & lost & marked).sum() * 2 > hits)
    return Numbered(modulus, rest, hits, packets.losses, those, tried, p_value, acked, marked)


__all__ = ["Numbered", "by_number"]

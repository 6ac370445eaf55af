"""Do the limits of a link margin hold the truth? Margin steps simulated with radios whose edge is known.

    python tests/evidence/margin.py           # some minutes; writes margin.md beside itself
    python tests/evidence/margin.py 20        # steps of each kind: a look, nothing written

A packet is tried up to n times; an attempt is lost with the share that `mocks.range` computes for the signal
(its curve is not one of those that are fitted), or by Rayleigh fading, on top of a floor that no level mends.
Levels begin at a random place, 2 dB apart as in the shipped plan, until fewer than half the packets come
through. The truth is the level at which the wanted share of packets comes through, from the same model.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from harness.stats.curve import Counts, find_crossing
from mocks.range import loss_above

SEED = 20_262
STEPS = 400
CONFIDENCE = 0.95
DELIVERY = 0.99
PACKETS = 200
BLOCKS = 10
BITS = 73 + 8 * 11
SPACING_DB = 2.0
TOP_DB = 22.0
LEVEL_ERROR_DB = 1.0
"""What a check takes off the margin's lower limit unless the plan says otherwise."""
LEAST_COVERAGE = 0.94
"""The lower limit holds at least so often by itself, but for two standard errors of the simulation."""


def unfaded(level_db: float) -> float:
    """Share of attempts lost that many dB over the sensitivity."""
    return loss_above(level_db, BITS)


def faded(level_db: float) -> float:
    """Share of attempts lost when each meets Rayleigh fading by itself: 1 - exp(-10**(-level/10))."""
    return -math.expm1(-(10 ** (-level_db / 10)))


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of link: its curve, attempts per packet, floor, and packets in a row that share their fate."""

    name: str
    loss: Callable[[float], float]
    tries: int
    floor: float
    row: int = 1

    def lost(self, level_db: float) -> float:
        """Share of attempts lost in all."""
        return 1 - (1 - self.floor) * (1 - self.loss(level_db))

    def edge_db(self) -> float:
        """The level at which the wanted share of packets comes through."""
        wanted = (1 - DELIVERY) ** (1 / self.tries)
        low, high = -60.0, 60.0
        for _ in range(80):
            middle = (low + high) / 2
            low, high = (middle, high) if self.lost(middle) > wanted else (low, middle)
        return low


KINDS = (
    Kind("4 attempts", unfaded, 4, 0.0),
    Kind("4 attempts, floor 2 %", unfaded, 4, 0.02),
    Kind("4 attempts, floor 10 %", unfaded, 4, 0.10),
    Kind("2 attempts, floor 1 %", unfaded, 2, 0.01),
    Kind("1 attempt", unfaded, 1, 0.0),
    Kind("4 attempts, fading", faded, 4, 0.0),
    Kind("1 attempt, fading", faded, 1, 0.0),
    Kind("4 attempts, floor 2 %, fates shared by 5 packets", unfaded, 4, 0.02, 5),
)


@dataclass(frozen=True, slots=True)
class Cell:
    """What came of one kind: shares of steps whose limits held, bias, spread and widths in dB.

    `lower` is the margin's lower limit, `upper` its upper one; both should hold with `CONFIDENCE`. `guarded`
    is the lower one less the level error.
    """

    name: str
    steps: int
    lower: float
    upper: float
    guarded: float
    bias_db: float
    spread_db: float
    width_db: float
    known: float


def counts(kind: Kind, chance: np.random.Generator) -> Counts:
    """Draw one margin step."""
    top = (50.0 if kind.loss is faded else TOP_DB) + chance.uniform(0, SPACING_DB)
    levels, group, made, lost = [], [], [], []
    for place in range(200):
        share = kind.lost(top - SPACING_DB * place)
        fates = np.repeat(chance.geometric(1 - min(share, 1 - 1e-12), PACKETS // kind.row), kind.row)
        arrived = fates <= kind.tries
        tried = np.minimum(fates, kind.tries)
        for block in np.array_split(np.arange(PACKETS), BLOCKS):
            levels.append(top - SPACING_DB * place)
            group.append(place)
            made.append(float(tried[block].sum()))
            lost.append(float(tried[block].sum() - arrived[block].sum()))
        if 2 * arrived.sum() < PACKETS:
            break
    return Counts(np.array(levels), np.array(group), np.array(made), np.array(lost))


def simulate(kind: Kind, steps: int, seed: int) -> Cell:
    """Return what comes of so many steps of one kind."""
    chance = np.random.default_rng([seed, KINDS.index(kind)])
    truth, wanted = kind.edge_db(), (1 - DELIVERY) ** (1 / kind.tries)
    found = [find_crossing(counts(kind, chance), wanted, CONFIDENCE) for _ in range(steps)]
    off = [truth - each.estimate for each in found if each.estimate is not None]
    widths = [each.high - each.low for each in found]
    return Cell(
        kind.name,
        steps,
        float(np.mean([each.high >= truth for each in found])),
        float(np.mean([each.low <= truth for each in found])),
        float(np.mean([each.high + LEVEL_ERROR_DB >= truth for each in found])),
        float(np.mean(off)),
        float(np.std(off)),
        float(np.median(widths)),
        len(off) / steps,
    )


HEAD = """\
# Do the limits of a link margin hold the truth?

Written by `python tests/evidence/margin.py` (seed {seed}, {steps} simulated margin steps of each kind;
{packets} packets at each level, levels {spacing:g} dB apart, {delivery:.0%} delivery wanted). Each limit is
meant to hold in {confidence:.0%} of the steps.\
 A pass rests on the lower limit of the margin less the check's `level_error`
({error:g} dB unless the plan says otherwise), a fail on the upper limit and that error.

| link | lower limit holds | less {error:g} dB | upper limit holds | bias, dB | spread, dB | width, dB |
|---|---|---|---|---|---|---|
"""
TAIL = """
Bias and spread are the mean and the standard deviation of measured less true margin, the width is the median
distance of both limits. With a single attempt the level asked about lies where one packet in a hundred is
lost, and {packets} packets lose two there: the interval is wide. The standard error of a share of
{confidence:.0%} is {error:.1%}.
"""


def table(cells: list[Cell]) -> str:
    """Return the page."""
    steps = cells[0].steps
    head = HEAD.format(
        seed=SEED, steps=steps, packets=PACKETS, spacing=SPACING_DB, delivery=DELIVERY, confidence=CONFIDENCE,
        error=LEVEL_ERROR_DB,
    )  # fmt: skip
    rows = [
        f"| {cell.name} | {cell.lower:.1%} | {cell.guarded:.1%} | {cell.upper:.1%} "
        f"| {cell.bias_db:+.2f} | {cell.spread_db:.2f} | {cell.width_db:.2f} |\n"
        for cell in cells
    ]
    error = math.sqrt(CONFIDENCE * (1 - CONFIDENCE) / steps)
    return head + "".join(rows) + TAIL.format(packets=PACKETS, confidence=CONFIDENCE, error=error)


def main(words: list[str]) -> None:
    """Simulate every kind, print the page, and write it if the run was a full one."""
    steps = int(words[0]) if words else STEPS
    cells = []
    for kind in KINDS:
        cells.append(simulate(kind, steps, SEED))
        print(cells[-1], flush=True)
    page = table(cells)
    print(page)
    if steps == STEPS:
        Path(__file__).with_suffix(".md").write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])

"""How often is a healthy unit called odd, is an odd one found, and is the lot's decision as calculated?

    python tests/evidence/units.py         # some four minutes; writes units.md beside itself
    python tests/evidence/units.py 20      # lots of each kind: a look, nothing written

Lots are drawn from pools of units that each ran `first-look` on the mock. Lots share units, so that the lots
of one cell are not independent of each other.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any, Final

from unit_lots import PLAN, drawn_lot, pool, runs_of

from harness.chance import stream
from harness.stats.binomial import clopper_pearson
from harness.stats.sampling import SamplingPlan
from harness.units.decision import Asked, decide
from harness.units.lots import make_lot
from harness.units.odd import look_for_odd
from harness.verdict import Verdict

PLACE: Final = Path(__file__).with_suffix(".md")
LOTS: Final = 200
HEALTHY: Final = 120
ODD: Final = 12
SIZES: Final = (4, 8, 15, 30)
FIGURES: Final = 8
Documents = list[dict[str, Any]]

DEAF: Final = {"sensitivity": "-73 dBm"}
LITTLE: Final = {"attenuation": "35 dB"}
KINDS: Final[dict[str, tuple[dict[str, str], dict[str, str], str]]] = {
    "12 dB deaf, with 25 dB of margin on the bench": (DEAF, {}, PLAN),
    "12 dB deaf, with 10 dB of margin on the bench": (DEAF, LITTLE, PLAN),
    "12 dB deaf, by the plan `margin`": (DEAF, {}, "margin"),
    "5 ms later": ({"receiver_loop": "6 ms"}, {}, PLAN),
    "2 % of packets lost": ({"loss": "2 %", "retransmit_limit": "0"}, {}, PLAN),
    "2 % more of transmissions lost, all mended": ({"loss": "4 %"}, {}, PLAN),
}
"""Odd units: what differs from the healthy units' rigs, what all rigs of the lot share, and the plan."""
PLANS: Final = ((8, 0, None), (20, 1, None), (8, 0, 40))
SHARES: Final = (0.0, 0.05, 0.1, 0.25)


def false_alarms(draw: Callable[[Random, int], list[float]], count: int, lots: int, kind: str) -> int:
    """Return in how many lots of so many units, all figures drawn alike, a unit is called odd."""
    found = 0
    for number in range(lots):
        chance = stream(number, f"drawn/{kind}/{count}")
        lot = drawn_lot({f"figure {n}": draw(chance, count) for n in range(FIGURES)})
        found += any(look.odd for look in look_for_odd(lot))
    return found


def normal(chance: Random, count: int) -> list[float]:
    """Return values of one normal distribution."""
    return [chance.gauss(10, 1) for _ in range(count)]


def lopsided(chance: Random, count: int) -> list[float]:
    """Return values with a long tail: lognormal, a third of the middle wide."""
    return [10 * chance.lognormvariate(0, 0.35) for _ in range(count)]


def called_odd(documents: Documents) -> tuple[int, ...]:
    """Return the numbers of the units that stand out from the lot that they make up."""
    lot = make_lot(runs_of(documents))
    odd = {one.unit.name for look in look_for_odd(lot) for one in look.odd}
    return tuple(number for number, unit in enumerate(lot.units) if unit.name in odd)


def mock_false_alarms(healthy: Documents, count: int, lots: int) -> int:
    """Return in how many lots of healthy mock units one is called odd."""
    chances = (stream(number, f"healthy lot/{count}") for number in range(lots))
    return sum(bool(called_odd(chance.sample(healthy, count))) for chance in chances)


def power(healthy: Documents, odd: Documents, count: int, lots: int) -> int:
    """Return in how many lots with one odd unit it is found."""
    found = 0
    for number in range(lots):
        chance = stream(number, f"odd lot/{count}")
        called = called_odd([chance.choice(odd), *chance.sample(healthy, count - 1)])
        found += 0 in called
    return found


def accepted(
    good: Documents, bad: Documents, plan: SamplingPlan, share: float, lots: int
) -> tuple[int, float]:
    """Return how many lots were accepted by what their units' runs said, and how many should be, of 1."""
    count = 0
    for number in range(lots):
        chance = stream(number, f"decision/{plan}/{share}")
        if plan.lot is None:
            spoilt = [chance.random() < share for _ in range(plan.sample)]
        else:
            whole = [n < round(share * plan.lot) for n in range(plan.lot)]
            spoilt = chance.sample(whole, plan.sample)
        lot = make_lot(runs_of([chance.choice(bad if is_bad else good) for is_bad in spoilt]))
        asked = Asked(size=plan.lot, sample=plan.sample, acceptance=plan.acceptance)
        count += decide(lot, asked).verdict is Verdict.PASS
    return count, plan.accepts(share)


def healthy_pool(count: int) -> Documents:
    """Return healthy units on a bench with plenty of margin."""
    return pool("healthy", count, {})


def with_ends(found: int, of: int) -> str:
    """Return a share with its 95 % interval."""
    low, high = clopper_pearson(found, of, 0.95)
    return f"{100 * found / of:.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def page(lots: int) -> Iterator[str]:
    """Yield the page line by line."""
    healthy, small = healthy_pool(HEALTHY), max(10, HEALTHY // 3)
    yield "# Many units: false alarms, power, and the lot's decision"
    yield ""
    yield f"Made by `python tests/evidence/units.py`: {lots} lots in each cell, with 95 % intervals."
    yield ""
    yield "## Healthy lots in which any unit is called odd, in any figure"
    yield ""
    yield f"The first two columns draw {FIGURES} figures for each unit at random, without any measurement"
    yield "uncertainty; the tests aim at 5 %. Lopsided figures are lognormal, a third of the middle"
    yield "wide: what is called odd must stand out as it is and in its logarithm. The last column"
    yield f"draws from {HEALTHY} runs of healthy mock units, which mostly differ by less than the measurement"
    yield "uncertainty."
    yield ""
    yield "| units | normal figures | lopsided figures | mock units |"
    yield "|---|---|---|---|"
    for count in SIZES:
        even = with_ends(false_alarms(normal, count, lots, "normal"), lots)
        odd = with_ends(false_alarms(lopsided, count, lots, "lopsided"), lots)
        mock = with_ends(mock_false_alarms(healthy, count, lots), lots)
        yield f"| {count} | {even} | {odd} | {mock} |"
    yield ""
    yield "## Lots with one odd unit in which it is found"
    yield ""
    yield f"One of {ODD} odd units among healthy ones."
    yield ""
    yield "| odd unit | " + " | ".join(f"of {count}" for count in SIZES) + " |"
    yield "|---|" + "---|" * len(SIZES)
    for number, (kind, (change, shared, plan)) in enumerate(KINDS.items()):
        plain = not shared and plan == PLAN
        base = healthy if plain else pool(f"base-{number}", small, shared, plan=plan)
        odd_ones = pool(f"odd-{number}", ODD, shared | change, plan=plan)
        cells = [with_ends(power(base, odd_ones, count, lots), lots) for count in SIZES]
        yield f"| {kind} | {' | '.join(cells)} |"
    yield ""
    yield "## Lots accepted, measured and calculated"
    yield ""
    yield "Bad units are mock receivers that are late into failsafe."
    yield ""
    yield "| sampling plan | bad units in the lot | accepted | calculated |"
    yield "|---|---|---|---|"
    bad = pool("late", ODD, {}, defect="failsafe-late")
    for sample, acceptance, size in PLANS:
        sampling = SamplingPlan(sample, acceptance, size)
        words = f"n={sample}, c={acceptance}" + (f", lot size {size}" if size else "")
        for share in SHARES:
            count, expected = accepted(healthy, bad, sampling, share, lots)
            yield f"| {words} | {100 * share:g} % | {with_ends(count, lots)} | {100 * expected:.1f} % |"


def main() -> None:
    """Print the page; write it if it has the full number of lots."""
    lots = int(sys.argv[1]) if len(sys.argv) > 1 else LOTS
    lines = []
    for line in page(lots):
        print(line, flush=True)
        lines.append(line)
    if lots == LOTS:
        PLACE.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()

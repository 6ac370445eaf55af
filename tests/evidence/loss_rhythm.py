"""How often is a rhythm found in losses that have none, and in losses that have one?

    python tests/evidence/loss_rhythm.py         # about two minutes; writes loss_rhythm.md beside itself
    python tests/evidence/loss_rhythm.py 50      # trials of each kind: a look, nothing written

Packets every 20 ms, with and without a pause of 0.7 s after each 85 of them. A routine loses the packet that
falls into the first 20 ms of each of its periods; other losses come at random.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np

from harness.clock import MS, S
from harness.stats import periods
from harness.stats.periods import PeriodSearch, burst_starts, find_period
from harness.stats.runs import Flags

SEED: Final = 20
TRIALS: Final = 1_000
T: Final = 20 * MS
PLACE: Final = Path(__file__).with_suffix(".md")
Chance = np.random.Generator


def singly(share: float) -> Callable[[Chance, int], Flags]:
    """Independent losses."""
    return lambda chance, packets: chance.random(packets) < share


def fades(begins: float, ends: float, lost: float) -> Callable[[Chance, int], Flags]:
    """A two-state chain with this share of packets lost in the bad state."""

    def series(chance: Chance, packets: int) -> Flags:
        pieces, total = [], 0
        while total < packets:
            gap, bad = int(chance.geometric(begins)), int(chance.geometric(ends))
            pieces += [np.zeros(gap, dtype=np.bool_), chance.random(bad) < lost]
            total += gap + bad
        return np.concatenate(pieces)[:packets]

    return series


KINDS: Final = {
    "0.5 %, independent": singly(0.005),
    "5 %, independent": singly(0.05),
    "5 %, bursts of 3": fades(0.05 / 0.95 / 3, 1 / 3, 1.0),
    "5 %, bursts of 10": fades(0.05 / 0.95 / 10, 1 / 10, 1.0),
    "fades of 20, half lost": fades(0.004, 0.05, 0.5),
    "fades of 100, half lost": fades(0.001, 0.01, 0.5),
}
RHYTHMS: Final = (
    (25, 1.0, 0.0), (60, 1.0, 0.0), (60, 1.0, 0.01), (60, 1.0, 0.02), (60, 1.0373, 0.005), (60, 2.0, 0.0),
    (90, 0.333, 0.005), (340, 5.0, 0.002), (600, 7.777, 0.001),
)  # fmt: skip
"""Seconds, period in s, share of other losses."""


def searched(lost: Flags, *, pauses: bool) -> PeriodSearch:
    """Search a series of losses as the harness does."""
    number = np.arange(len(lost))
    breaks = (number % 85 == 0) & pauses
    places = number * T + np.cumsum(breaks) * 700 * MS
    chance, start = burst_starts(lost, np.zeros(len(lost), dtype=np.bool_), breaks)
    return find_period(places[chance], start[chance], periods.SHORTEST * T)


def false_alarms(name: str, packets: int, trials: int) -> tuple[float, float, float]:
    """Return the share of series with p below 5, 1 and 0.1 %."""
    chance = np.random.default_rng([SEED, packets, list(KINDS).index(name)])
    found = [searched(KINDS[name](chance, packets), pauses=bool(n % 2)).p_value for n in range(trials)]
    return tuple(float(np.mean(np.array(found) < level)) for level in (0.05, 0.01, 0.001))  # type: ignore[return-value]


def power(seconds: int, period_s: float, others: float, trials: int) -> tuple[float, float]:
    """Return the share of series with p below 0.1 %, and of those the share within 1 % of the period."""
    chance = np.random.default_rng([SEED, seconds, int(1000 * period_s), int(1000 * others)])
    number, period = np.arange(seconds * S // T), int(period_s * S)
    results = []
    for _ in range(trials):
        hit = (number * T - int(chance.integers(period))) % period < T
        results.append(searched(hit | (chance.random(len(number)) < others), pauses=False))
    found = [one for one in results if one.p_value < 1e-3]
    right = [abs(one.period / period - 1) < 0.01 for one in found]
    return len(found) / trials, float(np.mean(right)) if right else 0.0


def table(trials: int) -> str:
    """Return both tables as text."""
    lines = [
        "# Losses in step: false alarms and power",
        "",
        f"Made by `python tests/evidence/loss_rhythm.py`, seed {SEED}, {trials} series each. Shortest period "
        f"{periods.SHORTEST} packets, dead time {periods.DEAD} packets, {periods.CYCLES} cycles at least.",
        "",
        "| losses without a rhythm | packets | p < 5 % | p < 1 % | p < 0.1 % |",
        "|---|---|---|---|---|",
    ]
    for packets in (3_000, 20_000):
        for name in KINDS:
            shares = false_alarms(name, packets, trials)
            lines.append(f"| {name} | {packets} | " + " | ".join(f"{share:.2%}" for share in shares) + " |")
            print(lines[-1], flush=True)
    lines += [
        "",
        "| time | period | other losses | found at 0.1 % | of these within 1 % of the period |",
        "|---|---|---|---|---|",
    ]
    for seconds, period_s, others in RHYTHMS:
        found, right = power(seconds, period_s, others, trials // 4)
        lines.append(f"| {seconds} s | {period_s} s | {others:.1%} | {found:.1%} | {right:.1%} |")
        print(lines[-1], flush=True)
    return "\n".join(lines) + "\n"


def main() -> None:
    """Print both tables; write them if they have the full number of trials."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS
    text = table(trials)
    if trials == TRIALS:
        PLACE.write_text(text)


if __name__ == "__main__":
    main()

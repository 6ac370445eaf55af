"""Simulated runs for `comparison.py`: what one run of a plan shows of each figure, by known distributions.

No bench and no recording: samples are drawn as a link of that kind would make them, and handed to the code
that compares. Losses come one by one, or in fades of a two-state link (Gilbert). A packet comes after a base
delay, a scatter, and one retry delay for each lost attempt; failsafe comes a packet period's part after its
time, for the receiver looks once a packet period. Every run has a clock map that is out by up to its bound.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from harness.chance import stream
from harness.clock import MS, S
from harness.compare.samples import Mean, MeanAge, Quantile, Sample, Share, Shift, Spread, Worst
from harness.measure.age import AgePieces, age_samples
from harness.measure.percentiles import Samples

PERIOD_NS: Final = 20 * MS
PERIOD_MS: Final = 20.0
EARLY_MS: Final = 2.0
"""Added to every delay, so that no clock's error makes one negative."""
BLOCK: Final = 100
"""Packets in a block of 2 s."""
PLANS: Final = {
    "first-look": (1950, 8),
    "regression": (5100, 17),
    "acceptance": (5400, 16),
    "failsafe": (6200, 130),
}
"""Packets and cuts of one run, as the shipped plans make them."""


@dataclass(frozen=True, slots=True)
class World:
    """A link and its bench. `burst` is the mean length of a fade in packets, 1 for single losses.

    `between_ms` is by how much the base delay differs from run to run (standard deviation).
    """

    loss: float = 0.003
    burst: float = 1.0
    delay_ms: float = 1.0
    scatter_ms: float = 0.5
    retries: float = 0.03
    retry_ms: float = 1.0
    failsafe_ms: float = 460.0
    clock_ms: float = 0.9
    between_ms: float = 0.0


CHANGES: Final[dict[str, dict[str, float]]] = {
    "1 % more packets lost": {"loss": 0.01},
    "2 % more packets lost": {"loss": 0.02},
    "latency 2 ms longer": {"delay_ms": 2.0},
    "latency 3 ms longer": {"delay_ms": 3.0},
    "latency 4 ms longer": {"delay_ms": 4.0},
    "failsafe 20 ms later": {"failsafe_ms": 20.0},
}


def changed(world: World, change: str) -> World:
    """The world with a change's amounts added."""
    more = CHANGES[change]
    return replace(world, **{name: getattr(world, name) + amount for name, amount in more.items()})


def generator(seed: int, name: str) -> np.random.Generator:
    """A generator of its own for a cell."""
    return np.random.default_rng(stream(seed, name).randrange(2**63))


def lost_packets(world: World, packets: int, rng: np.random.Generator) -> np.ndarray:
    """Flags of lost packets, one by one or in fades of geometric length."""
    if world.burst <= 1:
        return rng.random(packets) < world.loss
    flags = np.zeros(packets, dtype=np.bool_)
    gap = world.burst * (1 - world.loss) / world.loss
    place = int(rng.geometric(1 / gap)) - 1 if rng.random() > world.loss else 0
    while place < packets:
        length = int(rng.geometric(1 / world.burst))
        flags[place : place + length] = True
        place += length + int(rng.geometric(1 / gap))
    return flags


def one_run(
    world: World, plan: str, rng: np.random.Generator, only: tuple[str, ...] = ()
) -> dict[str, Sample]:
    """What one run shows of the figures, or of some of them alone."""
    packets, cuts = PLANS[plan]
    lost = lost_packets(world, packets, rng)
    attempts = rng.geometric(1 - world.retries, packets)
    offset = rng.uniform(-world.clock_ms, world.clock_ms) + rng.normal(0, world.between_ms)
    delay = world.delay_ms + rng.gamma(2.0, world.scatter_ms / 2, packets) + (attempts - 1) * world.retry_ms
    latency_ns = (np.maximum(0.0, delay + offset + EARLY_MS) * MS).astype(np.int64)
    entries = world.failsafe_ms + rng.uniform(0, PERIOD_MS, cuts)
    makers: dict[str, Callable[[], Sample]] = {
        "delivery": lambda: Share(lost, np.zeros(packets, dtype=np.bool_)),
        **_latencies(latency_ns[~lost], world.clock_ms),
        **_ages(_pieces(latency_ns, lost, world.clock_ms), world.clock_ms),
        "control_gap": lambda: _gaps(lost),
        "attempts": lambda: Mean(
            attempts[: packets // BLOCK * BLOCK].reshape(-1, BLOCK).mean(axis=1), packets
        ),
        "failsafe_entry": lambda: Shift(entries, 0.01),
        "failsafe_worst": lambda: Worst(entries, 0.01),
    }
    return {key: make() for key, make in makers.items() if not only or key in only}


def _latencies(came_ns: np.ndarray, clock_ms: float) -> dict[str, Callable[[], Sample]]:
    came = Samples(came_ns, came_ns)
    middle, upper = Quantile(came, 0.5, clock_ms), Quantile(came, 0.99, clock_ms)
    return {
        "latency_p50": lambda: middle,
        "latency_p90": lambda: Quantile(came, 0.9, clock_ms),
        "latency_p99": lambda: upper,
        "latency_spread": lambda: Spread(upper, middle),
    }


def _ages(pieces: AgePieces, clock_ms: float) -> dict[str, Callable[[], Sample]]:
    return {
        "age_mean": lambda: MeanAge(pieces, PERIOD_NS),
        "age_p99": lambda: Quantile(age_samples(pieces, PERIOD_NS), 0.99, clock_ms),
    }


def _gaps(lost: np.ndarray) -> Sample:
    sampled = np.flatnonzero(~lost)
    gaps, block = np.diff(sampled) * PERIOD_MS, sampled[:-1] // BLOCK
    begins = np.flatnonzero(np.concatenate(([True], np.diff(block) > 0)))
    return Worst(np.maximum.reduceat(gaps, begins), 0.01)


def _pieces(latency_ns: np.ndarray, lost: np.ndarray, clock_ms: float) -> AgePieces:
    at = np.flatnonzero(~lost)
    sampled = at * PERIOD_NS + S
    applied = sampled + latency_ns[at]
    none = np.zeros(len(at) - 1, dtype=np.bool_)
    return AgePieces(applied[:-1], applied[1:], sampled[:-1], ~none, none, int(clock_ms * MS))

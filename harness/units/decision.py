"""Is the lot accepted? Units tested and found unacceptable, held against a sampling plan.

A unit is unacceptable if one of its runs failed. One whose runs were inconclusive, or broke on the bench,
counts neither way: the lot is then accepted only if it would be with all of those unacceptable, and rejected
only if it is without them. Units that the plan asks for and nobody tested are held likewise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from harness.errors import UserError
from harness.stats.sampling import (
    SamplingPlan,
    bad_at_most,
    largest_acceptance,
    least_sample,
    nearest_bad,
    smallest_plan,
)
from harness.units.lots import Lot
from harness.verdict import Verdict

CONSUMER: Final = 0.10
PRODUCER: Final = 0.05
"""Risks that are named where nobody names others: common practice in acceptance sampling."""
CONFIDENCE: Final = 0.95
SHARES: Final = (0, 0.01, 0.02, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5)
"""Shares of unacceptable units for which the operating characteristic is told."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked of the lot; None where nobody said. Shares and risks are of 1.

    `size` is the lot size, `sample` and `acceptance` the sampling plan, `limit` the limiting quality with the
    consumer's risk, `aql` the acceptance quality limit with the producer's risk.
    """

    size: int | None = None
    limit: float | None = None
    aql: float | None = None
    consumer: float = CONSUMER
    producer: float = PRODUCER
    sample: int | None = None
    acceptance: int | None = None


@dataclass(frozen=True, slots=True)
class Curve:
    """The operating characteristic: shares of unacceptable units with the probability of acceptance."""

    points: tuple[tuple[float, float], ...]
    let_through: float
    """Share with which a lot is accepted with the consumer's risk: the limiting quality of this plan."""
    kept: float
    """Largest share with which a lot is accepted but for the producer's risk."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What became of the lot. `verdict` is pass (accepted), fail (rejected) or inconclusive.

    `plan` is None where no plan keeps what was asked with so few units. `bad_at_most` is the largest share of
    unacceptable units that the units tested leave open, with `CONFIDENCE`, unclear ones counted among them.
    `wanted` are the plans that would keep what was asked: the fewest units for acceptance numbers 0, 1, 2, or
    the smallest plan for both risks.
    """

    verdict: Verdict
    asked: Asked
    tested: int
    unacceptable: int
    unclear: int
    missing: int
    plan: SamplingPlan | None
    curve: Curve | None
    bad_at_most: float
    wanted: tuple[SamplingPlan, ...]


def decide(lot: Lot, asked: Asked) -> Decision:
    """Return the decision on the lot. Raises UserError where what was asked does not fit the units tested."""
    tested = len(lot.units)
    if asked.size is not None and asked.size < tested:
        raise UserError(
            f"--lot: size={asked.size} is less than the {tested} units tested; give the whole lot's size"
        )
    sample = tested if asked.sample is None else asked.sample
    _require_sample(asked, sample, tested)
    unacceptable = sum(unit.verdict is Verdict.FAIL for unit in lot.units)
    unclear = sum(unit.verdict is Verdict.INCONCLUSIVE for unit in lot.units)
    plan = _plan(asked, sample)
    missing = sample - tested
    return Decision(
        _verdict(plan, unacceptable, unclear + missing),
        asked,
        tested,
        unacceptable,
        unclear,
        missing,
        plan,
        None if plan is None else curve_of(plan, asked),
        bad_at_most(unacceptable + unclear, tested, CONFIDENCE, asked.size),
        _wanted(asked),
    )


def _require_sample(asked: Asked, sample: int, tested: int) -> None:
    if sample < tested:
        raise UserError(
            f"--sampling: n={sample}, but {tested} units were tested; which {sample} of them count had to be "
            f"said before they were tested: write n={tested}, or take the others out of the folder"
        )
    if asked.size is not None and sample > asked.size:
        raise UserError(f"--sampling: n={sample} is more than the lot has, size={asked.size}")
    if asked.acceptance is not None and asked.acceptance >= sample:
        raise UserError(
            f"--sampling: c={asked.acceptance} of n={sample} accepts every lot; c must be less than n"
        )


def _plan(asked: Asked, sample: int) -> SamplingPlan | None:
    """Return the plan named; else the largest acceptance number that keeps the limit; else 0."""
    if asked.acceptance is not None:
        return SamplingPlan(sample, asked.acceptance, asked.size)
    if asked.limit is None:
        return SamplingPlan(sample, 0, asked.size)
    acceptance = largest_acceptance(sample, asked.limit, asked.consumer, asked.size)
    return None if acceptance is None else SamplingPlan(sample, acceptance, asked.size)


def _verdict(plan: SamplingPlan | None, unacceptable: int, open_: int) -> Verdict:
    if plan is None:
        return Verdict.INCONCLUSIVE
    if unacceptable > plan.acceptance:
        return Verdict.FAIL
    return Verdict.PASS if unacceptable + open_ <= plan.acceptance else Verdict.INCONCLUSIVE


def curve_of(plan: SamplingPlan, asked: Asked) -> Curve:
    """Return the plan's operating characteristic."""
    lot = plan.lot
    shares = SHARES if lot is None else sorted({nearest_bad(lot, share) / lot for share in SHARES})
    points = tuple((share, plan.accepts(share)) for share in shares)
    return Curve(points, plan.share_accepted(asked.consumer), plan.share_kept(1 - asked.producer))


def _wanted(asked: Asked) -> tuple[SamplingPlan, ...]:
    if asked.limit is None:
        return ()
    if asked.aql is not None:
        plan = smallest_plan(asked.aql, asked.producer, asked.limit, asked.consumer, asked.size)
        return () if plan is None else (plan,)
    samples = [(c, least_sample(c, asked.limit, asked.consumer, asked.size)) for c in range(3)]
    return tuple(SamplingPlan(n, c, asked.size) for c, n in samples if n is not None)

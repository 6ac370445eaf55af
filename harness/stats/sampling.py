"""What does it show of a lot that a few of its units were tested? Sampling plans by attributes.

Of a lot of N units (the lot size) n are tested (the sample size), and the lot is accepted if at most c of
them are unacceptable (the acceptance number). The operating characteristic is the probability of acceptance
by the share of unacceptable units in the lot. The words are those of ISO 2859-1; no table of it is used.
Hypergeometric if the lot size is known, else binomial, as if the lot had no end; no approximation but floats.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from harness.stats.binomial import clopper_pearson_lower, clopper_pearson_upper, trials_with_failures

LOT_MOST: Final = 100_000
"""Larger lots count as endless: for some hundred units tested the difference is in the fourth digit."""
TIE: Final = 1e-9
"""Probabilities nearer to a risk than this are equal to it: of small lots some are, but for floats."""
ACCEPTANCE_MOST: Final = 200
"""No plan with a larger acceptance number is looked for."""


@dataclass(frozen=True, slots=True)
class SamplingPlan:
    """`sample` units tested, accepted with at most `acceptance` unacceptable ones; `lot` None is endless."""

    sample: int
    acceptance: int
    lot: int | None = None

    def __post_init__(self) -> None:
        assert 0 <= self.acceptance <= self.sample, self
        assert self.lot is None or self.sample <= self.lot <= LOT_MOST, self

    def accepts(self, share: float) -> float:
        """Return the probability of acceptance of a lot with this share of unacceptable units.

        Of a lot of known size so many units are unacceptable as is nearest to the share.
        """
        if self.lot is not None:
            return self.accepts_bad(nearest_bad(self.lot, share))
        from scipy.special import bdtr

        return 1.0 if self.acceptance >= self.sample else float(bdtr(self.acceptance, self.sample, share))

    def accepts_bad(self, bad: int) -> float:
        """Return the probability of acceptance of a lot, of known size, with `bad` unacceptable units."""
        assert self.lot is not None
        good, ways = self.lot - bad, _log_ways(self.lot, self.sample)
        fewest, most = max(0, self.sample - good), min(self.acceptance, bad, self.sample)
        if most == min(bad, self.sample):
            return 1.0
        logs = (_log_ways(bad, k) + _log_ways(good, self.sample - k) for k in range(fewest, most + 1))
        return min(1.0, math.fsum(math.exp(log - ways) for log in logs))

    def share_accepted(self, probability: float) -> float:
        """Return the least share of unacceptable units with which a lot is accepted no oftener than that.

        At 0.1 it is the lot tolerance percent defective: the limiting quality for a consumer's risk of 10 %.
        At most 1; where even a lot of nothing else is accepted oftener (c = n), 1.
        """
        if self.lot is None:
            return clopper_pearson_upper(self.acceptance, self.sample, 1 - probability)
        lot = self.lot
        bad = _first(lot, lambda bad: self.accepts_bad(bad) <= probability + TIE)
        return (lot if bad is None else bad) / lot

    def share_kept(self, probability: float) -> float:
        """Return the largest share of unacceptable units with which a lot is accepted at least so often.

        At 0.95 it is the quality that a producer's risk of 5 % belongs to.
        """
        if self.lot is None:
            if self.acceptance >= self.sample:
                return 1.0
            return clopper_pearson_lower(self.acceptance + 1, self.sample, probability)
        lot = self.lot
        bad = _first(lot, lambda bad: self.accepts_bad(bad) < probability - TIE)
        return (lot if bad is None else bad - 1) / lot


def _log_ways(things: int, taken: int) -> float:
    """Return the logarithm of in how many ways some of the things can be taken."""
    return math.lgamma(things + 1) - math.lgamma(taken + 1) - math.lgamma(things - taken + 1)


def nearest_bad(lot: int, share: float) -> int:
    """Return the number of units of a lot that is nearest to this share of it, halves up."""
    return min(lot, math.floor(lot * share + 0.5))


def _first(most: int, holds: Callable[[int], bool]) -> int | None:
    """Return the first number from 0 to `most` for which a condition holds that stays true, None if none."""
    low, high = 0, most + 1
    while low < high:
        middle = (low + high) // 2
        if middle > most or holds(middle):
            high = middle
        else:
            low = middle + 1
    return low if low <= most else None


def bad_at_most(found: int, sample: int, confidence: float, lot: int | None = None) -> float:
    """Return the largest share of unacceptable units that `found` among `sample` tested leave open.

    One-sided and exact, with `confidence`: of a lot with any more, so few are found more rarely than
    1 - confidence. Source: Clopper and Pearson 1934; for a known lot size the same with the hypergeometric.
    """
    if lot is None:
        return clopper_pearson_upper(found, sample, confidence)
    rare = 1 - confidence
    plan = SamplingPlan(sample, found, lot)
    bad = _first(lot, lambda bad: plan.accepts_bad(bad) < rare - TIE)
    return (lot if bad is None else bad - 1) / lot


def least_sample(acceptance: int, share: float, risk: float, lot: int | None = None) -> int | None:
    """Return the fewest units to test so that a lot with `share` bad is accepted with `risk` at most.

    None where no sample of the lot does, not even all of it. For acceptance number 0 and an endless lot it is
    the success run, ceil(ln(risk) / ln(1 - share)); with more it is Wilks's sequence (1941).
    """
    if lot is None:
        return trials_with_failures(acceptance, 1 - share, 1 - risk)
    bad = math.ceil(round(lot * share, 9))
    if bad <= acceptance:
        return None

    def enough(sample: int) -> bool:
        return sample > acceptance and SamplingPlan(sample, acceptance, lot).accepts_bad(bad) <= risk + TIE

    return _first(lot, enough)


def largest_acceptance(sample: int, share: float, risk: float, lot: int | None = None) -> int | None:
    """Return the largest acceptance number with which a lot with `share` bad is accepted with `risk` at most.

    None where the sample is too small for any, even for 0.
    """
    best = None
    for acceptance in range(sample):
        if _accepts_limit(SamplingPlan(sample, acceptance, lot), share) > risk + TIE:
            break
        best = acceptance
    return best


def _accepts_limit(plan: SamplingPlan, share: float) -> float:
    """Return the probability of acceptance at a limit: of a lot, as many units as it does not allow."""
    if plan.lot is None:
        return plan.accepts(share)
    return plan.accepts_bad(math.ceil(round(plan.lot * share, 9)))


def smallest_plan(
    good: float, producer: float, bad: float, consumer: float, lot: int | None = None
) -> SamplingPlan | None:
    """Return the plan with the fewest units that keeps both risks, None if none does.

    A lot with the share `good` (the acceptance quality limit) is rejected with the producer's risk at most,
    one with the share `bad` (the limiting quality) accepted with the consumer's at most. For each acceptance
    number from 0 the fewest units that keep the consumer's risk; the first that keeps the producer's too is
    the smallest, for the next takes more units. Source: NIST/SEMATECH e-Handbook section 6.2.3.2.
    """
    for acceptance in range(ACCEPTANCE_MOST + 1):
        sample = least_sample(acceptance, bad, consumer, lot)
        if sample is None:
            return None
        plan = SamplingPlan(sample, acceptance, lot)
        allowed = good if lot is None else math.floor(round(lot * good, 9)) / lot
        if plan.accepts(allowed) >= 1 - producer - TIE:
            return plan
    return None

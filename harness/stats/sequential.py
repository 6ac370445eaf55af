"""When may a test that looks at its data on the way stop? Wald's test of a share, and shares of a risk.

`SequentialTest` looks after every trial; it needs the trials to be independent and a second share to tell
apart. `risk_shares` needs neither: it splits a risk over a few looks that are fixed beforehand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from typing import Final

HALVINGS: Final = 200
"""Halvings when an equation is solved: to the last bit of a float."""


class Decision(Enum):
    """What a sequential test says after a trial."""

    ACCEPT = "accept"
    REJECT = "reject"
    GO_ON = "go on"


def thresholds(wrong_reject: float, wrong_accept: float) -> tuple[float, float]:
    """Return Wald's thresholds of the likelihood ratio: A = (1 - beta) / alpha, B = beta / (1 - alpha).

    Reject at A or more, accept at B or less. With them the two errors together are at most alpha + beta.
    Source: Wald, Sequential Analysis, 1947, section 3.2 (cited from memory).
    """
    return (1 - wrong_accept) / wrong_reject, wrong_accept / (1 - wrong_reject)


@dataclass(frozen=True, slots=True)
class SequentialTest:
    """Wald's sequential probability ratio test of a share of failures, independent trials assumed.

    `good` and `bad` are the shares of failures to tell apart (0 < good < bad < 1). A link as good as `good`
    is rejected with probability `wrong_reject` (alpha), one as bad as `bad` accepted with `wrong_accept`
    (beta), both about. Accept once failures <= -h1 + s n, reject once failures >= h2 + s n, where
    k = ln(bad (1 - good) / (good (1 - bad))), s = ln((1 - good) / (1 - bad)) / k,
    h1 = ln((1 - alpha) / beta) / k and h2 = ln((1 - beta) / alpha) / k.
    Source: NIST/SEMATECH e-Handbook section 6.2.6.
    """

    good: float
    bad: float
    wrong_reject: float
    wrong_accept: float

    @property
    def k(self) -> float:
        """Log of the odds ratio of the two shares."""
        return math.log(self.bad * (1 - self.good) / (self.good * (1 - self.bad)))

    @property
    def h1(self) -> float:
        """How far the line of acceptance lies below s n, in failures."""
        return -math.log(thresholds(self.wrong_reject, self.wrong_accept)[1]) / self.k

    @property
    def h2(self) -> float:
        """How far the line of rejection lies above s n, in failures."""
        return math.log(thresholds(self.wrong_reject, self.wrong_accept)[0]) / self.k

    @property
    def slope(self) -> float:
        """The slope s of both lines, in failures a trial; between the two shares."""
        return math.log((1 - self.good) / (1 - self.bad)) / self.k

    def accept_number(self, trials: int) -> int | None:
        """Return the most failures in `trials` that accept; None as long as none are few enough."""
        most = math.floor(self.slope * trials - self.h1)
        return most if most >= 0 else None

    def reject_number(self, trials: int) -> int | None:
        """Return the fewest failures in `trials` that reject; None as long as there cannot be so many."""
        fewest = math.ceil(self.slope * trials + self.h2)
        return fewest if fewest <= trials else None

    def decide(self, failures: int, trials: int) -> Decision:
        """Return what `failures` in `trials` say."""
        most, fewest = self.accept_number(trials), self.reject_number(trials)
        if most is not None and failures <= most:
            return Decision.ACCEPT
        return Decision.REJECT if fewest is not None and failures >= fewest else Decision.GO_ON

    def accept_probability(self, share: float) -> float:
        """Return about the probability of acceptance where the true share of failures is `share`.

        L = (A**h - 1) / (A**h - B**h), where h solves
        share (bad / good)**h + (1 - share) ((1 - bad) / (1 - good))**h = 1. Overshoot over the lines is
        neglected. Source: Wald 1947, section 3.4 (cited from memory).
        """
        upper, lower = (math.log(one) for one in thresholds(self.wrong_reject, self.wrong_accept))
        h = self._exponent(share)
        if abs(h) * max(upper, -lower) < 1e-9:
            return upper / (upper - lower)
        return math.expm1(upper * h) / (math.exp(upper * h) - math.exp(lower * h))

    def average_samples(self, share: float) -> float:
        """Return about the average number of trials to a decision where the true share is `share`.

        (L ln B + (1 - L) ln A) / E(z), z the log likelihood ratio of one trial; where E(z) = 0, at
        share = s, it is -ln A ln B / E(z**2). Overshoot is neglected, so that the true number is a little
        larger. Source: Wald 1947, section 3.5 (cited from memory).
        """
        upper, lower = (math.log(one) for one in thresholds(self.wrong_reject, self.wrong_accept))
        fails, holds = math.log(self.bad / self.good), math.log((1 - self.bad) / (1 - self.good))
        drift = share * fails + (1 - share) * holds
        if abs(drift) < 1e-9 * fails:
            return -upper * lower / (share * fails**2 + (1 - share) * holds**2)
        accepted = self.accept_probability(share)
        return (accepted * lower + (1 - accepted) * upper) / drift

    def _exponent(self, share: float) -> float:
        """Solve share (bad / good)**h + (1 - share) ((1 - bad) / (1 - good))**h = 1 for h, not 0 but at s."""
        fails, holds = math.log(self.bad / self.good), math.log((1 - self.bad) / (1 - self.good))
        if abs(share - self.slope) < 1e-12:
            return 0.0
        sign = 1.0 if share < self.slope else -1.0

        def above(h: float) -> bool:
            return share * math.exp(sign * h * fails) + (1 - share) * math.exp(sign * h * holds) > 1

        low, high = 0.0, 1.0
        while not above(high):
            low, high = high, 2 * high
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            low, high = (low, middle) if above(middle) else (middle, high)
        return sign * (low + high) / 2


def risk_shares(looks: int) -> tuple[Fraction, ...]:
    """Return which share of the allowed risk each of `looks` looks may use; together they are 1.

    A verdict at look k uses the confidence 1 - share_k (1 - C). The chance that any look errs is at most the
    sum of the chances that each does (union bound), hence at most 1 - C, whatever the dependence between the
    looks and however the run stops at one of them. The looks' sizes must be fixed beforehand. Half goes to
    the first look, where most runs end; the rest is shared evenly, for any of the later ones may be the one
    that settles. Source: the Bonferroni inequality; alpha spending as in Lan and DeMets 1983 (from memory).
    Raises ValueError for no look.
    """
    if looks < 1:
        raise ValueError("a decision needs at least one look")
    if looks == 1:
        return (Fraction(1),)
    return (Fraction(1, 2), *[Fraction(1, 2 * (looks - 1))] * (looks - 1))

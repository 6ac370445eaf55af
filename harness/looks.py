"""How often may a run look at its data, and what may each look risk? For plans with `extend`.

All steps are played again, round by round, while a check lacks samples. Every look
at the data could err, so the looks are few, their rounds are fixed before the run, and each check's allowed
risk is shared out among them.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from harness.plan import model as p
from harness.plan.extent import most_rounds, total_ns
from harness.stats.sequential import risk_shares


@dataclass(frozen=True, slots=True)
class Look:
    """Look `number` of at most `of`, after `rounds` rounds in all; it may use `share` of the allowed risk."""

    number: int
    of: int
    rounds: int
    share: Fraction

    def __str__(self) -> str:
        return f"look {self.number} of {self.of}"


def looks_of(plan: p.Plan) -> tuple[Look, ...]:
    """Return the looks that a run of `plan` may take, in order; none for a plan that is played once.

    The rounds double from look to look: then no look comes much later than it could have, and there are so
    few that each keeps a fair share of the risk.
    """
    if plan.extend is None:
        return ()
    rounds = _doubling(most_rounds(plan.extend, total_ns(plan.steps, plan.link)))
    shares = risk_shares(len(rounds))
    return tuple(
        Look(number, len(rounds), count, share)
        for number, (count, share) in enumerate(zip(rounds, shares, strict=True), 1)
    )


def _doubling(most: int) -> list[int]:
    """Return 1, 2, 4 and so on up to `most`; the last step may be half as long again."""
    rounds = [1]
    while 2 * rounds[-1] <= most:
        rounds.append(2 * rounds[-1])
    if 2 * most >= 3 * rounds[-1]:
        rounds.append(most)
    elif len(rounds) > 1:
        rounds[-1] = most
    return rounds


def at_share(confidence: Fraction, share: Fraction) -> Fraction:
    """Return the confidence at which a verdict uses `share` of the risk 1 - `confidence`."""
    return 1 - share * (1 - confidence)

"""How sure can we be? Exact intervals for shares and percentiles, and how many samples settle a question.

Everything rests on the binomial distribution through `scipy.special` (imported where used, for it is dear).
One-sided limits hold with the stated confidence each; two-sided intervals split the risk evenly.
"""

from __future__ import annotations

import math
from collections.abc import Callable

MAX_SAMPLES = 1_000_000_000
"""Beyond this many samples a question counts as one that no bench time settles."""
_Question = Callable[[int], bool]


def clopper_pearson_lower(successes: float, trials: float, confidence: float) -> float:
    """Return the exact one-sided lower limit of a share; 0 for no trials.

    It is the share p at which P(B(trials, p) >= successes) = 1 - confidence, that is the (1 - confidence)
    quantile of Beta(successes, trials - successes + 1). Counts may be fractions (an effective sample size).
    Source: Clopper and Pearson 1934, as in NIST/SEMATECH e-Handbook section 7.2.4.1.
    """
    from scipy.special import betaincinv

    if successes <= 0 or trials <= 0:
        return 0.0
    return float(betaincinv(successes, trials - successes + 1, 1 - confidence))


def clopper_pearson_upper(successes: float, trials: float, confidence: float) -> float:
    """Return the exact one-sided upper limit of a share; 1 for no trials. See `clopper_pearson_lower`."""
    return 1.0 - clopper_pearson_lower(trials - successes, trials, confidence)


def clopper_pearson(successes: float, trials: float, confidence: float) -> tuple[float, float]:
    """Return the exact two-sided interval of a share: both one-sided limits at (1 + confidence) / 2."""
    each = (1 + confidence) / 2
    return clopper_pearson_lower(successes, trials, each), clopper_pearson_upper(successes, trials, each)


def wilson_lower(successes: int, trials: int, confidence: float) -> float:
    """Return the one-sided lower score limit of a share; 0 for no trials.

    (p + z2/2n - z sqrt(p(1-p)/n + z2/4n2)) / (1 + z2/n) with z the normal quantile and z2 its square.
    Source: Wilson 1927, as in NIST/SEMATECH e-Handbook section 7.2.4.1.
    """
    from scipy.special import ndtri

    if trials <= 0 or successes <= 0:
        return 0.0
    z = float(ndtri(confidence))
    share, z2n = successes / trials, z * z / trials
    spread = z * math.sqrt(share * (1 - share) / trials + z2n / (4 * trials))
    return max(0.0, (share + z2n / 2 - spread) / (1 + z2n))


def wilson_upper(successes: int, trials: int, confidence: float) -> float:
    """Return the one-sided upper score limit of a share; 1 for no trials. See `wilson_lower`."""
    return 1.0 - wilson_lower(trials - successes, trials, confidence)


def wilson(successes: int, trials: int, confidence: float) -> tuple[float, float]:
    """Return the two-sided score interval of a share: both one-sided limits at (1 + confidence) / 2."""
    each = (1 + confidence) / 2
    return wilson_lower(successes, trials, each), wilson_upper(successes, trials, each)


def _binomial_cdf(count: int, trials: int, share: float) -> float:
    """Return P(B(trials, share) <= count)."""
    from scipy.special import bdtr

    if count < 0:
        return 0.0
    return 1.0 if count >= trials else float(bdtr(count, trials, share))


def quantile_rank_lower(trials: int, quantile: float, confidence: float) -> int:
    """Return the largest rank (from 1) whose order statistic is at most the quantile, with `confidence`.

    P(x(l) > quantile) = P(B(trials, quantile) <= l - 1), which must be 1 - confidence or less. 0 means that
    the sample is too small for any. Distribution-free.
    Source: David and Nagaraja, Order Statistics, 3rd ed. 2003, section 7.1 (cited from memory).
    """
    low, high = 0, trials
    while low < high:
        rank = (low + high + 1) // 2
        if _binomial_cdf(rank - 1, trials, quantile) <= 1 - confidence:
            low = rank
        else:
            high = rank - 1
    return low


def quantile_rank_upper(trials: int, quantile: float, confidence: float) -> int:
    """Return the smallest rank (from 1) whose order statistic is at least the quantile, with `confidence`.

    P(x(u) >= quantile) >= P(B(trials, quantile) <= u - 1), which must reach `confidence`. trials + 1 means
    that the sample is too small for any. Source: see `quantile_rank_lower`.
    """
    low, high = 1, trials + 1
    while low < high:
        rank = (low + high) // 2
        if rank <= trials and _binomial_cdf(rank - 1, trials, quantile) < confidence:
            low = rank + 1
        else:
            high = rank
    return low


def quantile_ranks(trials: int, quantile: float, confidence: float) -> tuple[int, int]:
    """Return the ranks of the two-sided equal-tailed interval; 0 or trials + 1 where there is none."""
    each = (1 + confidence) / 2
    return quantile_rank_lower(trials, quantile, each), quantile_rank_upper(trials, quantile, each)


def tolerance_rank(trials: int, share: float, confidence: float) -> int | None:
    """Return the rank (from 1) of the value that at least `share` of all future ones do not exceed.

    One-sided and distribution-free: with `confidence` for any distribution of independent values. The 59th of
    59 for 95 % of them at 95 %, the 92nd of 93, the 122nd of 124; None for fewer than `success_run` values.
    Source: Wilks 1941 (cited from memory).
    """
    rank = quantile_rank_upper(trials, share, confidence)
    return rank if rank <= trials else None


def share_below_largest(trials: int, confidence: float) -> float:
    """Return the share of future values that the largest of `trials` covers: (1 - confidence)^(1/trials)."""
    return float((1 - confidence) ** (1 / trials)) if trials else 0.0


def rank_coverage(trials: int, quantile: float, lower_rank: int, upper_rank: int) -> float:
    """Return P(x(lower_rank) <= quantile < x(upper_rank)) for continuous data, from the binomial sum."""
    return _binomial_cdf(upper_rank - 1, trials, quantile) - _binomial_cdf(lower_rank - 1, trials, quantile)


def success_run(reliability: float, confidence: float) -> int:
    """Return how many trials without a failure show `reliability`: ceil(ln(1 - C) / ln(reliability)).

    59 trials show 95 % with 95 % confidence. Source: success-run theorem; equals the first order of
    Wilks 1941 (cited from memory). Raises ValueError unless 0 < reliability < 1.
    """
    if not 0 < reliability < 1:
        raise ValueError(f"no number of trials shows a share of {reliability}")
    return math.ceil(round(math.log1p(-confidence) / math.log(reliability), 9))


def trials_with_failures(failures: int, reliability: float, confidence: float) -> int:
    """Return the fewest trials that show `reliability` in spite of `failures`.

    The smallest n with P(B(n, 1 - reliability) <= failures) <= 1 - confidence.
    Source: Wilks 1941, one-sided order failures + 1 (cited from memory).
    """
    if failures == 0:
        return success_run(reliability, confidence)
    low, high = failures + 1, 2 * (failures + 1)
    while high < MAX_SAMPLES and not _shows(failures, high, reliability, confidence):
        low, high = high, 2 * high
    while low < high:
        middle = (low + high) // 2
        if _shows(failures, middle, reliability, confidence):
            high = middle
        else:
            low = middle + 1
    return low


def _shows(failures: int, trials: int, reliability: float, confidence: float) -> bool:
    return _binomial_cdf(failures, trials, 1 - reliability) <= 1 - confidence


def trials_to_settle(successes: int, trials: int, at_least: float, confidence: float) -> int | None:
    """Return about how many trials in all would settle whether a share reaches `at_least`.

    Assumes that further trials go as those so far, rounded to the worse. Above the wanted share: the fewest
    trials whose exact lower limit reaches it. Below: the fewest whose upper limit falls under it. None when
    the share seen is too near the wanted one, or nothing can show the wanted share (100 %).
    """
    if at_least >= 1 or at_least <= 0:
        return None if at_least >= 1 else max(trials, 1)
    failures = trials - successes
    seen = 1 - failures / trials if trials else 1.0
    if failures == 0:
        return success_run(at_least, confidence)

    def settled(total: int) -> bool:
        # -(-a // b) rounds up exactly; a float could round one trial too far.
        if seen > at_least:
            passed = total - -(-failures * total // trials)
            return clopper_pearson_lower(passed, total, confidence) >= at_least
        passed = -(-successes * total // trials)
        return clopper_pearson_upper(passed, total, confidence) < at_least

    return _first(trials, settled)


def _first(start: int, settled: _Question) -> int | None:
    """Return the first number from `start` on that doubling and halving finds to be settled."""
    low, high = start, max(start, 1)
    while not settled(high):
        if high > MAX_SAMPLES:
            return None
        low, high = high, 2 * high
    while low < high:
        middle = (low + high) // 2
        if settled(middle):
            high = middle
        else:
            low = middle + 1
    return high

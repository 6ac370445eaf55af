"""How far can the link be pushed, and how soon is it back? Throughput, back-to-back bursts, recovery.

A search that the serial lines ended shows "at least": it can pass a check and never fail one.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.clock import MS, S
from harness.judge.advice import advise
from harness.judge.guard import no_data, result
from harness.judge.words import EXAMPLES, moment, ms, plain, share, times_ms
from harness.measure.evidence import Evidence
from harness.measure.restored import Recovery, Usual, after_overload, after_restarts, usual_losses
from harness.measure.spans import limit_steps
from harness.measure.trials import (
    BackToBack,
    Open,
    Throughput,
    Trial,
    find_back_to_back,
    find_throughput,
    read_trials,
)
from harness.plan import model as p
from harness.plan.trials import Outcome, fewest
from harness.plan.wording import many
from harness.stats.binomial import clopper_pearson_lower, clopper_pearson_upper
from harness.stats.bursts import LONG_BURST, Flags, share_limits
from harness.verdict import CheckResult, Verdict

CONFIDENCE: Final = 0.95
CHANCE: Final = 0.01
"""Losses that the usual ones bring about less often than this, in a whole run, are not taken for usual."""
NO_RATE: Final = 0.005
"""Packets sent at a rate that is off by more than this share of the one asked for are worth a word."""
SINGLE: Final = 0.01
"""A trial that lost no more than this share of its packets was spoilt by single losses."""
OWN_ADVICE: Final = ("bench", "void")
"""Ends of a search for which there is advice."""
WHY_OPEN: Final[dict[Open, str]] = {
    "": "",
    "bench": "the serial lines can report no more",
    "void": "lost serial messages or a restart spoilt the trials above",
    "refused": "the transmitter takes no more",
    "plan": "the plan asks for no more",
}


def judge_throughput(rule: p.Throughput, evidence: Evidence) -> CheckResult:
    """Judge the highest packet rate without loss: the limit reached, or packets lost at or below it."""
    found = find_throughput(evidence, read_trials(evidence))
    if found is None:
        return no_data(evidence, "no packet rate was tried", "packets")
    limit, best, bad = rule.at_least_mhz, found.best, found.bad
    verdict, situation = Verdict.INCONCLUSIVE, "open"
    if found.open_end in OWN_ADVICE:
        situation = found.open_end
    if best is not None and best.rate_mhz >= limit:
        verdict, situation = Verdict.PASS, ""
    elif bad is not None and bad.rate_mhz <= limit:
        verdict, situation = Verdict.FAIL, bad.outcome.value
    elif bad is not None:
        situation = "between"
    single = bad is not None and 0 < bad.lost <= SINGLE * bad.sent
    more = {"single": single, "usual": usual_losses(evidence).lost > 0}
    situations = [situation, *(word for word, applies in more.items() if applies)]
    return result(
        verdict,
        _throughput_reason(found, limit),
        value=_hz(best.rate_mhz) if best else None,
        unit="Hz",
        interval=(_hz(best.rate_mhz) if best else None, _hz(bad.rate_mhz) if bad else None),
        limit=_hz(limit),
        side="at least",
        samples=best.sent if best else 0,
        sample_unit="packets",
        counts={
            "trials": found.tried,
            "packets at that rate": best.sent if best else 0,
            "lost at that rate": best.lost if best else 0,
        },
        examples=(_trial_words(evidence, bad),) if bad is not None else (),
        advice=() if verdict is Verdict.PASS else advise("throughput", *situations),
    )


def _hz(rate_mhz: int) -> float:
    return rate_mhz / 1000


def _throughput_reason(found: Throughput, limit_mhz: int) -> str:
    parts = []
    best, bad = found.best, found.bad
    if best is not None:
        lower = share_limits(best.fates.lost, CONFIDENCE).lower
        parts.append(
            f"{_rate_words(best)} comes through: {best.lost or 'none'} of "
            f"{many(best.sent, 'packet')} lost, which shows a delivery of at least {share(lower)} there "
            f"({share(CONFIDENCE)} confidence)"
        )
    elif found.above is not None:
        parts.append(f"{_rate_words(found.above)} came through, but a trial at no higher rate failed")
    else:
        parts.append("no rate came through in a trial of full length")
    if bad is not None:
        parts.append(_bad_words(bad))
        if best is not None and best.rate_mhz < limit_mhz < bad.rate_mhz:
            parts.append("the limit lies between the two")
    elif found.open_end:
        known = "is known to come through" if found.open_end == "void" else "was tried"
        parts.append(f"no higher rate {known}, for {WHY_OPEN[found.open_end]}")
    return "; ".join(parts)


def _rate_words(trial: Trial) -> str:
    """Return the rate asked for, with the one achieved where it is another."""
    asked, sent = trial.rate_mhz, trial.achieved_mhz
    off = sent and abs(sent - asked) > NO_RATE * asked
    return f"{plain(_hz(asked))} Hz" + (f" ({plain(_hz(sent), 1)} Hz as sent)" if off else "")


def _bad_words(trial: Trial) -> str:
    rate = _rate_words(trial)
    if trial.outcome is Outcome.SLOW:
        asked = fewest(trial.rate_mhz, trial.end_ns - trial.start_ns)
        return f"at {rate} the transmitter sent {trial.sent} packets where at least {asked} were due"
    return f"at {rate} {trial.lost} of {many(trial.sent, 'packet')} were lost"


def _trial_words(evidence: Evidence, trial: Trial) -> str:
    return f"trial {trial.number} at {moment(evidence, trial.start_ns)}: {_bad_words(trial)}"


def judge_back_to_back(rule: p.BackToBack, evidence: Evidence) -> CheckResult:
    """Judge the longest whole burst: every search reached the limit, or more than half fell short of it."""
    found = find_back_to_back(evidence, read_trials(evidence))
    if found is None:
        return no_data(evidence, "no search for the longest burst was finished", "searches")
    short = [one for one in found.longest if one.packets < rule.at_least]
    certain = [one for one in short if not one.open_end]
    void = any(one.open_end == "void" for one in short)
    verdict, situation = Verdict.INCONCLUSIVE, "mixed" if certain else "void" if void else "bench"
    if not short:
        verdict, situation = Verdict.PASS, ""
    elif 2 * len(certain) > len(found.longest):
        verdict, situation = Verdict.FAIL, "fail"
    lengths = [one.packets for one in found.longest]
    return result(
        verdict,
        _burst_reason(found, len(short), rule.at_least),
        value=found.average,
        unit="packets",
        interval=(float(min(lengths)), float(max(lengths))),
        limit=float(rule.at_least),
        side="at least",
        samples=len(lengths),
        sample_unit="searches",
        counts={"searches": len(lengths), "fell short": len(certain), "bursts": found.tried},
        advice=() if verdict is Verdict.PASS else advise("back_to_back", situation),
    )


def _burst_reason(found: BackToBack, short: int, at_least: int) -> str:
    lengths = [one.packets for one in found.longest]
    parts = [f"{plain(found.average)} packets back to back come through whole, the mean of {len(lengths)}"]
    if min(lengths) < max(lengths):
        parts.append(f"{min(lengths)} to {max(lengths)}, standard deviation {plain(found.deviation)}")
    reached = len(lengths) - short
    if short:
        parts.append(f"{short} of {len(lengths)} searches did not reach {at_least}")
    else:
        lower = clopper_pearson_lower(reached, len(lengths), CONFIDENCE)
        parts.append(f"all reached {at_least}: that shows {share(lower)} of such bursts")
    why = {one.open_end for one in found.longest if one.open_end}
    for each in sorted(why):
        known = "is known to come through" if each == "void" else "was tried"
        parts.append(f"no longer one {known}, for {WHY_OPEN[each]}")
    return "; ".join(parts)


@dataclass(frozen=True, slots=True)
class _Recoveries:
    """Recoveries in time, late for certain, and neither."""

    in_time: list[Recovery]
    late: list[Recovery]
    unsure: list[Recovery]


def judge_recovery(rule: p.Recovery, evidence: Evidence) -> CheckResult:
    """Judge that packets come through again in time after every overload or restart."""
    if rule.after == "overload":
        found = after_overload(evidence, read_trials(evidence))
    else:
        found = after_restarts(evidence)
    if not found:
        return no_data(evidence, _not_carried_out(rule, evidence), f"{rule.after}s")
    usual = usual_losses(evidence)
    sorted_ = _sorted(found, rule.within_ns, usual)
    verdict = Verdict.INCONCLUSIVE if sorted_.unsure else Verdict.PASS
    if sorted_.late:
        verdict = Verdict.FAIL
    times = [one.time_ns for one in found if one.time_ns is not None]
    never = len(times) < len(found)
    return result(
        verdict,
        _recovery_reason(rule, found, sorted_),
        value=(float("inf") if never else max(times) / MS),
        unit="ms",
        uncertainty=max(one.bound_ns for one in found) / MS,
        limit=rule.within_ns / MS,
        side="at most",
        samples=len(found),
        sample_unit=f"{rule.after}s",
        counts={
            f"{rule.after}s": len(found),
            "in time": len(sorted_.in_time),
            "late": len(sorted_.late),
            "left open": len(sorted_.unsure),
        },
        examples=tuple(_late_words(evidence, one) for one in sorted_.late[:EXAMPLES]),
        advice=() if verdict is Verdict.PASS else _recovery_advice(rule, sorted_),
    )


def _not_carried_out(rule: p.Recovery, evidence: Evidence) -> str:
    """Say why there was nothing to recover from: an overload may be the share of a throughput not found."""
    steps = [step.action for step in limit_steps(evidence.plan).values()]
    shares = any(isinstance(action, p.Overload) and action.rate_mhz is None for action in steps)
    if rule.after == "overload" and shares:
        found = find_throughput(evidence, read_trials(evidence))
        if found is not None and found.best is None:
            return "no throughput was found to overload"
    return f"no {rule.after} was carried out"


def _recovery_advice(rule: p.Recovery, lists: _Recoveries) -> tuple[str, ...]:
    if lists.late:
        return advise("recovery", rule.after)
    blind = [one.unknown for one in lists.unsure]
    return advise("recovery", *(["bench"] if any(blind) else []), *([] if all(blind) else ["open"]))


def _sorted(found: Sequence[Recovery], limit_ns: int, usual: Usual) -> _Recoveries:
    lists = _Recoveries([], [], [])
    for one in found:
        if _late(one, limit_ns, usual, len(found)):
            lists.late.append(one)
        elif one.time_ns is not None and one.time_ns + one.bound_ns <= limit_ns and not one.unknown:
            seen = one.watched_ns > limit_ns
            (lists.in_time if seen else lists.unsure).append(one)
        else:
            lists.unsure.append(one)
    return lists


def _late(one: Recovery, limit_ns: int, usual: Usual, of: int = 1) -> bool:
    """Return whether a recovery took too long for certain: no packet back in time, or too many lost after.

    Losses after the limit count only if the link's usual ones hardly bring them about: `of` recoveries share
    the chance of `CHANCE`.
    """
    edge = limit_ns + one.bound_ns
    if one.back_ns is None:
        return one.watched_ns > edge and not one.unknown
    if one.back_ns > edge:
        return not one.unknown
    sent = one.sent_ns[one.sent_ns > edge]
    lost = np.isin(sent, one.lost_ns)
    return bool(lost.any()) and _chance_of(lost, usual, whole=not one.unknown) < CHANCE / of


def _chance_of(lost: Flags, usual: Usual, *, whole: bool) -> float:
    """Return how likely a link that loses packets as usual loses so many of these, or so many in a row.

    Bursts come as a Poisson process, at the upper limit of their usual share of packets; lengths are
    geometric with the usual mean, drawn to `LONG_BURST` as by one more burst of it. Of two chances the
    smaller counts twice (Bonferroni): that of as many bursts, and that of one as long. Where some packets'
    fate is unknown (not `whole`) bursts cannot be counted, and the chance is that of as many lost packets.
    """
    from scipy.special import pdtrc

    share = clopper_pearson_upper(usual.bursts, usual.sent, CONFIDENCE)
    length = (usual.lost + LONG_BURST) / (usual.bursts + 1)
    rate = share * (len(lost) + length - 1)  # one may have begun before
    if not whole:
        return _chance_of_total(int(lost.sum()), rate, length)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], lost, [False])).astype(np.int8)))
    longest = int((edges[1::2] - edges[::2]).max())
    as_many = float(pdtrc(len(edges) // 2 - 1, rate))
    as_long = -math.expm1(-rate * (1 - 1 / length) ** (longest - 1))
    return 2 * min(as_many, as_long)


def _chance_of_total(lost: int, rate: float, length: float) -> float:
    """Return P(as many lost in all): K bursts of geometric lengths reach it if B(lost - 1, 1 / mean) < K."""
    from scipy.special import bdtr
    from scipy.stats import poisson

    bursts = np.arange(1, lost + 1)
    more = float(poisson.sf(lost, rate))  # more bursts than that lose as many in any case
    return float((poisson.pmf(bursts, rate) * bdtr(bursts - 1, lost - 1, 1 / length)).sum()) + more


def _recovery_reason(rule: p.Recovery, found: Sequence[Recovery], lists: _Recoveries) -> str:
    what = f"{many(len(found), rule.after)}"
    if rule.after == "overload" and not lists.unsure and not any(_lost_any(one) for one in found):
        return f"no packet was lost in {what}: nothing to recover from"
    parts = [f"packets came through again in time after {len(lists.in_time)} of {what}"]
    times = [one.time_ns for one in found if one.time_ns is not None]
    if times:
        middle = statistics.median(times)
        parts.append(f"{times_ms(times)}, median {ms(middle)}; {ms(rule.within_ns)} allowed")
    never = sum(one.time_ns is None for one in found)
    if never:
        parts.append(f"not at all while watched after {never}")
    pushed = [one for one in found if one.pushed]
    if pushed and not any(one.pushed_lost for one in pushed):
        parts.append("the overload itself lost nothing")
    if lists.unsure:
        parts.append(
            f"{len(lists.unsure)} left open: by lost serial messages, by losses that this link has "
            "anyway, or because the time watched was too short"
        )
    return "; ".join(parts)


def _lost_any(one: Recovery) -> bool:
    return bool(one.pushed_lost or len(one.lost_ns))


def _late_words(evidence: Evidence, one: Recovery) -> str:
    took = "packets did not come through again" if one.time_ns is None else f"took {ms(one.time_ns)}"
    return f"{one.what} at {moment(evidence, one.from_ns)}: {took}, watched for {plain(one.watched_ns / S)} s"


__all__ = ["judge_back_to_back", "judge_recovery", "judge_throughput"]

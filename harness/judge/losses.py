"""Do packets get lost in a harmless way? The longest run of lost packets, and losses that keep a rhythm."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from harness.clock import MS, S
from harness.judge.advice import BENCH, MORE, advise
from harness.judge.guard import ENOUGH, no_data, result
from harness.judge.words import EXAMPLES, in_steps, many, moment, ms, plain, share
from harness.measure.evidence import Evidence
from harness.measure.losses import NONE, LossPeriod, LossRuns, LossSeries, loss_period, loss_runs, loss_series
from harness.plan import model as p
from harness.stats.binomial import clopper_pearson_upper
from harness.stats.periods import SHORTEST, events_needed, trials_for
from harness.verdict import CheckResult, Verdict

EVERY_OTHER: Final = 0.5
"""A routine counts as costing packets if it does so at least every other time, on average."""
SURE: Final = 0.95
FEWEST_CYCLES: Final = 5
"""Without a loss in five turns of a routine, it does not cost a packet every other time: 1/2^5 is 3 %."""
Told = Literal["not asked", "in step", "no rhythm", "too few to matter", "open"]


@dataclass(frozen=True, slots=True)
class _Rhythm:
    """What the search for a period says: `told`, and how many more packets an open question needs."""

    told: Told
    period: LossPeriod
    needed_events: int
    needed_packets: int


def judge_losses(rule: p.LossPattern, evidence: Evidence) -> CheckResult:
    """Judge the longest run of lost packets, and whether losses keep a period.

    Fails if more than `longest_run` packets in a row were lost for certain, or if a rhythm is found whose
    corrected p is below `false_alarm`. Packets of unknown fate can only prevent a pass.
    """
    series = loss_series(evidence, rule.during)
    total = int(series.known.sum())
    if not total:
        return no_data(evidence, f"no packet was sent{in_steps(rule.during)}", "packets")
    runs = loss_runs(series)
    rhythm = _rhythm(rule, evidence, series)
    longest = int(runs.length.max()) if len(runs.length) else 0
    maybe_long = runs.longest_possible > rule.longest_run
    verdict = Verdict.PASS
    if longest > rule.longest_run or rhythm.told == "in step":
        verdict = Verdict.FAIL
    elif maybe_long or rhythm.told == "open" or total < ENOUGH:
        verdict = Verdict.INCONCLUSIVE
    return result(
        verdict,
        _reason(rule, series, runs, rhythm),
        value=float(longest),
        unit="packets in a row",
        limit=float(rule.longest_run),
        side="at most",
        samples=len(series),
        sample_unit="packets",
        needed=_needed(verdict, rhythm, total),
        counts={
            "packets": len(series),
            "lost": int(series.lost.sum()),
            "unknown": int(series.unknown.sum()),
            "loss periods": len(runs.length),
            "longest": longest,
            "bursts searched for a rhythm": rhythm.period.found.events,
        },
        examples=_examples(evidence, series, runs, rule.longest_run),
        advice=_advice(verdict, longest > rule.longest_run, maybe_long, rhythm.told),
    )


def _rhythm(rule: p.LossPattern, evidence: Evidence, series: LossSeries) -> _Rhythm:
    """Say whether losses keep a period, and if none was seen, whether one could have hidden.

    A routine with the longest period asked for comes round so often in the time looked at. If the losses seen
    are too few for one in every other turn (exact upper limit at 95 %), there is no such routine. If not, and
    they are enough for the search, it would have found them; else the question is open.
    """
    period = loss_period(evidence, series)
    tick = evidence.plan.link.packet_period_ns
    trials = trials_for(max(period.looked_ns, rule.period_up_to_ns), SHORTEST * tick)
    needed = events_needed(trials, float(rule.false_alarm) / 2)
    turns = period.looked_ns // rule.period_up_to_ns
    events = period.found.events
    told: Told = "no rhythm"
    if rule.periodic == "allowed":
        told = "not asked"
    elif period.found.p_value < rule.false_alarm:
        told = "in step"
    elif clopper_pearson_upper(min(events, turns), turns, SURE) < EVERY_OTHER:
        told = "too few to matter"
    elif events < needed:
        told = "open"
    enough = needed / EVERY_OTHER if events else FEWEST_CYCLES
    more_ns = enough * rule.period_up_to_ns - period.looked_ns
    return _Rhythm(told, period, needed, max(1, math.ceil(more_ns / tick)))


def _needed(verdict: Verdict, rhythm: _Rhythm, total: int) -> int | None:
    if verdict is not Verdict.INCONCLUSIVE:
        return None
    if rhythm.told == "open":
        return rhythm.needed_packets
    return ENOUGH - total if total < ENOUGH else None


def _reason(rule: p.LossPattern, series: LossSeries, runs: LossRuns, rhythm: _Rhythm) -> str:
    lost, unknown = int(series.lost.sum()), int(series.unknown.sum())
    where = in_steps(rule.during)
    if lost:
        parts = [
            f"{lost} of {many(len(series), 'packet')} were lost{where}, at most {_longest(runs)}; "
            f"{rule.longest_run} in a row allowed"
        ]
    else:
        parts = [f"none of {many(len(series), 'packet')} was lost{where}"]
    if runs.longest_possible > max(rule.longest_run, *runs.length.tolist(), 0):
        parts.append(
            f"{many(unknown, 'packet')} of unknown fate: up to {runs.longest_possible} in a row may be lost"
        )
    parts += _rhythm_words(rule, rhythm)
    total = int(series.known.sum())
    if total < ENOUGH:
        parts.append(f"{many(total, 'packet')} are too few to tell, {ENOUGH} would do")
    return "; ".join(parts)


def _longest(runs: LossRuns) -> str:
    gap = int(runs.gap_ns.max())
    over = "" if gap == NONE else f" and {ms(gap)} between the applied packets around them"
    return f"{int(runs.length.max())} in a row{over}"


def _rhythm_words(rule: p.LossPattern, rhythm: _Rhythm) -> list[str]:
    found, up_to = rhythm.period.found, f"{plain(rule.period_up_to_ns / S)} s"
    p_value = f"p = {found.p_value:.2g}, corrected for all periods tried"
    if rhythm.told == "in step":
        return [f"losses come in step, {period_words(rhythm.period)} ({p_value})"]
    if rhythm.told == "no rhythm":
        least = math.sqrt(rhythm.needed_events / found.events)
        return [f"losses keep no period ({p_value}; one behind {share(round(least, 2))} of them would show)"]
    if rhythm.told == "too few to matter" and found.events:
        return [
            f"a routine that comes at least every {up_to} and costs a packet every other time would lose more"
        ]
    if rhythm.told == "open":
        bursts = many(found.events, "loss burst")
        return [f"too short to tell whether losses keep a period up to {up_to}, with {bursts} to go by"]
    return []


def period_words(period: LossPeriod) -> str:
    """Return a period as `every 1000 ms (50 packets), first at 13 ms, agreement 0.98`."""
    first = f"{ms(round(period.phase))}" if period.of == "time" else f"packet {plain(period.phase, 1)}"
    return (
        f"every {plain(period.period_ns / MS, 1)} ms or {plain(period.period_packets, 2)} packets, first at "
        f"{first} of the run, agreement {plain(period.found.strength, 2)} of 1"
    )


def _examples(evidence: Evidence, series: LossSeries, runs: LossRuns, allowed: int) -> tuple[str, ...]:
    """Name the longest runs beyond the limit."""
    order = np.argsort(-runs.length, kind="stable")[:EXAMPLES]
    lines = []
    for place in np.sort(order[runs.length[order] > allowed]).tolist():
        first, gap = int(runs.start[place]), int(runs.gap_ns[place])
        over = "" if gap == NONE else f", {ms(gap)} between applied ones"
        number = int(evidence.sent.number[series.row[first]])
        when = moment(evidence, int(series.at_ns[first]))
        lines.append(f"{int(runs.length[place])} packets from {number} on at {when}{over}")
    return tuple(lines)


def _advice(verdict: Verdict, too_long: bool, maybe_long: bool, told: Told) -> tuple[str, ...]:
    if verdict is Verdict.FAIL:
        situations = ["run"] if too_long else []
        return advise("loss_pattern", *situations, *(["period"] if told == "in step" else []))
    if verdict is Verdict.PASS:
        return ()
    return BENCH if maybe_long else (MORE,)

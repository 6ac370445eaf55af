"""Do packets get lost in a harmless way? The longest run of lost packets, and losses that keep a rhythm."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from harness.clock import MS, S
from harness.judge.advice import BENCH, MORE, advise
from harness.judge.guard import ENOUGH, no_data, result
from harness.judge.words import EXAMPLES, in_steps, moment, ms, plain
from harness.measure.evidence import Evidence
from harness.measure.losses import NONE, LossPeriod, LossRuns, LossSeries, loss_period, loss_runs, loss_series
from harness.plan import model as p
from harness.plan.wording import many
from harness.stats.binomial import clopper_pearson_upper
from harness.stats.periods import (
    CYCLES,
    HITS,
    SHORTEST,
    SURE,
    burst_starts,
    events_needed,
    hits_by_chance,
    hits_of,
    may_hide,
    trials_for,
)
from harness.verdict import CheckResult, Verdict

MOST_TURNS: Final = 1_000_000
FEWEST_CYCLES: Final = 5
"""Without a loss in five turns of a routine, it does not cost one every other time (`HITS`): 1/2^5 is 3 %."""
Told = Literal["not asked", "in step", "no rhythm", "too few to matter", "open"]


@dataclass(frozen=True, slots=True)
class _Rhythm:
    """What the search for a period says: `told`, and how many more packets an open question needs."""

    told: Told
    period: LossPeriod
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

    A routine with the longest period asked for comes round `turns` times. Too few to matter: all bursts seen
    are too few for one in every other turn (exact upper limit at 95 %). No rhythm: a routine that costs one
    every other time would have been found by the search (`_shows`), or no period has so many bursts at one
    place (`may_hide`). Else the question is open.
    """
    period = loss_period(evidence, series)
    tick, up_to_ns = evidence.plan.link.packet_period_ns, rule.period_up_to_ns
    events, turns = period.found.events, period.looked_ns // up_to_ns
    told: Told = "open"
    if rule.periodic == "allowed":
        told = "not asked"
    elif period.found.p_value < rule.false_alarm:
        told = "in step"
    elif _too_few(events, turns):
        told = "too few to matter"
    elif _shows(events, turns, rule, tick) or not _may_hide(series, period, up_to_ns, tick):
        told = "no rhythm"
    enough = _enough_turns(events, period.looked_ns / up_to_ns, rule, tick) if told == "open" else 0
    more_ns = enough * up_to_ns - period.looked_ns
    return _Rhythm(told, period, max(1, math.ceil(more_ns / tick)))


def _too_few(events: int, turns: int) -> bool:
    return clopper_pearson_upper(min(events, turns), turns, SURE) < HITS


def _shows(events: int, turns: int, rule: p.LossPattern, tick: int) -> bool:
    """Return whether the search finds a routine among so many bursts.

    m in step among them have the power m^2 / events, which must be that of as many without others.
    """
    trials = trials_for(max(1, turns) * rule.period_up_to_ns, SHORTEST * tick)
    needed = events_needed(trials, float(rule.false_alarm) / 2)
    return turns >= CYCLES and int(hits_of(turns)) ** 2 >= needed * events


def _may_hide(series: LossSeries, period: LossPeriod, up_to_ns: int, tick: int) -> bool:
    """Return whether the bursts that were searched could hold a routine, in time or in packets."""
    _, start = burst_starts(series.lost, series.unknown | series.ordered, series.breaks)
    places = np.flatnonzero(start)
    if may_hide(series.at_ns[start], up_to_ns, period.looked_ns, tick):
        return True
    steady = int(series.breaks.sum()) <= 1
    return not steady and may_hide(places, up_to_ns / tick, period.looked_ns / tick, 1)


def _enough_turns(events: int, turns: float, rule: p.LossPattern, tick: int) -> int:
    """Return how many turns would settle an open question if bursts go on to come as often as so far."""
    often, longest = events / turns if turns else 0.0, rule.period_up_to_ns / tick
    enough = max(FEWEST_CYCLES, math.floor(turns) + 1)
    while enough < MOST_TURNS:
        bursts = math.ceil(often * enough)
        clear = enough >= CYCLES and int(hits_of(enough)) > hits_by_chance(bursts, longest)
        if clear or _too_few(bursts, enough) or _shows(bursts, enough, rule, tick):
            break
        enough += max(1, enough // 20)
    return enough


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
        most = f"a routine that comes at least every {up_to} and costs a packet every other time would show"
        return [f"losses keep no period ({p_value}; {most})"]
    if rhythm.told == "too few to matter" and found.events:
        return [
            f"a routine that comes at least every {up_to} and costs a packet every other time would lose more"
        ]
    if rhythm.told == "open":
        bursts = many(found.events, "loss burst")
        return [f"too short to tell whether losses keep a period up to {up_to}, with {bursts} to hide among"]
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

"""How old was what the outputs obeyed? Control age over time, and how time is spread over ages."""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.clock import MS, S
from harness.findings import percent
from harness.measure.age import AgePieces, AgeTimes, age_pieces, age_times, sampled_ages
from harness.measure.arrays import Floats
from harness.measure.delivery import LOST_NS
from harness.measure.percentiles import percentile_limits
from harness.measure.telling import are_numbered
from harness.plan import model as p
from harness.plots.distributions import CONFIDENCE, NOTHING, Limit, Percent, intervals, widened
from harness.plots.model import Axis, Picture, Plot, Rule, Series, Symbol, Tone
from harness.plots.occasions import spans_of, steps_of
from harness.plots.view import View
from harness.plots.words import short, short_ms

PERCENTILES: Final = (0.5, 0.95, 0.99)
"""Those of the account."""
ONE: Final[Tone] = "one"
DOUBT: Final[Tone] = "doubt"
CIRCLE: Final[Symbol] = "circle"
DIAMOND: Final[Symbol] = "diamond"


def draw(view: View) -> tuple[Picture, ...]:
    """Return how old control was over time and how time is spread over ages; none if nothing was sent."""
    if not are_numbered(view.evidence.tells):
        return ()
    pieces = _seen(view)
    if not len(pieces):
        return ()
    times = age_times(pieces)
    about = _about(view, pieces, times)
    rules = tuple(Rule(limit.at_ns / MS, "y", limit.words, "bad") for limit in limits_of(view))
    over = Plot(
        "age-time", "control age over time", about, Axis("time", "s"), Axis("control age", "ms", low=0),
        _peaks(view, pieces), spans_of(view), (*steps_of(view), *rules),
        "Each mark: how old control had become when a newer position took effect. Cuts, restarts and "
        "overloads are left out.",
    )  # fmt: skip
    return (_within(view, times, about), _beyond(view, times, about), over)


def limits_of(view: View) -> tuple[Limit, ...]:
    """Return the limits that the plan's checks set to control age."""
    found = []
    for check in view.evidence.plan.checks:
        rule = check.rule
        if isinstance(rule, p.ControlAge) and rule.during in ((), view.during):
            words = f"{percent(float(rule.percentile))} of the time within {short_ms(rule.at_most_ns)}"
            found.append(Limit(rule.at_most_ns, words))
    return tuple(dict.fromkeys(found))


def _seen(view: View) -> AgePieces:
    every = age_pieces(view.evidence, view.during)
    if view.is_whole:
        return every
    seen = view.sees(every.start_ns) & view.sees(every.end_ns)
    return AgePieces(
        every.start_ns[seen], every.end_ns[seen], every.sampled_ns[seen], every.peak[seen],
        every.doubtful[seen], every.bound_ns,
    )  # fmt: skip


def _peaks(view: View, pieces: AgePieces) -> tuple[Series, ...]:
    """Return the age just before each newer stick position took effect, and at the end of each stretch."""
    ends = np.append(pieces.start_ns[1:] != pieces.end_ns[:-1], [True])[: len(pieces)] | pieces.peak
    series = []
    for name, chosen, tone, symbol in (
        ("control age", ends & ~pieces.doubtful, ONE, CIRCLE),
        ("perhaps younger, reports are missing", ends & pieces.doubtful, DOUBT, DIAMOND),
    ):
        if chosen.any():
            at_s, age = view.seconds(pieces.end_ns[chosen]), pieces.high_ns[chosen] / MS
            series.append(Series(name, at_s, age, "dots", tone, symbol))
    return tuple(series)


def _curve(times: AgeTimes) -> tuple[Floats, Floats]:
    """Return ages in ms and the share of time in which control was at most so old, in per cent."""
    share = times.within_ns.astype(np.float64) * (100 / max(1, times.total_ns))
    return times.age_ns / MS, share


def _within(view: View, times: AgeTimes, about: str) -> Plot:
    age, share = _curve(times)
    found = percentiles(view, times)
    return Plot(
        "age-within", "control age: share of time within", about, Axis("control age", "ms"),
        Axis("time within this age", "%", low=0, high=100),
        (Series("share of time", age, share), *intervals(found, int(times.age_ns[-1]))),
        (), _rules(view, times, found),
    )  # fmt: skip


def _beyond(view: View, times: AgeTimes, about: str) -> Plot:
    age, share = _curve(times)
    above = 100 - share
    shown = above > NOTHING
    return Plot(
        "age-beyond", "control age: share of time beyond", about, Axis("control age", "ms"),
        Axis("time beyond this age", "%", log=True, high=100),
        (Series("share of time", age[shown], above[shown]),),
        (), _rules(view, times, percentiles(view, times)),
    )  # fmt: skip


def percentiles(view: View, times: AgeTimes) -> tuple[Percent, ...]:
    """Return the percentiles over time, with their limits where the view is measured as a whole."""
    evidence = view.evidence
    whole = view.is_whole or (view.during and len(view.spans) == len(evidence.spans(view.during)))
    limits = [(0, LOST_NS)] * len(PERCENTILES)
    if whole:
        limits = percentile_limits(sampled_ages(evidence, view.during), PERCENTILES, CONFIDENCE)
    bound = age_pieces(evidence, view.during).bound_ns
    found = []
    for share, (lower, upper) in zip(PERCENTILES, limits, strict=True):
        value = times.percentile_ns(share)
        if value is not None:
            found.append(Percent(share, value, *widened(lower, upper, bound)))
    return tuple(found)


def _rules(view: View, times: AgeTimes, found: tuple[Percent, ...]) -> tuple[Rule, ...]:
    rules = [Rule(one.value_ns / MS, "x", f"p{100 * one.share:g} {short_ms(one.value_ns)}") for one in found]
    rules.append(Rule(int(times.age_ns[-1]) / MS, "x", f"oldest {short_ms(int(times.age_ns[-1]))}"))
    rules += [Rule(limit.at_ns / MS, "x", limit.words, "bad") for limit in limits_of(view)]
    return tuple(rules)


def _about(view: View, pieces: AgePieces, times: AgeTimes) -> str:
    told = [f"p{100 * share:g} {short_ms(times.percentile_ns(share) or 0)}" for share in PERCENTILES]
    words = f"Age of the newest applied sticks over {short(times.total_ns / S, 's')}: {', '.join(told)}"
    words += f", oldest {short_ms(int(pieces.high_ns.max()))}"
    if pieces.doubtful_ns:
        words += f"; for {short(pieces.doubtful_ns / S, 's')} reports are missing"
    return words + "".join(f"; {limit.words}" for limit in limits_of(view)) + "."


__all__ = ["draw", "limits_of"]

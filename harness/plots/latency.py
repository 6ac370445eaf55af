"""How long did everything take? Three kinds of delay, as distributions and over time."""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.clock import MS
from harness.escape import clean
from harness.findings import percent
from harness.measure.delivery import LOST_NS
from harness.measure.latency import DELAYS, Delays
from harness.measure.percentiles import Samples
from harness.measure.telling import are_numbered
from harness.plan import model as p
from harness.plots import distributions
from harness.plots.distributions import Limit, Spread
from harness.plots.model import Axis, Picture, Plot, Rule, Series
from harness.plots.occasions import spans_of, steps_of
from harness.plots.packets import NUMBERS_MISSING
from harness.plots.view import View
from harness.plots.words import nothing, short_ms

KINDS: Final = {
    "packet": ("latency", "packet latency"),
    "stick": ("stick", "stick-to-output time"),
    "acknowledgement": ("acknowledgement", "acknowledgement round trip"),
}


def draw(view: View) -> tuple[Picture, ...]:
    """Return the pictures of each kind of delay that was seen."""
    if not are_numbered(view.evidence.tells):
        return (nothing("latency", "Latency", NUMBERS_MISSING),)
    return tuple(picture for of in KINDS for picture in _kind(view, of))


def delays_in(view: View, of: str) -> Delays:
    """Return the delays of one kind in the view."""
    every = DELAYS[of](view.evidence, view.during)
    if view.is_whole:
        return every
    seen = view.sees(every.at_ns)
    samples = every.samples
    unplaced = samples.unplaced if seen.all() else 0
    part = Samples(samples.low_ns[seen], samples.high_ns[seen], unplaced)
    return Delays(every.what, every.at_ns[seen], every.number[seen], part, every.bound_ns, every.not_judged)


def limits_of(view: View, of: str) -> tuple[Limit, ...]:
    """Return the limits that the plan's checks set to this kind of delay."""
    found = []
    for check in view.evidence.plan.checks:
        rule = check.rule
        if isinstance(rule, p.Latency) and rule.of == of and rule.during in ((), view.during):
            words = f"{percent(float(rule.percentile))} within {short_ms(rule.at_most_ns)}"
            found.append(Limit(rule.at_most_ns, clean(words)))
    return tuple(dict.fromkeys(found))


def _kind(view: View, of: str) -> tuple[Plot, ...]:
    key, title = KINDS[of]
    delays = delays_in(view, of)
    spread = Spread(key, title, delays.what, delays.samples, delays.bound_ns, limits_of(view, of))
    plots = distributions.draw(spread)
    if not plots or not plots[0].series:
        return plots
    return (*plots, _over_time(view, spread, delays, plots[0].about))


def _over_time(view: View, spread: Spread, delays: Delays, about: str) -> Plot:
    """Return every delay at the time at which it began; lost ones are marked at the top."""
    low, high = delays.samples.low_ns, delays.samples.high_ns
    at_s = view.seconds(delays.at_ns)
    known, lost = low == high, low == LOST_NS
    arrived = known & ~lost
    series = [Series(spread.title, at_s[arrived], low[arrived] / MS, "dots")]
    if lost.any():
        highest = max(int(low[arrived].max(initial=0)), *(limit.at_ns for limit in spread.limits), 0)
        top = highest / MS * 1.05 or 1.0
        keep = np.ones(int(lost.sum()), dtype=np.bool_)
        series.append(
            Series("never in time", at_s[lost], np.full(len(keep), top), "dots", "bad", "cross", keep=keep)
        )
    rules = tuple(Rule(limit.at_ns / MS, "y", limit.words, "bad") for limit in spread.limits)
    return Plot(
        f"{spread.key}-time", f"{spread.title} over time", about, Axis("time", "s"),
        Axis(spread.title, "ms", low=0), tuple(series), spans_of(view), (*steps_of(view), *rules),
        "What never arrived in time is marked at the top." if lost.any() else "",
    )  # fmt: skip


__all__ = ["delays_in", "draw", "limits_of"]

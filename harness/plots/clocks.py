"""How well are the devices' clocks known? Pings against the clock map, their round trips, and the budget."""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.account.clocks import COVERAGE, expanded_ns, latency_budget
from harness.bench.protocol import Role
from harness.clock import MS, US
from harness.measure.arrays import Flags, Floats
from harness.measure.clockmap import MOST_LIVES
from harness.measure.exchanges import Exchanges, read_exchanges
from harness.plan.wording import many
from harness.plots.model import SYMBOLS, TONES, Axis, Picture, Plot, Rule, Series
from harness.plots.view import View
from harness.plots.words import short

STARTS: Final = 20
"""Starts of a device that are told apart; further ones share the last name."""


def draw(view: View) -> tuple[Picture, ...]:
    """Return each device's residuals and round trips, and the budget of a latency; none without pings."""
    plots: list[Picture] = []
    for role in view.evidence.clocks:
        plots += _device(view, role)
    return (*plots, *_budget(view))


def _device(view: View, role: Role) -> list[Picture]:
    evidence = view.evidence
    baud = evidence.recording.header.baud.get(role, 0)
    pings = read_exchanges(evidence.heard[role], evidence.told[role], 0 if role in evidence.tells else baud)
    seen = view.sees(pings.heard_ns)
    if not seen.any():
        return []
    who, clock = role.value, evidence.clocks[role]
    trips = pings.trip_ns[seen] / MS
    ends = f"{short(float(trips.min()), 'ms')} to {short(float(trips.max()), 'ms')}"
    about = (
        f"{many(int(seen.sum()), 'ping')} of the {who} answered, round trips {ends}, "
        f"median {short(float(np.median(trips)), 'ms')}; clock bound {short(clock.bound_ns / US, 'us')}"
    )
    about += f"; {many(len(clock.segments), 'start')}." if len(clock.segments) > 1 else "."
    return [
        _residuals(view, role, pings, seen, about),
        Plot(
            f"clocks-{who}-trips", f"{who}: round trips of pings", about, Axis("time", "s"),
            Axis("round trip", "ms", low=0), _by_start(view, pings, seen, pings.trip_ns / MS),
        ),
    ]  # fmt: skip


def _residuals(view: View, role: Role, pings: Exchanges, seen: Flags, about: str) -> Plot:
    """Return how far the middle of each exchange lies from the clock map, with the map's bound as a band."""
    clock = view.evidence.clocks[role]
    segment = np.minimum(pings.segment, max(0, len(clock.segments) - 1))
    dev_us = clock.unwrap(pings.stamp_us, pings.heard_ns, segment)
    middle = (pings.earliest_ns + pings.latest_ns) // 2
    off_us = (clock.to_host_ns(dev_us, segment) - middle) / US
    bound = clock.bounds_ns(segment) / US
    at_s = view.seconds(pings.heard_ns[seen])
    band = Series("bound of the clock map", at_s, -bound[seen], "band", "muted", high=bound[seen])
    return Plot(
        f"clocks-{role.value}", f"{role.value}: clock map less pings", about, Axis("time", "s"),
        Axis("map less middle of ping", "us"), (band, *_by_start(view, pings, seen, off_us)),
        (), (Rule(0.0, "y", ""),),
        "The middle of a slow exchange may lie outside the band: the map goes by the quickest ones.",
    )  # fmt: skip


def _by_start(view: View, pings: Exchanges, seen: Flags, values: Floats) -> tuple[Series, ...]:
    """Return one series of dots for each start of the device."""
    number = np.minimum(pings.segment[seen], min(STARTS, MOST_LIVES) - 1)
    at_s, shown = view.seconds(pings.heard_ns[seen]), values[seen]
    starts = np.unique(number).tolist()
    return tuple(
        Series(
            _name(start, starts), at_s[number == start], shown[number == start], "dots",
            TONES[place % len(TONES)], SYMBOLS[place % len(SYMBOLS)],
        )
        for place, start in enumerate(starts)
    )  # fmt: skip


def _name(start: int, starts: list[int]) -> str:
    return "pings" if len(starts) == 1 else f"start {start + 1}"


def _budget(view: View) -> tuple[Plot, ...]:
    """Return the uncertainty budget of a latency as bars: the figures of the account, not made twice."""
    evidence = view.evidence
    budget = latency_budget(evidence.clocks)
    if not budget.components:
        return ()
    at = np.arange(len(budget.components), dtype=np.float64)
    half = np.array([part.half_width / US for part in budget.components])
    standard = np.array([part.standard / US for part in budget.components])
    expanded, _ = expanded_ns(budget, evidence.slack_ns)
    worst = max(budget.components, key=lambda part: part.half_width)
    about = (
        f"Uncertainty of a one-way latency: worst case {short(evidence.slack_ns / US, 'us')}, "
        f"expanded {short(expanded / US, 'us')} (about {100 * COVERAGE:g} % of values), most of it from "
        f"{worst.name} ({short(worst.half_width / US, 'us')})."
    )
    names = tuple((float(place), part.name) for place, part in enumerate(budget.components))
    series = (
        Series("half width", at, half, "bars", "one"),
        Series("standard uncertainty", at, standard, "dots", "two", "diamond"),
    )
    return (
        Plot(
            "clocks-budget", "uncertainty budget of one-way latency", about, Axis("", ticks=names),
            Axis("uncertainty", "us", low=0), series,
            note="Half widths add up to the worst case that verdicts use (JCGM 100).",
        ),
    )  # fmt: skip


__all__ = ["draw"]

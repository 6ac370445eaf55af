"""How well are the devices' clocks known, and what does that leave open in a latency? Maps and a budget."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS, US, S
from harness.findings import Cell, Figure, Grid, Section
from harness.measure.clockmap import WANDER, ClockMap, Segment
from harness.measure.evidence import Evidence
from harness.stats.uncertainty import Budget, Component, resolution

COVERAGE: Final = 0.95
PPM: Final = 1e6
TITLE: Final = "Clocks"
MOST_ROWS: Final = 40
"""Starts of devices that a report lists, at most."""


def account(evidence: Evidence) -> Section | None:
    """Return each device's clock map and the uncertainty budget of a one-way latency; None if all is silent.

    The bound that verdicts use, `evidence.slack_ns`, is the sum of all half widths of the budget and of one
    microsecond for each of a latency's two stamps. Source of the budget's form: JCGM 100:2008, clauses 4.3,
    5.1 and 6.2.
    """
    if not any(len(evidence.heard[role].at_ns) for role in evidence.clocks):
        return None
    budget = latency_budget(evidence.clocks)
    expanded, capped = expanded_ns(budget, evidence.slack_ns)
    k = budget.coverage_factor(COVERAGE)
    figures = (
        Figure("combined standard uncertainty of a latency", budget.combined / US, "us"),
        Figure(
            "expanded uncertainty of a latency", expanded / US, "us",
            note="the bound: k times u is more" if capped else f"95 % of values, k = {k:.2f}",
        ),
        Figure("worst-case bound of a latency", evidence.slack_ns / US, "us", note="used by all verdicts"),
    )  # fmt: skip
    return Section("clocks", TITLE, figures, (_maps(evidence), _budget_grid(budget)), tuple(_notes(evidence)))


def latency_budget(clocks: Mapping[Role, ClockMap]) -> Budget:
    """Return the budget of receiver time less transmitter time, in ns, each clock at its worst segment.

    Components are independent and act one to one. Half the delay of an exchange is a limit whatever the two
    ways are like (RFC 5905 section 8), so rectangular; so are drift, misfit and the doubt about byte times.
    A step of a device's clock comes in twice: in the stamp of an exchange and in that of an event.
    """
    return Budget(tuple(part for role in DEVICES for part in _components(role, clocks[role])))


def expanded_ns(budget: Budget, bound_ns: int) -> tuple[float, bool]:
    """Return the expanded uncertainty in ns, and whether it is the bound because k * u would be more.

    k comes from a normal law. Where one rectangular component outweighs the others, k * u reaches beyond its
    limits, and the limits are certain (JCGM 100, G.2.2 and G.6.4).
    """
    expanded = budget.expanded(COVERAGE)
    return min(expanded, float(bound_ns)), expanded > bound_ns


def _components(role: Role, clock: ClockMap) -> Iterator[Component]:
    if not clock.segments:
        return
    worst = max(clock.segments, key=lambda segment: segment.bound_ns)
    parts, who = worst.parts, role.value
    source = "best exchange" if worst.how == "pings" else "time of arrival"
    for name, half in (
        (f"{who}: {source}", parts.exchange_ns),
        (f"{who}: byte times", parts.line_ns),
        (f"{who}: drift", parts.drift_ns),
        (f"{who}: misfit", parts.misfit_ns),
    ):
        if half:
            yield Component(name, "rectangular", half)
    if parts.resolution_ns:
        yield resolution(f"{who}: stamp of exchange", parts.resolution_ns)
        yield resolution(f"{who}: stamp of event", parts.resolution_ns)


def _budget_grid(budget: Budget) -> Grid:
    rows: list[tuple[Cell, ...]] = [
        (part.name, part.distribution, part.half_width / US, part.divisor, part.standard / US, 100 * share)
        for part, share in zip(budget.components, budget.shares(), strict=True)
    ]
    rows.append(("all together", "", budget.worst / US, None, budget.combined / US, 100.0 if rows else 0.0))
    heads = (
        "component", "distribution", "half width us", "divisor", "standard uncertainty us",
        "share of variance %",
    )  # fmt: skip
    return Grid(
        "Uncertainty budget of one-way latency", heads, tuple(rows),
        note="half widths add up as they are, standard uncertainties as squares (JCGM 100)",
    )  # fmt: skip


def _maps(evidence: Evidence) -> Grid:
    rows = [
        _map_row(role, number, segment)
        for role, clock in evidence.clocks.items()
        for number, segment in enumerate(clock.segments, start=1)
    ]
    left_out = f"; {len(rows) - MOST_ROWS} more starts are left out" if len(rows) > MOST_ROWS else ""
    heads = (
        "device", "start", "from", "pings answered", "best round trip us", "median us", "byte times us",
        "ahead of PC s", "runs fast ppm", "+- ppm", "bound us",
    )  # fmt: skip
    return Grid(
        "Clock maps", heads, tuple(rows[:MOST_ROWS]),
        note=f"offset and round trip as RFC 5905 section 8; ahead at the start's first node{left_out}",
    )  # fmt: skip


def _map_row(role: Role, number: int, segment: Segment) -> tuple[Cell, ...]:
    trips, offset, known = segment.trips, segment.offset_ns, segment.ticks and segment.how != "nothing"
    return (
        role.value, number, segment.how, trips.answered, _us(trips.best_ns), _us(trips.median_ns),
        _us(trips.byte_ns), None if offset is None else offset / S, segment.skew_ppm if known else None,
        segment.rate.error * PPM if known else None, segment.bound_ns / US,
    )  # fmt: skip


def _us(time_ns: int | None) -> float | None:
    return None if time_ns is None else time_ns / US


def _notes(evidence: Evidence) -> Iterator[str]:
    yield (
        f"Verdicts use the worst-case bound of {evidence.slack_ns / US:.1f} us, every component at its limit "
        "at once: what makes one way slower than the other puts all latencies out by the same and does not "
        "average out. The expanded uncertainty is for comparing benches; it is never more than the bound."
    )
    for role, clock in evidence.clocks.items():
        yield from _doubts(role.value, clock)


def _doubts(who: str, clock: ClockMap) -> Iterator[str]:
    """Tell what is out of the ordinary about a device's clock, in whole sentences."""
    bound = f"{clock.bound_ns / MS:.3g} ms"
    if clock.how == "nothing":
        yield f"The {who} sent no time stamp: nothing is known of its clock."
    elif not clock.ticks:
        yield (
            f"The {who}'s stamps do not go on with time: it has no clock that counts microseconds. Times are "
            f"those at which its messages came, less the shortest one's byte times, and may be {bound} out."
        )
    elif clock.how == "arrivals":
        yield (
            f"The {who} did not answer pings after each start: there its times rest on when messages came, "
            f"less their byte times, and may be {bound} out."
        )
    if len(clock.segments) > 1:
        yield f"The {who} started {len(clock.segments)} times: each start has a clock map of its own."
    misfit = max((segment.parts.misfit_ns for segment in clock.segments), default=0)
    if misfit:
        yield (
            f"The {who}'s clock does not run evenly: its stamps contradict each other by "
            f"{misfit / US:.1f} us, which is added to the bound."
        )
    wander = max((segment.rate.wander for segment in clock.segments), default=0.0)
    if wander > WANDER:
        yield f"The {who}'s clock may have changed its rate by {wander * PPM:.0f} ppm during the run."


__all__ = ["account", "expanded_ns", "latency_budget"]

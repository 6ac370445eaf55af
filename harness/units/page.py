"""What stands on a lot's page? The decision, the units in order, dots with intervals, the characteristic."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import takewhile
from typing import Final

import numpy as np

from harness.page.model import Block, Drawn, Facts, Folded, Mood, Page, Part, Points, Table, Words
from harness.plots.model import Axis, Floats, Plot, Rule, Series, Shape, Symbol, Tone
from harness.stats.sampling import SamplingPlan
from harness.units import telling, wording
from harness.units.decision import Decision
from harness.units.figures import Subject
from harness.units.lots import Unit
from harness.units.odd import Look
from harness.units.results import Results
from harness.verdict import Verdict

MOODS: Final[dict[Verdict, Mood]] = {
    Verdict.PASS: "good",
    Verdict.FAIL: "bad",
    Verdict.INCONCLUSIVE: "doubt",
}
INTERVAL_NOTE: Final = "Upright lines: the interval, where there is one, and the measurement uncertainty."
ROOM: Final = 0.06
"""Share of the upright axis left free at each end."""
LABELS_MOST: Final = 64
LABEL_GAP: Final = 2
"""Characters of units' names below the axis, with the gap between two: what fits without overlapping."""
CURVE_POINTS: Final = 101
CURVE_TO: Final = 0.5
"""The curve is drawn up to half of the lot; what lies beyond is no lot anybody would sample."""


def units_page(results: Results) -> Page:
    """Return the page."""
    lot, ranking, looks, decision = results.lot, results.ranking, results.looks, results.decision
    grid = telling.units_grid(ranking, looks)
    moods = tuple(MOODS[place.unit.verdict] for place in ranking.places)
    order: list[Block] = [
        Table(grid.title, grid.heads, grid.rows, moods=moods),
        Folded("How the order came about", (Points(tuple(wording.ranking_words(lot, ranking))),)),
    ]
    return Page(
        title=f"{lot.plan}: {wording.many(len(lot.units), 'unit')}",
        verdict=wording.HEADLINES[decision.verdict].capitalize(),
        mood=MOODS[decision.verdict],
        lead=wording.tally(decision).capitalize() + ".",
        parts=(
            Part("lot", "The lot", _lot(results)),
            Part("units", "Units in order", tuple(order)),
            Part("figures", "Figures", _figures(results)),
            *_limits(results),
        ),
        cautions=((wording.SIMULATED,) if lot.kind != "real" else ()) + tuple(wording.CAUTIONS),
    )


def _lot(results: Results) -> tuple[Block, ...]:
    lot, decision = results.lot, results.decision
    facts = (
        ("plan", f"{lot.plan}: {lot.title}"),
        ("units", f"{wording.many(len(lot.units), 'unit')}, {wording.many(lot.runs, 'run')}"),
        ("devices", f"{lot.kind}, {lot.packet_rate}"),
        ("sampling plan", wording.plan_words(decision.plan) if decision.plan else "too few units for any"),
    )
    blocks: list[Block] = [Facts(facts), Points(tuple(wording.decision_words(lot, decision)))]
    if decision.plan is not None:
        grid = telling.curve_grid(decision)
        drawn = Drawn(characteristic(decision, decision.plan))
        blocks += [drawn, Folded("The same as a table", (Table("", grid.heads, grid.rows),))]
    return tuple(blocks)


def _figures(results: Results) -> tuple[Block, ...]:
    lot, looks = results.lot, results.looks
    grid = telling.figures_grid(lot, looks)
    blocks: list[Block] = [Table(grid.title, grid.heads, grid.rows)]
    out = telling.stands_out(looks)
    blocks.append(Points(tuple(out)) if out else Words("No unit stands out."))
    units = tuple(place.unit for place in results.ranking.places)
    differing = [look for look in looks if len(_values(look, units)) > 1]
    blocks += [Drawn(dots(look, units)) for look in differing if look.odd or look.subject.limit is not None]
    rest = [Drawn(dots(look, units)) for look in differing if not look.odd and look.subject.limit is None]
    if rest:
        blocks.append(Folded("Figures without a limit in which no unit stands out", tuple(rest)))
    words = [*telling.untested(looks), *wording.looks_words(looks, len(units))]
    return (*blocks, Folded("How units that stand out were looked for", (Points(tuple(words)),)))


def _limits(results: Results) -> tuple[Part, ...]:
    lot = results.lot
    said = (*telling.left_out(lot, len(lot.left_out)), *lot.notes)
    return (Part("limits", "What this does not show", (Points(said),)),) if said else ()


def _values(look: Look, units: Sequence[Unit]) -> set[float]:
    key = look.subject.key
    return {unit.figures[key].value for unit in units if key in unit.figures}


def dots(look: Look, units: Sequence[Unit]) -> Plot:
    """Return one figure of all units, in the lot's order, as dots with intervals; shapes tell odd ones."""
    subject, (factor, word) = look.subject, _scale(look.subject)
    odd = {one.unit.name for one in look.odd}
    intervals = _intervals(subject, units, factor)
    series = [intervals] if intervals is not None else []
    series += _marks(subject, units, factor, odd)
    rules = _limit(subject, factor)
    start, ticks = unit_labels(units, [unit.name for unit in units if unit.name in odd or _failed(unit)])
    low, high = _reach([one.y for one in series], [rule.at for rule in rules])
    label = f"unit {start}..., in the order of the table" if start else "unit, in the order of the table"
    return Plot(
        key=f"units-{subject.key}",
        title=subject.title,
        about=_about(look, units),
        x=Axis(label, low=-0.5, high=len(units) - 0.5, ticks=ticks),
        y=Axis(subject.title, word, low=low, high=high),
        series=tuple(series),
        rules=rules,
        note=INTERVAL_NOTE if intervals is not None else "",
    )


def _marks(subject: Subject, units: Sequence[Unit], factor: float, odd: set[str]) -> Iterator[Series]:
    """Yield the dots, of another shape where a unit's run failed or the unit stands out."""
    kinds: tuple[tuple[str, Tone, Symbol, Callable[[Unit], bool]], ...] = (
        ("unit", "one", "circle", lambda unit: unit.name not in odd and not _failed(unit)),
        ("its run failed", "doubt", "square", lambda unit: unit.name not in odd and _failed(unit)),
        ("stands out", "bad", "diamond", lambda unit: unit.name in odd),
    )
    for name, tone, symbol, holds in kinds:
        places = [n for n, unit in enumerate(units) if subject.key in unit.figures and holds(unit)]
        if places:
            values = [units[n].figures[subject.key].value * factor for n in places]
            yield _series(name, places, values, "dots", tone, symbol)


def _limit(subject: Subject, factor: float) -> tuple[Rule, ...]:
    if subject.limit is None:
        return ()
    return (Rule(subject.limit * factor, "y", wording.told(subject, None).limit, "bad"),)


def _reach(rows: Sequence[Floats], limits: Sequence[float]) -> tuple[float, float]:
    """Return the ends of the upright axis, with room for marks at either end."""
    values = np.concatenate([*rows, np.array(limits, float)])
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    room = (high - low or abs(high) or 1.0) * ROOM
    return low - room, high + room


def unit_labels(units: Sequence[Unit], named: Iterable[str]) -> tuple[str, tuple[tuple[float, str], ...]]:
    """Return what all names begin with, and the rest of them as marks of the axis.

    Where they would overlap, some are left out, but never those of units that are in `named`.
    """
    start = _beginning([unit.short for unit in units])
    marks = [unit.short[len(start) :] or unit.short for unit in units]
    wanted = set(named)
    step = -(-sum(len(mark) + LABEL_GAP for mark in marks) // LABELS_MOST)
    must = {n for n, unit in enumerate(units) if unit.name in wanted}
    crowded = {n + side for n in must for side in (-1, 1)} if step > 1 else set()
    kept = [n for n in range(len(units)) if n in must or (n % step == 0 and n not in crowded)]
    return start, tuple((float(n), marks[n]) for n in kept)


def _beginning(names: Sequence[str]) -> str:
    """Return what all names begin with, up to the last character of it that is no letter and no digit."""
    same = list(takewhile(lambda chars: len(set(chars)) == 1, zip(*names, strict=False)))
    while same and same[-1][0].isalnum():
        same.pop()
    return "".join(chars[0] for chars in same)


def _failed(unit: Unit) -> bool:
    return unit.verdict is Verdict.FAIL


def _scale(subject: Subject) -> tuple[float, str]:
    """Return with what a figure's values are multiplied for the axis, and the unit there."""
    if subject.unit == "share":
        return 100.0, "%"
    return (1e-6, "ms") if subject.unit == "ns" else (1.0, subject.unit)


def _intervals(subject: Subject, units: Sequence[Unit], factor: float) -> Series | None:
    """Return an upright line for each unit of which more than a value is known, None without any."""
    xs: list[float] = []
    ys: list[float] = []
    for place, unit in enumerate(units):
        found = unit.figures.get(subject.key)
        if found is None:
            continue
        below, above = ((half or 0.0) + found.uncertainty for half in (found.below, found.above))
        if below + above > 0:
            low = found.value - below
            xs += [place, place, place]
            ys += [
                (max(0.0, low) if found.value >= 0 else low) * factor,
                (found.value + above) * factor,
                math.nan,
            ]
    return _series("interval", xs, ys, "line", "muted", "bar") if xs else None


def _series(
    name: str, xs: Sequence[float], ys: Sequence[float], shape: Shape, tone: Tone, symbol: Symbol
) -> Series:
    keep = np.ones(len(xs), dtype=np.bool_)
    return Series(name, np.array(xs, float), np.array(ys, float), shape, tone, symbol, keep=keep)


def _about(look: Look, units: Sequence[Unit]) -> str:
    values = sorted(u.figures[look.subject.key].value for u in units if look.subject.key in u.figures)
    ends = [wording.value_words(look.subject, value) for value in (values[0], values[-1])]
    limit = wording.told(look.subject, None).limit
    out = wording.listed([one.unit.short for one in look.odd]) if look.odd else "no unit"
    return (
        f"{look.subject.title} of {wording.many(len(values), 'unit')}: from {ends[0]} to {ends[1]}"
        f"{f', limit {limit}' if limit else ''}; {out} {'stand' if len(look.odd) > 1 else 'stands'} out."
    )


def characteristic(decision: Decision, plan: SamplingPlan) -> Plot:
    """Return the operating characteristic with both risks marked."""
    asked, curve = decision.asked, decision.curve
    assert curve is not None
    shares = _curve_shares(plan)
    ys = [100 * plan.accepts(share) for share in shares]
    marks = [(100 * share, 100 * plan.accepts(share)) for share in (curve.kept, curve.let_through)]
    points = ", ".join(f"{wording.share(y / 100)} at {wording.share(x / 100)} bad units" for x, y in marks)
    rules = [
        Rule(100 * curve.let_through, "x", f"{wording.share(curve.let_through)} bad", "bad"),
        Rule(100 * asked.consumer, "y", f"consumer's risk {wording.share(asked.consumer)}"),
    ]
    if asked.limit is not None:
        rules.append(Rule(100 * asked.limit, "x", f"limiting quality {wording.share(asked.limit)}", "doubt"))
    return Plot(
        key="characteristic",
        title="Operating characteristic",
        about="Probability that a lot is accepted, by the share of bad units in it, for "
        f"{wording.plan_words(plan)}: {points}.",
        x=Axis("bad units in the lot", "%", low=0, high=100 * max(shares)),
        y=Axis("lots accepted", "%", low=0, high=100),
        series=(
            _series("accepted", [100 * share for share in shares], ys, "line", "one", "circle"),
            _series("risks", [x for x, _ in marks], [y for _, y in marks], "dots", "two", "diamond"),
        ),
        rules=tuple(rules),
    )  # fmt: skip


def _curve_shares(plan: SamplingPlan) -> list[float]:
    """Return shares to draw: of a known lot those that it can have."""
    even = [CURVE_TO * n / (CURVE_POINTS - 1) for n in range(CURVE_POINTS)]
    if plan.lot is None:
        return even
    return sorted({min(plan.lot, round(share * plan.lot)) / plan.lot for share in even})

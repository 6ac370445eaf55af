"""How are times spread? Shares within a time and beyond it, bins, and the lines that a reader looks for.

What is lost is infinitely late: it counts in every share and is never within any time, so that the shares end
below 100 % (RFC 7679 section 5). Of what is unknown, both ends are drawn as a band.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from harness.clock import MS
from harness.findings import percent
from harness.measure.arrays import Floats, Ints
from harness.measure.delivery import LOST_NS
from harness.measure.latency import delay_median, delay_percentile
from harness.measure.percentiles import Samples, percentile_limits
from harness.plots.model import Axis, Plot, Rule, Series
from harness.plots.words import short, short_ms, to

CONFIDENCE: Final = 0.95
PERCENTILES: Final = (0.5, 0.9, 0.95, 0.99)
BINS_LEAST, BINS_MOST = 8, 120
LIMITS: Final = f"limits of a percentile, {percent(CONFIDENCE)} each"
NOTHING: Final = 1e-9
FARTHEST: Final = 2
"""A limit further out than so many times the latest would squeeze the bins."""


class Limit(NamedTuple):
    """A limit of the plan: in ns, with a few words about what it limits."""

    at_ns: int
    words: str


class Spread(NamedTuple):
    """Times that are to be shown: `what` in the singular, `bound_ns` what clocks leave open, the limits."""

    key: str
    title: str
    what: str
    samples: Samples
    bound_ns: int
    limits: tuple[Limit, ...]


class Percent(NamedTuple):
    """A percentile in ns with both one-sided limits; `LOST_NS` is without end."""

    share: float
    value_ns: int
    lower_ns: int
    upper_ns: int


def percentiles(spread: Spread) -> tuple[Percent, ...]:
    """Return the percentiles that the account of a run has, with the same limits."""
    known = spread.samples.ordered_ns
    if not len(known):
        return ()
    limits = percentile_limits(spread.samples, PERCENTILES, CONFIDENCE)
    found = []
    for share, (lower, upper) in zip(PERCENTILES, limits, strict=True):
        value = delay_median(known) if share == 0.5 else delay_percentile(known, share)
        assert value is not None
        found.append(Percent(share, value, *widened(lower, upper, spread.bound_ns)))
    return tuple(found)


def widened(lower_ns: int, upper_ns: int, bound_ns: int) -> tuple[int, int]:
    """Return both limits with what clocks leave open; one that is without end stays so."""
    low, high = lower_ns >= LOST_NS, upper_ns >= LOST_NS
    return LOST_NS if low else max(0, lower_ns - bound_ns), LOST_NS if high else upper_ns + bound_ns


def within(ordered_ns: Ints, count: int) -> tuple[Ints, Floats]:
    """Return the different times and the share of `count` that is at most each, in per cent.

    `ordered_ns` ascends, without what is lost. RFC 2330 section 11.3.
    """
    last = np.flatnonzero(np.append(np.diff(ordered_ns) > 0, [True])[: len(ordered_ns)])
    return ordered_ns[last], np.asarray((last + 1) * (100 / max(1, count)), dtype=np.float64)


def bins(times_ns: Ints) -> tuple[Floats, Ints]:
    """Return the edges in ms and the counts of equal bins by Freedman and Diaconis, a bounded number.

    Width = 2 (75th - 25th percentile) / n^(1/3); "On the histogram as a density estimator", 1981.
    """
    if not len(times_ns):
        return np.zeros(0), np.zeros(0, dtype=np.int64)
    low, high = float(times_ns.min()) / MS, float(times_ns.max()) / MS
    quarters = np.partition(times_ns, (len(times_ns) // 4, 3 * len(times_ns) // 4))
    spread = float(quarters[3 * len(times_ns) // 4] - quarters[len(times_ns) // 4]) / MS
    width = 2 * spread / len(times_ns) ** (1 / 3)
    wanted = math.ceil((high - low) / width) if width > 0 else BINS_MOST
    count = min(BINS_MOST, max(BINS_LEAST, wanted))
    edges = np.linspace(low, high, count + 1) if high > low else np.array([low - 0.5, low + 0.5])
    place = np.searchsorted(edges, times_ns / MS, side="right") - 1
    return edges, np.bincount(np.clip(place, 0, len(edges) - 2), minlength=len(edges) - 1)


def draw(spread: Spread) -> tuple[Plot, ...]:
    """Return the shares within a time, those beyond it, and the bins; none without a single sample."""
    samples = spread.samples
    if not len(samples):
        return ()
    known = samples.ordered_ns
    arrived = known[: int(np.searchsorted(known, LOST_NS))]
    found = percentiles(spread)
    about = _about(spread, found, len(known) - len(arrived))
    if not len(arrived):
        return (_empty(spread, about),)
    rules, lost = _rules(spread, found), 100 - 100 * len(arrived) / len(known)
    never = short(lost, "%") + " never arrive in time"
    above, below = ((Rule(at, "y", never, "bad"),) if lost else () for at in (100 - lost, lost))
    times, share = within(arrived, len(known))
    return (
        _within(spread, times, share, found, (*rules, *above)),
        _beyond(spread, times, share, (*rules, *below), about),
        _histogram(spread, arrived, rules, about),
    )


def _within(
    spread: Spread, times: Ints, share: Floats, found: Sequence[Percent], rules: tuple[Rule, ...]
) -> Plot:
    """Return the share within a time, with the percentiles' limits; it ends where the latest arrived."""
    samples = spread.samples
    known = samples.ordered_ns
    lost = len(known) - int(np.searchsorted(known, LOST_NS))
    cdf = Series(
        f"share of {spread.what}s", np.concatenate((times[:1], times, times[-1:])) / MS,
        np.concatenate(([0.0], share, share[-1:])), "steps",
    )  # fmt: skip
    return Plot(
        f"{spread.key}-within", f"{spread.title}: share within a time", _about(spread, found, lost),
        Axis(spread.title, "ms"), Axis(f"{spread.what}s within this time", "%", low=0, high=100),
        (*_doubt(spread, len(samples)), cdf, *intervals(found, int(times[-1]))), (), rules,
        _lost_note(len(known), lost, samples.unknown, spread.what),
    )  # fmt: skip


def _beyond(spread: Spread, times: Ints, share: Floats, rules: tuple[Rule, ...], about: str) -> Plot:
    """Return the share that takes longer, on a log axis: what is lost never falls below its share."""
    beyond = np.concatenate(([100.0], 100 - share))
    at = np.concatenate(([0], times)) / MS
    if beyond[-1] <= NOTHING:  # nothing is beyond the latest: the line ends there
        beyond[-1] = beyond[-2]
    series = Series(f"share of {spread.what}s", at, beyond, "steps")
    return Plot(
        f"{spread.key}-beyond", f"{spread.title}: share that takes longer", about,
        Axis(spread.title, "ms"), Axis(f"{spread.what}s beyond this time", "%", log=True, high=100),
        (series,), (), rules, "It ends at the share that never arrives." if share[-1] < 100 - NOTHING else "",
    )  # fmt: skip


def _histogram(spread: Spread, arrived: Ints, rules: tuple[Rule, ...], about: str) -> Plot:
    edges, counts = bins(arrived)
    middle = (edges[1:] + edges[:-1]) / 2
    series = Series(f"{spread.what}s", middle, counts.astype(np.float64), "bars")
    rules = tuple(rule for rule in rules if rule.at <= FARTHEST * edges[-1])
    return Plot(
        f"{spread.key}-bins", f"{spread.title}: how many took how long", about, Axis(spread.title, "ms"),
        Axis(f"{spread.what}s in a bin", low=0), (series,), (), rules,
        f"Bins of {short_ms((edges[1] - edges[0]) * MS)}, by Freedman and Diaconis.",
    )  # fmt: skip


def _doubt(spread: Spread, count: int) -> tuple[Series, ...]:
    """Return the band in which the shares lie, whatever became of what is unknown."""
    samples = spread.samples
    if not samples.unknown:
        return ()
    late, soon = np.sort(samples.high_ns), np.sort(samples.low_ns)
    at = np.unique(np.concatenate((late[late < LOST_NS], soon[soon < LOST_NS])))
    surely = np.searchsorted(late, at, side="right").astype(np.float64)
    perhaps = np.searchsorted(soon, at, side="right").astype(np.float64) + samples.unplaced
    return (
        Series(
            "open, reports are missing",
            at / MS,
            surely / count * 100,
            "band",
            "doubt",
            high=perhaps / count * 100,
        ),
    )


def _rules(spread: Spread, found: Sequence[Percent]) -> tuple[Rule, ...]:
    rules = [
        Rule(one.value_ns / MS, "x", f"p{100 * one.share:g} {short_ms(one.value_ns)}")
        for one in found
        if one.value_ns < LOST_NS
    ]
    known = spread.samples.ordered_ns
    last = int(known[int(np.searchsorted(known, LOST_NS)) - 1])
    rules.append(Rule(last / MS, "x", f"latest {short_ms(last)}"))
    rules += [Rule(limit.at_ns / MS, "x", limit.words, "bad") for limit in spread.limits]
    return tuple(rules)


def intervals(found: Sequence[Percent], end_ns: int) -> tuple[Series, ...]:
    """Return a mark for each percentile and a line between its limits; one without end goes to `end_ns`."""
    lines = []
    for one in found:
        if one.lower_ns >= LOST_NS:
            continue
        ends = one.lower_ns, max(end_ns, one.lower_ns) if one.upper_ns >= LOST_NS else one.upper_ns
        share = np.full(2, 100 * one.share)
        lines.append(Series(LIMITS, np.array(ends) / MS, share, "line", "two"))
    inner = [one for one in found if one.value_ns < LOST_NS]
    at = np.array([one.value_ns for one in inner], dtype=np.float64) / MS
    share = np.array([100 * one.share for one in inner])
    keep = np.ones(len(inner), dtype=np.bool_)
    return (*lines, Series("percentile", at, share, "dots", "two", "diamond", keep=keep))


def _about(spread: Spread, found: Sequence[Percent], lost: int) -> str:
    told = [
        f"p{100 * one.share:g} {short_ms(one.value_ns)} "
        f"({to(short_ms(one.lower_ns), short_ms(one.upper_ns))})"
        for one in found
    ]
    words = f"{spread.title} of {len(spread.samples)} {spread.what}s: {', '.join(told)}"
    words += f"; {lost} lost" if lost else "; none lost"
    if unknown := spread.samples.unknown:
        words += f", {unknown} unknown"
    return words + "".join(f"; {limit.words}" for limit in spread.limits) + "."


def _lost_note(known: int, lost: int, unknown: int, what: str) -> str:
    notes = [f"{lost} of {known} {what}s never arrived in time: the line ends below 100 %."] if lost else []
    notes += (
        [f"Of {unknown} {what}s reports are missing; the band shows what that leaves open."]
        if unknown
        else []
    )
    return " ".join(notes)


def _empty(spread: Spread, about: str) -> Plot:
    return Plot(
        f"{spread.key}-within", f"{spread.title}: share within a time", about, Axis(spread.title, "ms"),
        Axis(f"{spread.what}s within this time", "%"), (), note=f"No {spread.what} is known to have arrived.",
    )  # fmt: skip


__all__ = [
    "BINS_LEAST", "BINS_MOST", "Limit", "Percent", "Spread", "bins", "draw", "intervals", "percentiles",
    "widened", "within",
]  # fmt: skip

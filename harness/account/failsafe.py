"""How soon does failsafe come, and by what? Times over all cuts, tolerance bounds, timer or counter."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.clock import MS, US
from harness.findings import Cell, Figure, Grid, Section, percent
from harness.measure.arrays import Floats
from harness.measure.evidence import Evidence
from harness.measure.failsafe import CutEntry, Entry, failsafe_entries
from harness.measure.failsafe_timing import FEWEST, Keeping, Timekeeping, failsafe_timing, tell_timekeeping
from harness.stats.binomial import share_below_largest, success_run, tolerance_rank

SHARE: Final = 0.95
CONFIDENCE: Final = 0.95
QUANTILES: Final = (0.5, 0.9, 0.95)
_TIMED: Final = (Entry.ENGAGED, Entry.NEVER, Entry.UNKNOWN)
_WORDS: Final = {
    Keeping.TIMER: "the receiver goes by a timer",
    Keeping.TASK: "the receiver goes by a timer that it looks at every {tick}",
    Keeping.FRAMES: "the receiver counts its own frames of {tick}, or looks once in each of them",
    Keeping.PACKETS: "the receiver counts packet periods: a slower packet rate delays its failsafe",
    Keeping.UNTOLD: "by what the receiver goes cannot be told",
}


def account(evidence: Evidence) -> Section | None:
    """Return the section, or None if no cut was made by silence; other ways would blur the times."""
    every = failsafe_entries(evidence, evidence.plan.link.failsafe.within_ns)
    entries = [entry for entry in every if entry.cut.way == "silence"]
    if not entries:
        return None
    usual = [entry for entry in entries if entry.entry in _TIMED and not entry.other_rate]
    timing = failsafe_timing(evidence, entries)
    told = tell_timekeeping(timing, evidence.plan.link.packet_period_ns / US)
    figures = [
        Figure("cuts by silence", len(entries)),
        Figure("timed at the link's packet rate", len(usual)),
        *_figures("after the last packet", _times(usual, since_cut=False)),
        *_figures("after the cut", _times(usual, since_cut=True)),
    ]
    grids = [_distribution(usual), *_other_rates(entries), *_hypotheses(told)]
    return Section("failsafe", "Failsafe timing", tuple(figures), tuple(grids), _notes(usual, told))


def _times(entries: Sequence[CutEntry], *, since_cut: bool) -> Floats:
    """Return times in ms, rising; a cut whose failsafe did not come, or is hidden, counts as infinite.

    Left out are those since a last packet that is not known: after messages that are missing there may have
    been a later one. Nothing that is missing can shorten the time since the cut.
    """
    known = [entry for entry in entries if since_cut or not entry.may_be_shorter]
    times = [
        math.inf if entry.entry is not Entry.ENGAGED else entry.after_cut_ns if since_cut else entry.entry_ns
        for entry in known
    ]
    return np.sort(np.array(times, dtype=np.float64)) / MS


def _figures(name: str, times: Floats) -> list[Figure]:
    if not len(times):
        return []
    rank = tolerance_rank(len(times), SHARE, CONFIDENCE)
    over = f"over {len(times)} cut{'s' if len(times) > 1 else ''}"
    figures = [Figure(f"latest {name}", _finite(times[-1]), "ms", note=over)]
    if rank is not None:
        note = "the latest" if rank == len(times) else f"all but the {len(times) - rank} latest"
        note = f"Wilks; {note}"
        bound = _finite(times[rank - 1])
        figures.append(
            Figure(f"{percent(SHARE)} of cuts, {name}", bound, "ms", (None, bound), CONFIDENCE, note)
        )
    return figures


def _finite(time: float) -> float | None:
    return float(time) if math.isfinite(time) else None


def _distribution(entries: Sequence[CutEntry]) -> Grid:
    rows = tuple(
        _row(name, _times(entries, since_cut=since_cut))
        for name, since_cut in (("after the last packet", False), ("after the cut", True))
    )
    heads = ("ms", "cuts", "least", *(percent(share) for share in QUANTILES), "most", "bound 95/95")
    note = "percentiles by RFC 2330 section 11.3; the bound holds for 95 % of cuts at 95 % confidence"
    return Grid("Time to failsafe", heads, rows, note)


def _row(name: str, times: Floats) -> tuple[Cell, ...]:
    if not len(times):
        return (name, 0, *(None for _ in QUANTILES), None, None, None)
    ranks = [max(1, math.ceil(share * len(times))) for share in QUANTILES]
    rank = tolerance_rank(len(times), SHARE, CONFIDENCE)
    bound = "too few cuts" if rank is None else _shown(times[rank - 1])
    shown = [_shown(times[place - 1]) for place in (1, *ranks, len(times))]
    return (name, len(times), *shown, bound)


def _shown(time: float) -> Cell:
    return round(float(time), 3) if math.isfinite(time) else "never seen"


def _other_rates(entries: Sequence[CutEntry]) -> list[Grid]:
    others = [entry for entry in entries if entry.other_rate]
    if not others:
        return []
    rows = (_row("after the last packet", _times(others, since_cut=False)),)
    heads = ("ms", "cuts", "least", *(percent(share) for share in QUANTILES), "most", "bound 95/95")
    return [
        Grid("At another packet rate", heads, rows, "not judged: the declared time is for the link's rate")
    ]


def _hypotheses(told: Timekeeping) -> list[Grid]:
    rows = tuple((one.name.value, one.asks, one.shows, one.word) for one in told.tested)
    if not rows:
        return []
    return [Grid("By what the receiver goes", ("by", "asks for", "seen", "so it"), rows)]


def _notes(entries: Sequence[CutEntry], told: Timekeeping) -> tuple[str, ...]:
    tick = "" if told.tick_us is None else f"{round(told.tick_us / 1000, 3):g} ms"
    notes = [
        f"{_WORDS[told.keeping].format(tick=tick)}: {told.why}".replace(
            "cannot be told: ", "cannot be told, "
        )
    ]
    if told.keeping is Keeping.UNTOLD and told.tested:
        notes.append(f"{FEWEST} cuts or more with `packet_rate` at half the link's rate would tell more")
    if unsure := sum(entry.may_be_shorter for entry in entries):
        notes.append(
            f"of {unsure} cut{'s' if unsure > 1 else ''} the last packet is not known, for messages of the "
            "receiver are missing: the time since it is left out"
        )
    timed = len(_times(entries, since_cut=False))
    needed = success_run(SHARE, CONFIDENCE)
    if 0 < timed < needed:
        share = share_below_largest(timed, CONFIDENCE)
        notes.append(
            f"the latest of {timed} cuts covers {percent(round(share, 3))} of cuts at "
            f"{percent(CONFIDENCE)} confidence; "
            f"{needed} cuts make it {percent(SHARE)}"
        )
    notes.append("a cut comes up to one packet period after the last packet, so the time since it is shorter")
    return tuple(notes)

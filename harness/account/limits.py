"""How far could the link be pushed? The section with every trial, the longest bursts and the recoveries."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.clock import MS
from harness.findings import Figure, Grid, Section
from harness.measure.evidence import Evidence
from harness.measure.restored import Recovery, after_overload, after_restarts
from harness.measure.spans import limit_steps
from harness.measure.trials import (
    BackToBack,
    Open,
    Throughput,
    Trial,
    corrected_buffer_s,
    find_back_to_back,
    find_throughput,
    implied_buffer_s,
    read_trials,
)
from harness.plan.trials import Outcome
from harness.stats.bursts import share_limits

CONFIDENCE: Final = 0.95
MOST_ROWS: Final = 60
"""Rows of a table; what is beyond is counted in a note."""
OPEN: Final[dict[Open, str]] = {
    "": "",
    "bench": "at least: the serial lines can report no more",
    "void": "at least: lost serial messages or a restart spoilt the trials above",
    "refused": "at least: the transmitter takes no more",
    "plan": "at least: the plan asks for no more",
}


EXPLAINED: Final[dict[Outcome, str]] = {
    Outcome.SLOW: "slow: the transmitter sent fewer packets than the rate asks for; it cannot keep it.",
    Outcome.VOID: "void: serial messages are missing, or a device started anew, so the trial tells nothing.",
    Outcome.REFUSED: "refused: the transmitter does not take the command.",
}


def account(evidence: Evidence) -> Section | None:
    """Return the section on limits; None for a plan without steps that search them or restart a device.

    Loss is the frame loss rate of RFC 2544 section 26.3, throughput and recovery those of sections 26.1, 26.5
    and 26.6, buffer times those of RFC 9004 section 6.4, all with the packet as the frame.
    """
    trials = read_trials(evidence)
    recoveries = (*after_overload(evidence, trials), *after_restarts(evidence))
    if not trials and not recoveries:
        return None
    rates = find_throughput(evidence, trials)
    bursts = find_back_to_back(evidence, trials)
    grids = (_rates(trials), _bursts(bursts), _recovered(recoveries))
    return Section(
        key="limits",
        title="Limits of the link",
        figures=(*_rate_figures(rates), *_burst_figures(bursts, rates)),
        grids=tuple(grid for grid in grids if grid is not None),
        notes=(*_notes(evidence, trials), *_nothing_lost(recoveries)),
    )


def _rate_figures(found: Throughput | None) -> tuple[Figure, ...]:
    if found is None:
        return ()
    best, bad = found.best, found.bad
    low = best.rate_mhz / 1000 if best else None
    high = bad.rate_mhz / 1000 if bad else None
    figures = [Figure("throughput", low, "Hz", (low, high), note=OPEN[found.open_end] or "RFC 2544 26.1")]
    if best is not None:
        lower = share_limits(best.fates.lost, CONFIDENCE).lower
        share = 100.0 * (best.sent - best.lost) / best.sent if best.sent else None
        figures.append(Figure("delivery at that rate", share, "%", (100 * lower, None), CONFIDENCE))
    return tuple(figures)


def _burst_figures(found: BackToBack | None, rates: Throughput | None) -> tuple[Figure, ...]:
    if found is None:
        return ()
    lengths = [float(one.packets) for one in found.longest]
    same = "all the same" if min(lengths) == max(lengths) else "shortest to longest"
    why = next((OPEN[one.open_end] for one in found.longest if one.open_end), "")
    figures = [
        Figure("longest burst, mean", found.average, "packets", (min(lengths), max(lengths)),
               note=why or f"{len(lengths)} searches, {same}"),
        Figure("longest burst, standard deviation", found.deviation, "packets"),
    ]  # fmt: skip
    if found.rate_hz is None:
        return tuple(figures)
    figures.append(Figure("back-to-back rate", found.rate_hz, "Hz"))
    implied = implied_buffer_s(found.average, found.rate_hz)
    figures.append(Figure("implied buffer time", implied * 1000, "ms", note="RFC 9004 6.4"))
    if rates is not None and rates.best is not None:
        corrected = corrected_buffer_s(implied, rates.best.rate_mhz / 1000, found.rate_hz)
        open_end = "a bound only: a search was not exhausted" if why or rates.open_end else "RFC 9004 6.4"
        figures.append(Figure("corrected buffer time", corrected * 1000, "ms", note=open_end))
    return tuple(figures)


def _rates(trials: Sequence[Trial]) -> Grid | None:
    chosen = [one for one in trials if one.what in ("search", "final", "overload")]
    if not chosen:
        return None
    rows = tuple(
        (one.number, one.what, one.rate_mhz / 1000, one.achieved_mhz / 1000 if one.achieved_mhz else None,
         one.sent, one.lost, one.loss_percent,
         one.unknown or None, one.outcome.value)
        for one in chosen[:MOST_ROWS]
    )  # fmt: skip
    heads = ("trial", "kind", "rate, Hz", "as sent, Hz", "sent", "lost", "loss, %", "unknown", "came to")
    return Grid("Trials at a packet rate", heads, rows, _left_out(len(chosen)))


def _bursts(found: BackToBack | None) -> Grid | None:
    if found is None:
        return None
    rows = tuple(
        (one.repeat, one.packets, "or more" if one.open_end else "") for one in found.longest[:MOST_ROWS]
    )
    return Grid("Longest whole burst", ("search", "packets", ""), rows, _left_out(len(found.longest)))


def _recovered(recoveries: Sequence[Recovery]) -> Grid | None:
    if not recoveries:
        return None
    rows = tuple(
        (one.what, None if one.time_ns is None else one.time_ns / MS, one.bound_ns / MS,
         len(one.lost_ns), len(one.sent_ns), one.watched_ns / MS, one.pushed_lost if one.pushed else None)
        for one in recoveries[:MOST_ROWS]
    )  # fmt: skip
    heads = ("after", "took, ms", "+- ms", "lost", "sent", "watched, ms", "lost in it")
    return Grid("Recoveries", heads, rows, _left_out(len(recoveries)))


def _left_out(rows: int) -> str:
    return f"{rows - MOST_ROWS} more are not shown" if rows > MOST_ROWS else ""


def _notes(evidence: Evidence, trials: Sequence[Trial]) -> tuple[str, ...]:
    notes = []
    methods = sorted({step.action.method for step in limit_steps(evidence.plan).values()})  # type: ignore[union-attr]
    if methods:
        notes.append(f"Method: {', '.join(methods)}; a frame is a radio packet.")
    outcomes = {one.outcome for one in trials}
    notes += [words for outcome, words in EXPLAINED.items() if outcome in outcomes]
    differ = [one for one in trials if one.live and one.live != one.outcome]
    if differ:
        said = "; ".join(f"trial {one.number}: {one.outcome.value}" for one in differ[:5])
        notes.append(
            f"{len(differ)} of {len(trials)} trials came out otherwise on record than while they ran, and "
            f"the record rules ({said})."
        )
    return tuple(notes)


def _nothing_lost(recoveries: Sequence[Recovery]) -> tuple[str, ...]:
    """Say so if no overload lost a packet: its recovery shows nothing then."""
    pushed = [one for one in recoveries if one.pushed]
    if not pushed or any(one.pushed_lost or len(one.lost_ns) or one.unknown for one in pushed):
        return ()
    count = f"{len(pushed)} overload{'s' if len(pushed) > 1 else ''}"
    return (f"No packet was lost in {count}: there was nothing to recover from.",)


__all__ = ["account"]

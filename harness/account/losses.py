"""How did packets get lost? Runs, the tests of independence, a two-state fit, and the strongest rhythm."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Final

import numpy as np

from harness.clock import MS
from harness.findings import Cell, Figure, Grid, Section
from harness.measure.arrays import Flags
from harness.measure.evidence import Evidence
from harness.measure.losses import NONE, LossPeriod, LossRuns, LossSeries, loss_period, loss_runs, loss_series
from harness.stats import runs as stats

CONFIDENCE: Final = 0.95
FALSE_ALARM: Final = 0.001
LONGEST_SHOWN: Final = 12
LAGS: Final = 10
LIKELY: Final = 0.05
FEWEST: Final = 10
"""Fewest losses of which independence is worth a word."""


def account(evidence: Evidence) -> Section | None:
    """Return the section, or None if no packet's fate counts."""
    series = loss_series(evidence)
    known = series.lost[series.known]
    if not len(known):
        return None
    runs = loss_runs(series)
    figures = [*_counts(series, known), *_runs(runs, known)]
    grids: list[Grid] = []
    notes = ["cuts, restarts and steps that lose packets on purpose are left out; no run goes across them"]
    if known.any():
        period = loss_period(evidence, series)
        figures += [*_rfc(known), *_independence(known), *_two_states(series, known), *_period(period)]
        grids = [_lengths(runs, known), *_lags(known)]
        notes += _notes(known, period)
    return Section("losses", "Loss pattern", tuple(figures), tuple(grids), tuple(notes))


def _counts(series: LossSeries, known: Flags) -> list[Figure]:
    lost = int(known.sum())
    figures = [
        Figure("packets", len(series)),
        Figure("lost", lost, note="applied late counts as lost"),
        Figure("loss ratio", 100 * lost / len(known), "%", note="RFC 7680"),
    ]
    if not known.all() and series.unknown.any():
        figures.append(Figure("of unknown fate", int(series.unknown.sum()), note="reports are missing"))
    return figures


def _runs(runs: LossRuns, known: Flags) -> list[Figure]:
    if not len(runs.length):
        return []
    gaps = runs.gap_ns[runs.gap_ns != NONE]
    figures = [
        Figure("loss periods", len(runs.length), note="RFC 3357"),
        Figure("longest run", int(runs.length.max()), "packets"),
    ]
    if runs.longest_possible > runs.length.max():
        figures.append(Figure("longest run if all unknown were lost", runs.longest_possible, "packets"))
    if len(gaps):
        figures.append(
            Figure("longest gap over losses", int(gaps.max()) / MS, "ms", note="between applied packets")
        )
    ratio = stats.burst_ratio(known)
    figures.append(Figure("mean run", float(runs.length.mean()), "packets"))
    figures.append(Figure("burst ratio", ratio, note="1 for independent losses, more for bursts"))
    return figures


def _rfc(known: Flags) -> list[Figure]:
    rate = stats.noticeable_rate(known)
    found = stats.bursts_and_gaps(known)
    figures = [
        Figure(
            "noticeable loss rate", None if rate is None else 100 * rate, "%",
            note=f"RFC 3357, within {stats.DELTA} packets of another loss",
        ),
        Figure("bursts", len(found.bursts), note=f"RFC 3611, Gmin {stats.GAP_LEAST}"),
    ]  # fmt: skip
    between = stats.between_periods(known)[1:]
    if len(between):
        figures.append(
            Figure("shortest way from one loss period to the next", int(between.min()), "packets",
                   note="RFC 3357 section 6.4")
        )  # fmt: skip
    if found.burst_density is not None:
        figures.append(
            Figure("lost in bursts", 100 * found.burst_density, "%", note="RFC 3611 burst density")
        )
    if found.gap_density is not None:
        figures.append(Figure("lost in gaps", 100 * found.gap_density, "%", note="RFC 3611 gap density"))
    return figures


def _independence(known: Flags) -> list[Figure]:
    test = stats.run_test(known)
    if test is None:
        return []
    return [
        Figure("run test z", test.z, note=f"{test.runs} runs, {test.expected:.1f} if independent"),
        Figure("run test p", test.p_value, note="Wald-Wolfowitz, two-sided, normal approximation"),
        Figure("chance of as few runs", test.p_clustered, note="exact; small: losses cluster"),
    ]


def _two_states(series: LossSeries, known: Flags) -> list[Figure]:
    fit = stats.fit_two_states(known, CONFIDENCE, series.joined)
    if fit is None:
        return []
    begins = tuple(100 * end for end in fit.begins_within)
    ends = tuple(100 * end for end in fit.ends_within)
    long_run = None if fit.loss is None else 100 * fit.loss
    return [
        Figure("a burst begins", 100 * fit.begins, "% of packets", (begins[0], begins[1]), CONFIDENCE, "p"),
        Figure("a burst ends", 100 * fit.ends, "% of packets", (ends[0], ends[1]), CONFIDENCE, "r"),
        Figure(
            "mean burst by the fit", fit.mean_burst, "packets",
            (_over(fit.ends_within[1]), _over(fit.ends_within[0])), CONFIDENCE, "1 / r",
        ),
        Figure(
            "mean gap by the fit", fit.mean_gap, "packets",
            (_over(fit.begins_within[1]), _over(fit.begins_within[0])), CONFIDENCE, "1 / p",
        ),
        Figure("loss in the long run", long_run, "%", note="p / (p + r), two-state chain"),
        Figure("correlation by the fit", fit.correlation, note="1 - p - r, one packet to the next"),
    ]  # fmt: skip


def _over(chance: float) -> float | None:
    return 1 / chance if chance > 0 else None


def _period(period: LossPeriod) -> list[Figure]:
    found = period.found
    if not found.trials:
        return []
    figures = [
        Figure(
            "rhythm p", found.p_value, note=f"corrected for {found.trials} trial periods, in ms and packets"
        )
    ]
    if found.p_value >= LIKELY:
        return figures
    phase = period.phase / MS if period.of == "time" else period.phase
    return [
        *figures,
        Figure("period", period.period_ns / MS, "ms"),
        Figure("period in packets", period.period_packets, "packets"),
        Figure("phase", phase, "ms" if period.of == "time" else "packets", note="from the first step"),
        Figure("agreement", found.strength, note=f"1 if all {found.events} loss bursts keep step, 0 if none"),
    ]


def _lengths(runs: LossRuns, known: Flags) -> Grid:
    """Count runs by length, beside what as many independent losses would make: n q^k (1 - q)^2."""
    loss, packets = float(known.mean()), len(known)
    counts = np.bincount(runs.length) if len(runs.length) else np.zeros(1, dtype=np.int64)
    longest = len(counts) - 1
    rows: list[tuple[Cell, ...]] = [
        (length, int(counts[length]), round(packets * loss**length * (1 - loss) ** 2, 2))
        for length in range(1, min(longest, LONGEST_SHOWN) + 1)
    ]
    if longest > LONGEST_SHOWN:
        rest = packets * loss ** (LONGEST_SHOWN + 1) * (1 - loss)
        rows.append(
            (f"{LONGEST_SHOWN + 1} to {longest}", int(counts[LONGEST_SHOWN + 1 :].sum()), round(rest, 2))
        )
    heads = ("packets in a row", "times", "expected if independent")
    return Grid("Runs of lost packets", heads, tuple(rows))


def _lags(known: Flags) -> list[Grid]:
    correlations = stats.lag_correlations(known, LAGS)
    if not len(correlations) or known.sum() < FEWEST:
        return []
    band = stats.lag_band(len(known))
    rows = tuple(
        (lag, round(float(value), 4), "beyond" if abs(value) > band else "within")
        for lag, value in enumerate(correlations, start=1)
    )
    note = f"independent losses stay within +-{band:.4f} at each lag 19 times of 20, if they are many"
    return [Grid("Losses this many packets apart", ("lag", "correlation", "band"), rows, note)]


def _by_lags(known: Flags) -> str:
    """Say what the correlations speak for, all lags together: one of 20 is beyond its band by chance.

    With k lags a band that holds all of them 19 times of 20 is that of one at 0.95^(1 / k) (Sidak).
    """
    off = np.abs(stats.lag_correlations(known, LAGS))
    beyond = int((off > stats.lag_band(len(known))).sum())
    wide = NormalDist().inv_cdf((1 + (1 - LIKELY) ** (1 / LAGS)) / 2) / math.sqrt(len(known))
    if not beyond:
        return "nothing speaks against independent losses"
    if not (off > wide).any():
        return (
            f"the run test does not speak against independent losses; {beyond} of {len(off)} lags beyond the "
            "band may be chance, for all of them together are within a band for so many"
        )
    lags = ", ".join(str(lag) for lag in np.flatnonzero(off > wide) + 1)
    return (
        f"losses {lags} packets apart come more or less often than chance explains, {len(off)} lags taken "
        "together: they may not be independent"
    )


def _notes(known: Flags, period: LossPeriod) -> list[str]:
    test, lost = stats.run_test(known), int(known.sum())
    if test is None or lost < FEWEST:
        notes = [f"{lost} lost packets are too few to tell whether losses are independent"]
    elif test.p_clustered < FALSE_ALARM:
        notes = ["losses cluster: they are not independent, and intervals that take them so are too narrow"]
    elif period.found.p_value >= LIKELY:
        notes = [_by_lags(known)]
    else:
        notes = []
    found = period.found
    if found.p_value < FALSE_ALARM:
        share = math.floor(100 * found.strength)
        notes.append(f"losses come in step with a period; about {share} % of their bursts keep to it")
    return notes

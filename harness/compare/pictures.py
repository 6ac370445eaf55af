"""What can be seen of two sides? Latencies, ages, cuts and losses over each other, and all differences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.clock import MS
from harness.compare.answers import Answer, Compared
from harness.compare.seen import BLOCK_S
from harness.compare.sides import Side
from harness.measure.arrays import Floats
from harness.plots.model import Axis, Plot, Rule, Series, Symbol, Tone

WIDEST: Final = 3.0
"""Intervals are drawn up to so many margins; longer ones are cut off there."""
TONES: Final[dict[Answer, Tone]] = {
    Answer.BETTER: "good", Answer.NO_WORSE: "muted", Answer.CANNOT_TELL: "doubt", Answer.WORSE: "bad",
}  # fmt: skip


def plots(base: Side, candidate: Side, compared: Sequence[Compared]) -> tuple[Plot, ...]:
    """Return all pictures of a comparison that there is something to see in."""
    sides: _Sides = (("base", "one", base), ("candidate", "two", candidate))
    drawn = [
        _differences(compared),
        _shares(sides, "latency", "Latency of packets", "latency", "latency_ms", compared),
        _shares(sides, "age", "Control age", "age", "age_ms", compared),
        _shares(sides, "cuts", "All cuts over each other: into failsafe", "since the last packet",
                "entries_ms", compared),
        _losses(sides),
    ]  # fmt: skip
    return tuple(one for one in drawn if one is not None)


_Sides = tuple[tuple[str, Tone, "Side"], ...]


def _differences(compared: Sequence[Compared]) -> Plot | None:
    """Return every difference with its interval, in parts of its margin: further right is worse."""
    told = [one for one in compared if one.margin > 0 and math.isfinite(one.difference)]
    if not told:
        return None
    rows = [(float(len(told) - place), one) for place, one in enumerate(told)]
    about = "; ".join(f"{one.figure.title}: {one.answer}" for one in told)
    return Plot(
        key="differences",
        title="Differences, each in parts of its margin",
        about=f"Candidate less base, right is worse, with intervals that hold together. {about}.",
        x=Axis("worse by so many margins", low=-1.1 * WIDEST, high=1.1 * WIDEST),
        y=Axis("figure", low=0.5, high=len(told) + 0.5,
               ticks=tuple((at, SHORT.get(one.figure.key, one.figure.title)) for at, one in rows)),
        series=(*(_interval(at, one) for at, one in rows), *(_seen(at, one) for at, one in rows)),
        rules=(Rule(0.0, "x", "no difference"), Rule(1.0, "x", "margin", "bad")),
        note=f"Marks are the differences seen; what reaches beyond {WIDEST:g} margins is drawn there.",
    )  # fmt: skip


def _interval(at: float, one: Compared) -> Series:
    ends = sorted(_parts(one, end) for end in one.interval)
    return Series(f"{one.answer}, interval", np.array(ends), np.array([at, at]), "line", TONES[one.answer])


def _seen(at: float, one: Compared) -> Series:
    x, y = np.array([_parts(one, one.difference)]), np.array([at])
    keep = np.ones(1, dtype=np.bool_)
    return Series(str(one.answer), x, y, "dots", TONES[one.answer], _SYMBOLS[one.answer], keep=keep)


def _parts(one: Compared, difference: float) -> float:
    """Return how much worse a difference is, in margins, no further than is drawn."""
    return max(-WIDEST, min(WIDEST, one.figure.sign * difference / one.margin))


SHORT: Final = {
    "latency_p50": "latency 50 %", "latency_p90": "latency 90 %", "latency_p99": "latency 99 %",
    "latency_spread": "latency spread", "stick_p90": "stick 90 %", "acknowledgement_p90": "ack. 90 %",
    "age_mean": "age, mean", "age_p99": "age 99 %", "control_gap": "longest gap", "attempts": "attempts",
    "failsafe_entry": "failsafe", "failsafe_worst": "failsafe, worst", "telemetry_age": "telemetry age",
}  # fmt: skip
"""Names that fit beside an axis."""
_SYMBOLS: Final[dict[Answer, Symbol]] = {
    Answer.BETTER: "triangle", Answer.NO_WORSE: "circle",
    Answer.CANNOT_TELL: "diamond", Answer.WORSE: "cross",
}  # fmt: skip


def _shares(
    sides: _Sides, key: str, title: str, label: str, what: str, compared: Sequence[Compared]
) -> Plot | None:
    """Return the share of values up to each one, both sides over each other."""
    series, told = [], []
    for name, tone, side in sides:
        values = np.sort(np.concatenate([getattr(run.seen, what) for run in side.runs]))
        if not len(values):
            continue
        share = _at_most(values, side) if what == "age_ms" else np.arange(1, len(values) + 1) / len(values)
        x, y = np.concatenate(([0.0], values)), np.concatenate(([0.0], 100 * share))
        series.append(Series(name, x, y, "steps" if what == "entries_ms" else "line", tone))
        told.append(
            f"{name} from {values[0]:.4g} to {values[-1]:.4g} ms, "
            f"{_middle(values, share):.4g} ms in the middle"
        )
    if not series:
        return None
    rules: tuple[Rule, ...] = ()
    if what == "entries_ms":
        within = sides[0][2].runs[0].plan.link.failsafe.within_ns / MS
        rules = (Rule(within, "x", "allowed", "bad"),)
    words = [f"{one.figure.title}: {one.answer}" for one in compared if one.figure.key.startswith(_KEYS[key])]
    return Plot(
        key=key,
        title=title,
        about=f"{'; '.join(told)}. {'; '.join(words)}.",
        x=Axis(label, "ms"),
        y=Axis("share at most that", "%", low=0, high=100),
        series=tuple(series),
        rules=rules,
    )


_KEYS: Final = {"latency": "latency", "age": "age", "cuts": "failsafe"}


def _middle(values: Floats, share: Floats) -> float:
    return float(np.interp(0.5, share, values))


def _at_most(values: Floats, side: Side) -> Floats:
    """Return for which share of the time the age was at most each value, the mean over the side's runs."""
    shares = [
        np.interp(values, run.seen.age_ms, run.seen.within) for run in side.runs if len(run.seen.age_ms)
    ]
    found: Floats = np.mean(shares, axis=0)
    return found


def _losses(sides: _Sides) -> Plot | None:
    """Return the share of packets lost over the time of the run, all runs of a side together."""
    series, told = [], []
    for name, tone, side in sides:
        length = max(len(run.seen.sent) for run in side.runs)
        if not length:
            continue
        sent, lost = np.zeros(length), np.zeros(length)
        for run in side.runs:
            sent[: len(run.seen.sent)] += run.seen.sent
            lost[: len(run.seen.lost)] += run.seen.lost
        share = np.full(length, np.nan)
        share[sent > 0] = 100 * lost[sent > 0] / sent[sent > 0]
        at_s = BLOCK_S * np.arange(length, dtype=np.float64)
        series.append(Series(name, at_s, share, "steps", tone, keep=lost > 0))
        told.append(f"{name} lost {lost.sum():.0f} of {sent.sum():.0f} packets")
    if not series:
        return None
    return Plot(
        key="losses",
        title=f"Packets lost, in every {BLOCK_S:g} s",
        about=f"{'; '.join(told)}.",
        x=Axis("time of the run", "s"),
        y=Axis("lost", "%", low=0),
        series=tuple(series),
    )

"""How is a plot drawn? Lines, steps, dots, bars and bands on one pair of axes, with what matters named."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from harness.escape import clean
from harness.plots.looks import HATCHES, HOLLOW, MARKERS, Palette
from harness.plots.model import Axis, Plot, Rule, Series
from harness.plots.sheet import (
    CHAR_PX,
    LABEL_PX,
    LEFT,
    ROOM,
    SMALL_PT,
    TEXT_PT,
    Legend,
    Sheet,
    packed,
    text_px,
)
from harness.plots.thinning import thinned

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INNER_PX: Final = 360
LABEL_ROWS: Final = 4
WIDE, NARROW = 3.2, 1.4
FOLLOWED: Final = ("stick", "injected")
"""Lines that another one should cover."""
FEW: Final = 150
"""So few dots are drawn larger."""


def draw_plot(plot: Plot, look: Palette) -> Figure:
    """Return a plot as a figure; one without series is a sheet that says why."""
    (low, high), (bottom, top) = _limits(plot)
    legend = _legend(plot, look)
    labels = _label_rows(plot, low, high)
    rows = 1 + max((row for _, row in labels), default=-1)
    named = bool(plot.x.ticks)
    sheet = Sheet(
        plot.title, "" if not plot.series else plot.note, INNER_PX if plot.series else 60,
        look, above_px=LABEL_PX * rows, axis_px=80 if named else 50, legend=legend,
    )  # fmt: skip
    axes = sheet.axes
    if not plot.series:
        axes.set_axis_off()
        sheet.write(LEFT, sheet.height / 2, clean(plot.note or plot.about), TEXT_PT, look.ink)
        return sheet.figure
    _set_axes(axes, plot)
    axes.set_xlim(low, high)
    axes.set_ylim(bottom, top)
    axes.grid(visible=True, color=look.faint, linewidth=0.6)
    axes.set_axisbelow(True)
    _spans(axes, plot, look)
    for order, series in enumerate(plot.series):
        wide = WIDE if series is _background(plot) else NARROW
        _series(axes, thinned(series, low, high, ROOM), look, 3 + order * 0.01, wide)
    _rules(sheet, plot, labels, (low, high))
    sheet.dress()
    return sheet.figure


def _background(plot: Plot) -> Series | None:
    """Return the line that is drawn wide, so that it can be seen below another one that follows it."""
    lines = [series for series in plot.series if series.shape == "steps"]
    return lines[0] if lines and lines[0].name in FOLLOWED else None


def _set_axes(axes: Axes, plot: Plot) -> None:
    """Set scales, labels and named ticks."""
    if plot.x.log:
        axes.set_xscale("log")
    if plot.y.log:
        axes.set_yscale("log")
    axes.set_xlabel(_label(plot.x), fontsize=TEXT_PT, parse_math=False)
    axes.set_ylabel(_label(plot.y), fontsize=TEXT_PT, parse_math=False)
    for axis, told in ((axes.xaxis, plot.x), (axes.yaxis, plot.y)):
        if told.ticks:
            room = int(ROOM / CHAR_PX / len(told.ticks)) if told is plot.x else 24
            names = ["\n".join(textwrap.wrap(clean(word, 60), max(4, room))) for _, word in told.ticks]
            axis.set_ticks([at for at, _ in told.ticks], labels=names, parse_math=False)
        elif told.log:
            axis.set_major_formatter(lambda value, _: f"{value:g}")


def _label(axis: Axis) -> str:
    label, unit = clean(axis.label, 80), clean(axis.unit, 20)
    return f"{label} in {unit}" if label and unit else label or unit


def _limits(plot: Plot) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the ends of both axes: as declared, else around everything that is drawn."""
    xs, ys = [], []
    for series in plot.series:
        xs.append(series.x)
        ys += [series.y] if series.high is None else [series.y, series.high]
        if series.shape == "bars":
            half = _bar_width(series) / 2
            xs += [series.x - half, series.x + half]
    for axis, ends in (("x", xs), ("y", ys)):
        ends.append(np.array([rule.at for rule in plot.rules if rule.along == axis and _counts(rule)]))
    return _ends(plot.x, xs, spare=0.01), _ends(plot.y, ys, spare=0.06)


def _counts(rule: Rule) -> bool:
    """Return whether an axis must reach a rule: a limit, but not the start of a step."""
    return rule.tone != "muted"


def _ends(axis: Axis, values: list[Any], spare: float) -> tuple[float, float]:
    every = np.concatenate(values) if values else np.zeros(0)
    every = every[np.isfinite(every)]
    if axis.log:
        every = every[every > 0]
    low, high = (float(every.min()), float(every.max())) if len(every) else (0.1, 1.0)
    if axis.log:
        return axis.low or low / 1.5, (axis.high or high) * 1.2
    wide = (high - low) or abs(high) or 1.0
    return (
        low - spare * wide if axis.low is None else axis.low,
        max(high + spare * wide, low) if axis.high is None else axis.high * (1.02 if axis.unit == "%" else 1),
    )


def _legend(plot: Plot, look: Palette) -> Legend:
    """Return the legend: every name of a series, and every kind of span."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    legend = Legend()
    names = {series.name for series in plot.series}
    for series in plot.series:
        colour = look.tones[series.tone]
        handle: Artist
        if series.shape in ("line", "steps"):
            wide = WIDE if series is _background(plot) else NARROW
            handle = Line2D([], [], color=colour, linewidth=_line_width(series, wide))
        elif series.shape == "dots":
            handle = Line2D([], [], linestyle="none", **_marker(series, look, 6.0))
        else:
            handle = Patch(facecolor=colour, alpha=0.3 if series.shape == "band" else 0.8)
        if len(names) > 1 or plot.spans:
            legend.add(series.name, handle)
    for place, (kind, colour) in enumerate(_kinds(plot, look)):
        legend.add(kind, Patch(**_shade(colour, place)))
    return legend


def _kinds(plot: Plot, look: Palette) -> list[tuple[str, str]]:
    """Return each kind of span with its colour, in order of appearance."""
    return list({span.kind: look.tones[span.tone] for span in reversed(plot.spans)}.items())[::-1]


def _shade(colour: str, place: int) -> dict[str, Any]:
    return {
        "facecolor": colour + "38", "edgecolor": colour + "66", "linewidth": 0.0,
        "hatch": HATCHES[place % len(HATCHES)],
    }  # fmt: skip


def _spans(axes: Axes, plot: Plot, look: Palette) -> None:
    kinds = [kind for kind, _ in _kinds(plot, look)]
    for span in plot.spans:
        axes.axvspan(span.low, span.high, zorder=1, **_shade(look.tones[span.tone], kinds.index(span.kind)))


def _series(axes: Axes, series: Series, look: Palette, order: float, wide: float) -> None:
    colour = look.tones[series.tone]
    if series.shape == "band":
        assert series.high is not None
        axes.fill_between(series.x, series.y, series.high, color=colour, alpha=0.25, linewidth=0, zorder=2)
    elif series.shape == "bars":
        width = _bar_width(series)
        axes.bar(series.x, series.y, width=width * 0.92, color=colour, alpha=0.8, zorder=order)
    elif series.shape == "dots":
        size = 6.0 if series.keep is not None or len(series.x) <= FEW else 2.2
        axes.plot(series.x, series.y, linestyle="none", zorder=order + 1, **_marker(series, look, size))
    else:
        style = "steps-post" if series.shape == "steps" else "default"
        axes.plot(
            series.x,
            series.y,
            drawstyle=style,
            color=colour,
            linewidth=_line_width(series, wide),
            zorder=order,
        )


def _line_width(series: Series, wide: float) -> float:
    return 0.9 if series.tone == "muted" else wide


def _marker(series: Series, look: Palette, size: float) -> dict[str, Any]:
    """Return how a dot looks: its shape and colour, hollow where that tells something apart."""
    colour = look.tones[series.tone]
    hollow = series.tone in HOLLOW
    return {
        "marker": MARKERS[series.symbol],
        "markersize": size,
        "markerfacecolor": "none" if hollow else colour,
        "markeredgecolor": colour,
        "markeredgewidth": 1.6 if series.symbol in ("cross", "bar") and size > 3 else 1.0 if hollow else 0.0,
    }


def _bar_width(series: Series) -> float:
    return float(np.diff(series.x).min()) if len(series.x) > 1 else 1.0


def _label_rows(plot: Plot, low: float, high: float) -> list[tuple[Rule, int]]:
    """Return the upright lines with the row above the axes in which each one's label has room, -1 for none.

    Limits come first: where there is too little room, the names of steps go.
    """
    rules = [rule for rule in plot.rules if rule.along == "x" and low <= rule.at <= high]
    rules.sort(key=lambda rule: (not _counts(rule), rule.at))
    named = [rule for rule in rules if rule.label]
    widths = [text_px(clean(rule.label, 60)) for rule in named]
    starts = [_start_px(plot.x, rule.at, (low, high), wide) for rule, wide in zip(named, widths, strict=True)]
    rows = packed(starts, widths, LABEL_ROWS)
    return [*zip(named, rows, strict=True), *((rule, -1) for rule in rules if not rule.label)]


def _start_px(axis: Axis, at: float, ends: tuple[float, float], width: float) -> float:
    """Return where a label begins, in pixels from the axes' left: at its line, or so that it ends in time."""
    low, high = ends
    share = math.log(at / low) / math.log(high / low) if axis.log else (at - low) / (high - low)
    return max(0.0, min(share * ROOM, ROOM + 16 - width))


def _rules(sheet: Sheet, plot: Plot, labels: list[tuple[Rule, int]], ends: tuple[float, float]) -> None:
    """Draw lines and their labels: upright ones above the axes, the others at the right."""
    axes, look = sheet.axes, sheet.look
    top = sheet.height * (1 - axes.get_position().y1)
    for rule, row in labels:
        colour = look.ink if rule.tone == "muted" else look.tones[rule.tone]
        strong = _counts(rule)
        axes.axvline(
            rule.at,
            color=colour,
            linewidth=1.4 if strong else 0.7,
            linestyle="--" if strong else ":",
            zorder=2.5,
        )
        if row >= 0 and rule.label:
            label = clean(rule.label, 60)
            start = _start_px(plot.x, rule.at, ends, text_px(label))
            sheet.write(LEFT + start, top - 8 - LABEL_PX * row, label, SMALL_PT, colour)
    for rule in plot.rules:
        if rule.along == "y":
            colour = look.tones[rule.tone]
            axes.axhline(rule.at, color=colour, linewidth=1.2, linestyle="--", zorder=2.5)
            axes.annotate(
                clean(rule.label, 60), (0.995, rule.at), xycoords=("axes fraction", "data"), ha="right",
                va="bottom", fontsize=SMALL_PT, color=colour, annotation_clip=True, parse_math=False,
                zorder=6, bbox={"facecolor": look.paper, "edgecolor": "none", "alpha": 0.7, "pad": 0.6},
            )  # fmt: skip


__all__ = ["draw_plot"]

"""Which points can be left out of a drawing without anybody seeing it? In each column all but a few.

Of a line every column keeps its first, its last, its least and its largest point, and a gap if there is one;
of dots every cell keeps one; points in `keep` always stay. So extremes and losses are never dropped.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from harness.plots.model import Floats, Series

Places = npt.NDArray[np.int64]


def thinned(series: Series, low: float, high: float, columns: int, rows: int = 200) -> Series:
    """Return what must be drawn of a series between `low` and `high` in so many columns (and rows of dots).

    Of a line a point on either side stays, so that it goes on beyond the edges. Bars stay as they are.
    """
    if series.shape == "bars" or len(series.x) <= 4 * columns:
        return series
    first, end = np.searchsorted(series.x, low), np.searchsorted(series.x, high, side="right")
    part = slice(max(0, int(first) - 1), int(end) + 1)
    x, y = series.x[part], series.y[part]
    if series.shape == "dots":
        places = cells(x, y, columns, rows)
    else:
        places = extremes(x, y, columns)
        if series.high is not None:
            places = np.union1d(places, extremes(x, series.high[part], columns))
    if series.keep is not None:
        places = np.union1d(places, np.flatnonzero(series.keep[part]))
    return _taken(series, places + part.start)


def columns_of(x: Floats, columns: int) -> Places:
    """Return the column of each point, 0 to `columns` - 1."""
    if not len(x) or not x[-1] > x[0]:
        return np.zeros(len(x), dtype=np.int64)
    place = ((x - x[0]) * (columns / (x[-1] - x[0]))).astype(np.int64)
    inner: Places = np.clip(place, 0, columns - 1)
    return inner


def extremes(x: Floats, y: Floats, columns: int) -> Places:
    """Return the places, in order, of each column's first, last, least and largest point, and first gap."""
    if not len(x):
        return np.zeros(0, dtype=np.int64)
    column = columns_of(x, columns)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    ends = np.append(starts[1:], len(x)) - 1
    size = ends - starts + 1
    found = [starts, ends]
    gap = np.isnan(y)
    for sign in (1.0, -1.0):
        values = np.where(gap, np.inf, sign * y)
        best = np.minimum.reduceat(values, starts)
        hits = np.flatnonzero(values == np.repeat(best, size))
        found.append(_firsts(hits, column))
    if gap.any():
        found.append(_firsts(np.flatnonzero(gap), column))
    return np.unique(np.concatenate(found))


def cells(x: Floats, y: Floats, columns: int, rows: int) -> Places:
    """Return the places, in order, of one point for each cell that has any, extremes of columns always."""
    known = np.flatnonzero(~np.isnan(y))
    if not len(known):
        return known
    column, shown = columns_of(x, columns)[known], y[known]
    low, high = float(shown.min()), float(shown.max())
    row = ((shown - low) * ((rows - 1) / (high - low))).astype(np.int64) if high > low else 0 * column
    firsts = np.unique(column * rows + row, return_index=True)[1]
    return np.union1d(known[firsts], known[extremes(x[known], shown, columns)])


def _firsts(places: Places, column: Places) -> Places:
    """Return of ascending places the first in each column."""
    first: Places = places[np.flatnonzero(np.diff(column[places], prepend=-1))]
    return first


def _taken(series: Series, places: Places) -> Series:
    return Series(
        series.name, series.x[places], series.y[places], series.shape, series.tone, series.symbol,
        None if series.high is None else series.high[places],
        None if series.keep is None else series.keep[places],
    )  # fmt: skip


__all__ = ["cells", "columns_of", "extremes", "thinned"]

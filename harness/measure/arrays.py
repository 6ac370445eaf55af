"""Names for the array types that measurements pass around."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.void]
"""A structured array: one row per message, one named column per field."""


def ints(values: object) -> Ints:
    """Return `values` as an int64 array."""
    return np.asarray(values, dtype=np.int64)


def changed(rows: Ints) -> Flags:
    """Return for each row of an (n, columns) array but the first whether it differs from the row before."""
    found = np.zeros(max(0, len(rows) - 1), dtype=np.bool_)
    for column in rows.T:
        found |= column[1:] != column[:-1]
    return found


def inside(times: Ints, spans: Ints) -> Flags:
    """Return for each time whether it lies in one of `spans`, an (n, 2) array of [start, end]."""
    hit = np.zeros(times.shape, dtype=np.bool_)
    for start, end in spans:
        hit |= (times >= start) & (times <= end)
    return hit


def meeting(starts: Ints, ends: Ints, spans: Ints) -> Flags:
    """Return for each [start, end] whether it shares any instant with one of `spans`."""
    if not len(spans):
        return np.zeros(starts.shape, dtype=np.bool_)
    order = np.argsort(spans[:, 0], kind="stable")
    firsts, reach = spans[order, 0], np.maximum.accumulate(spans[order, 1])
    before = np.searchsorted(firsts, ends, side="right")
    latest = np.where(before > 0, reach[np.maximum(before - 1, 0)], np.iinfo(np.int64).min)
    hit: Flags = latest >= starts
    return hit

"""How do numbers travel inside a page? In few bytes that are exact enough: whole steps, differences, deflate.

A packed array is plain JSON: `type` is NumPy's little-endian name of what `data` holds once it is taken from
base64 and inflated; the value is that, summed up if `delta`, plus `first`, times ten to the power of
`-places`. The least number of a signed type stands for "no number" if `gaps`. The page's script undoes this.
"""

from __future__ import annotations

import base64
import zlib
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
Packed = dict[str, str | int | bool]
PLACES_MAX: Final = 9
"""Decimal places that are tried: whole ns where values are in s."""
EXACT: Final = 1e-13
"""Share of the largest value that counts as the noise of its last binary digit."""
PIXEL: Final = 1e-3
"""Places along x may be off by this share of the usual distance between two: a pixel if one fills a plot."""
PROBE: Final = 500
"""So many values are tried before all of them."""
LEVEL: Final = 6
"""Of deflate: more costs time and gains a percent."""
FEW_DIGITS: Final = (1e-37, 1e38)
"""Between these a number in four bytes has its seven digits (IEEE 754)."""
WHOLE_MAX: Final = 2**52
"""Whole numbers up to here are exact in the script's only kind of number."""


def pack_places(x: npt.NDArray[np.float64]) -> Packed:
    """Pack ascending places on an axis, each exact to a thousandth of the usual distance between two."""
    steps = np.diff(x)
    steps = steps[steps > 0]
    tolerance = PIXEL * float(np.median(steps)) if len(steps) else 0.0
    return _packed(x, tolerance, "<f8")


def pack_values(y: npt.NDArray[np.float64]) -> Packed:
    """Pack values: exactly where they are decimals, otherwise to seven digits. Gaps are NaN."""
    sizes = np.abs(y[np.isfinite(y) & (y != 0)])
    usual = not len(sizes) or bool(sizes.min() > FEW_DIGITS[0] and sizes.max() < FEW_DIGITS[1])
    return _packed(y, 0.0, "<f4" if usual else "<f8")


def pack_whole(values: npt.NDArray[Any]) -> Packed:
    """Pack small whole numbers or truth values."""
    return _wire(values.astype("u1"))


def _packed(values: npt.NDArray[np.float64], tolerance: float, otherwise: str) -> Packed:
    known = values[np.isfinite(values)]
    found = _decimals(known, tolerance)
    if found is None or not np.isfinite(values[~np.isnan(values)]).all():
        return _wire(values.astype(otherwise))
    whole, places = found
    if len(known) < len(values):
        return _with_gaps(values, whole, places) or _wire(values.astype(otherwise))
    steps = np.diff(whole, prepend=whole[:1])
    first = int(whole[0]) if len(whole) else 0
    plain, delta = _narrowest(whole), _narrowest(steps)
    if delta is not None and (plain is None or delta <= plain):
        return {**_wire(steps.astype(delta)), "places": places, "delta": True, "first": first}
    return _wire(values.astype("<f8")) if plain is None else {**_wire(whole.astype(plain)), "places": places}


def _decimals(values: npt.NDArray[np.float64], tolerance: float) -> tuple[npt.NDArray[np.int64], int] | None:
    """Return values as whole numbers of a power of ten, and its decimal places; None if none fits."""
    for probe in (values[:: max(1, len(values) // PROBE)], values):
        found = _tried(probe, tolerance)
        if found is None:
            return None
    return found


def _tried(values: npt.NDArray[np.float64], tolerance: float) -> tuple[npt.NDArray[np.int64], int] | None:
    most = float(np.abs(values).max(initial=0.0))
    allowed = max(tolerance, EXACT * most)
    for places in range(PLACES_MAX + 1):
        if most * 10.0**places > WHOLE_MAX:
            return None
        whole = np.rint(values * 10.0**places)
        if float(np.abs(whole / 10.0**places - values).max(initial=0.0)) <= allowed:
            return whole.astype(np.int64), places
    return None


def _with_gaps(values: Array, whole: npt.NDArray[np.int64], places: int) -> Packed | None:
    kind = _narrowest(whole)
    if kind is None:
        return None
    told = np.full(len(values), np.iinfo(kind).min, dtype=kind)
    told[~np.isnan(values)] = whole
    return {**_wire(told), "places": places, "gaps": True}


def _narrowest(whole: npt.NDArray[np.int64]) -> str | None:
    """Return the smallest signed type that holds all values and is left its least number."""
    most = int(np.abs(whole).max(initial=0))
    return next((kind for kind in ("<i1", "<i2", "<i4") if most <= np.iinfo(kind).max), None)


def _wire(values: Array) -> Packed:
    data = base64.b64encode(zlib.compress(values.tobytes(), LEVEL)).decode("ascii")
    return {"type": values.dtype.str.lstrip("<|"), "n": len(values), "data": data}

"""What does the page's script need to draw a picture? Its words and numbers as one JSON value."""

from __future__ import annotations

import json
import math
from typing import Any, Final

import numpy as np

from harness.escape import clean
from harness.page.packing import Packed, pack_places, pack_values, pack_whole
from harness.plots.model import Axis, Picture, Plot, Series, Strip

WORD_MAX: Final = 120
_ESCAPES: Final = {ord("<"): "\\u003c", ord(">"): "\\u003e", ord("&"): "\\u0026"}
"""So that nothing inside a script element can end it, or begin another."""


class _Arrays:
    """Packed arrays, each kept once however often it is used."""

    def __init__(self) -> None:
        self.packed: list[Packed] = []
        self._places: dict[tuple[str, bytes], int] = {}

    def add(self, values: np.ndarray[Any, Any], pack: Any) -> int:
        found = (pack.__name__, values.tobytes())
        if found not in self._places:
            self._places[found] = len(self.packed)
            self.packed.append(pack(values))
        return self._places[found]


def picture_json(picture: Picture) -> str:
    """Return the JSON for one picture, safe inside a script element."""
    value = _strip(picture) if isinstance(picture, Strip) else _plot(picture)
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.translate(_ESCAPES)


def _plot(plot: Plot) -> dict[str, object]:
    arrays = _Arrays()
    series = [_series(one, arrays) for one in plot.series]
    return {
        "kind": "plot",
        "title": _word(plot.title),
        "x": _axis(plot.x),
        "y": _axis(plot.y),
        "series": series,
        "spans": [
            [_nine(span.low), _nine(span.high), _word(span.kind), span.tone]
            for span in plot.spans
            if math.isfinite(span.low) and math.isfinite(span.high)
        ],
        "rules": [
            [_nine(rule.at), rule.along, _word(rule.label), rule.tone]
            for rule in plot.rules
            if math.isfinite(rule.at)
        ],
        "arrays": arrays.packed,
    }


def _axis(axis: Axis) -> dict[str, object]:
    return {
        "label": _word(axis.label),
        "unit": _word(axis.unit),
        "log": axis.log,
        "low": _finite(axis.low),
        "high": _finite(axis.high),
        "ticks": [[at, _word(word)] for at, word in axis.ticks if math.isfinite(at)],
    }


def _nine(number: float) -> float:
    """Return nine digits: a ns in a second, a us in a quarter of an hour."""
    return float(f"{number:.9g}")


def _finite(number: float | None) -> float | None:
    return number if number is not None and math.isfinite(number) else None


def _series(series: Series, arrays: _Arrays) -> dict[str, object]:
    return {
        "name": _word(series.name),
        "shape": series.shape,
        "tone": series.tone,
        "symbol": series.symbol,
        "x": arrays.add(series.x, pack_places),
        "y": arrays.add(series.y, pack_values),
        "high": None if series.high is None else arrays.add(series.high, pack_values),
        "keep": None if series.keep is None else arrays.add(series.keep, pack_whole),
    }


def _strip(strip: Strip) -> dict[str, object]:
    arrays = _Arrays()
    fates = [
        {"word": _word(fate.word), "tone": fate.tone, "symbol": fate.symbol, "rank": fate.rank}
        for fate in strip.fates
    ]
    return {
        "kind": "strip",
        "title": _word(strip.title),
        "fates": fates,
        "fate": arrays.add(strip.fate, pack_whole),
        "at": arrays.add(strip.at_s, pack_places),
        "breaks": [[place, _word(word)] for place, word in strip.breaks],
        "arrays": arrays.packed,
    }


def _word(text: str) -> str:
    return clean(text, WORD_MAX)

"""Which colours and marks stand for which meaning? Two palettes, light and dark, and marks told by shape."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from harness.plots.model import Symbol, Tone


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours as `#rrggbb`: paper, ink, faint lines, and one for each tone."""

    paper: str
    ink: str
    faint: str
    tones: Mapping[Tone, str]


LIGHT: Final = Palette(
    "#ffffff", "#1d2329", "#d9dee3",
    {
        "one": "#1f66ad", "two": "#d97706", "three": "#7a4fb0", "four": "#0f8f86", "five": "#b83b8c",
        "six": "#7c5a2a", "good": "#2f8a55", "bad": "#c2182b", "doubt": "#96690a", "muted": "#77818c",
    },
)  # fmt: skip
DARK: Final = Palette(
    "#14181d", "#e6eaee", "#343c45",
    {
        "one": "#6fb1f2", "two": "#f5a04c", "three": "#bd9bf2", "four": "#53cfc3", "five": "#f08cc4",
        "six": "#cdb083", "good": "#56cc86", "bad": "#ff6670", "doubt": "#f2c744", "muted": "#8f9aa6",
    },
)  # fmt: skip
MARKERS: Final[Mapping[Symbol, str]] = {
    "circle": "o", "cross": "x", "square": "s", "triangle": "^", "diamond": "D", "bar": "|",
}  # fmt: skip
HATCHES: Final = ("", "////", "\\\\\\\\", "xxxx", "....", "++++")
"""Spans of different kinds in the order in which they appear: told apart without colours."""
HOLLOW: Final[tuple[Tone, ...]] = ("doubt", "muted")
"""Tones whose marks are drawn hollow."""


def palette(*, dark: bool) -> Palette:
    """Return the colours of a light or a dark picture."""
    return DARK if dark else LIGHT


__all__ = ["HATCHES", "HOLLOW", "MARKERS", "Palette", "palette"]

"""What is a plot? Numbers, words and the shapes that carry them; nothing about pixels.

A page draws these interactively, a picture file draws them once. Colours are named by what they mean
(`tone`), so that light and dark, screen and paper each choose their own; nothing is told by colour alone.
Texts are plain: whoever draws escapes them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]
Tone = Literal["one", "two", "three", "four", "five", "six", "good", "bad", "doubt", "muted"]
"""Six tones for things that differ only by name, four for what is good, bad, in doubt or beside the point."""
Shape = Literal["line", "steps", "dots", "bars", "band"]
Symbol = Literal["circle", "cross", "square", "triangle", "diamond", "bar"]
TONES: Final[tuple[Tone, ...]] = ("one", "two", "three", "four", "five", "six")
SYMBOLS: Final[tuple[Symbol, ...]] = ("circle", "square", "triangle", "diamond", "bar")
"""Marks for things that differ only by name; one fewer than tones, so that 30 pairs differ."""


@dataclass(frozen=True, slots=True)
class Axis:
    """An axis: what it shows, in which unit; `ticks` name positions where words are better than numbers."""

    label: str
    unit: str = ""
    log: bool = False
    low: float | None = None
    high: float | None = None
    ticks: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Points of one thing: `x` ascending, `y` as long, NaN where there is a gap.

    A `band` reaches from `y` to `high`. `steps` holds each value until the next x. `bars` stand on x, as wide
    as the least distance between two of them. `keep` marks points that must be seen however far a drawing
    zooms out, such as losses; extremes are kept in any case. Several series may have one name, such as the
    cuts laid over each other: it stands in the legend once.
    """

    name: str
    x: Floats
    y: Floats
    shape: Shape = "line"
    tone: Tone = "one"
    symbol: Symbol = "circle"
    high: Floats | None = None
    keep: npt.NDArray[np.bool_] | None = None

    def __post_init__(self) -> None:
        assert len(self.x) == len(self.y), self.name
        assert self.high is None or len(self.high) == len(self.x), self.name
        assert self.keep is None or len(self.keep) == len(self.x), self.name


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of the x axis in which something holds, such as a cut; `kind` stands in the legend once."""

    low: float
    high: float
    kind: str
    tone: Tone = "muted"


@dataclass(frozen=True, slots=True)
class Rule:
    """A straight line across the plot: a limit, a percentile, the moment of a cut.

    `at` is a value of the axis `along`: along x it is an upright line.
    """

    at: float
    along: Literal["x", "y"]
    label: str
    tone: Tone = "muted"


@dataclass(frozen=True, slots=True, eq=False)
class Plot:
    """One picture. `about` tells in words what it shows, with its main numbers, for whoever cannot see it.

    Without series there is nothing to draw, and `note` says why.
    """

    key: str
    title: str
    about: str
    x: Axis
    y: Axis
    series: tuple[Series, ...]
    spans: tuple[Span, ...] = ()
    rules: tuple[Rule, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Fate:
    """What can become of a packet: its word, tone and mark.

    Where space is short a higher `rank` hides lower ones, so that what is rare and bad stays in sight. Marks
    in doubt or muted are drawn hollow, the others filled.
    """

    word: str
    tone: Tone
    symbol: Symbol
    rank: int


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """Every packet one mark, in the order of sending.

    `fate` indexes `fates`, `at_s` is when it was sampled, in s of the run. `breaks` are indices of packets
    before which something was done, with its word.
    """

    key: str
    title: str
    about: str
    fates: tuple[Fate, ...]
    fate: Bytes
    at_s: Floats
    breaks: tuple[tuple[int, str], ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        assert len(self.fate) == len(self.at_s), self.key


Picture = Plot | Strip

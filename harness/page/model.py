"""What stands on a page? Words, tables, pictures and lists, in parts that the page's menu names.

Texts are plain and may come from a device: whoever writes the page cleans and quotes every one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from harness.findings import Cell
from harness.plots.model import Picture

Mood = Literal["good", "bad", "doubt", "muted"]


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph; `strong` for the one that must not be missed."""

    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """Terms and what is said of them."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table; `moods` colours rows, one for each, None where there is nothing to tell.

    Columns of numbers are set to the right, and those of texts that `right` names by their place.
    """

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    moods: tuple[Mood | None, ...] = ()
    right: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Points:
    """A list of sentences."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Commands:
    """Lines to be typed into a terminal."""

    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Lane:
    """A figure on an axis that it shares with others: 0 is its limit, more is better, -1 and 1 are the ends.

    `at` is its value, `low` and `high` the ends of its interval, None where there is none; `told` stands in
    place of a mark that has no place. `value`, `limit` and `word` say it in words, `mood` which colour.
    """

    name: str
    mood: Mood
    word: str
    value: str
    limit: str
    at: float | None = None
    low: float | None = None
    high: float | None = None
    told: str = ""


@dataclass(frozen=True, slots=True)
class Lanes:
    """Figures under each other on one axis; `ends` names its worse and its better end."""

    title: str
    lanes: tuple[Lane, ...]
    ends: tuple[str, str]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Card:
    """One figure that matters, in large digits, with its interval, limit, answer and more in words."""

    name: str
    value: str
    interval: str
    limit: str
    word: str
    mood: Mood
    more: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A picture that can be zoomed."""

    picture: Picture


@dataclass(frozen=True, slots=True)
class Folded:
    """Blocks that are opened on demand, under a line that says what they are."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Named:
    """Blocks under a heading of their own; `mood` with its `word` stands beside it."""

    title: str
    blocks: tuple[Block, ...]
    mood: Mood | None = None
    word: str = ""


Block = Words | Facts | Table | Points | Commands | Lanes | Drawn | Folded | Named


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the page with a heading; `key` is its address behind `#`."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """A whole page. `verdict` and `mood` stand at the top in large letters, `lead` below in one sentence.

    The first screen goes on with `cards`, with what was `tested`, what was `untested`, and the `cautions`.
    `made` says what the page was made from, such as version and seed, for whoever reads its source.
    """

    title: str
    verdict: str
    mood: Mood
    lead: str
    parts: tuple[Part, ...]
    cards: tuple[Card, ...] = ()
    tested: tuple[tuple[str, str], ...] = ()
    untested: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    made: tuple[tuple[str, str], ...] = ()

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
    """A table; `moods` colours rows, one for each, None where there is nothing to tell."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    moods: tuple[Mood | None, ...] = ()


@dataclass(frozen=True, slots=True)
class Points:
    """A list of sentences."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A picture that can be zoomed."""

    picture: Picture


@dataclass(frozen=True, slots=True)
class Folded:
    """Blocks that are opened on demand, under a line that says what they are."""

    title: str
    blocks: tuple[Block, ...]


Block = Words | Facts | Table | Points | Drawn | Folded


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the page with a heading; `key` is its address behind `#`."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """A whole page. `verdict` and `mood` stand at the top in large letters, `lead` below in one sentence."""

    title: str
    verdict: str
    mood: Mood
    lead: str
    parts: tuple[Part, ...]

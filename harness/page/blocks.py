"""How does each block look in HTML? Real headings, lists and tables, so that it reads well by ear too."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby, zip_longest
from typing import Final

from harness.findings import Cell
from harness.page.model import (
    Block,
    Card,
    Commands,
    Drawn,
    Facts,
    Folded,
    Lane,
    Lanes,
    Mood,
    Named,
    Part,
    Points,
    Table,
    Words,
)
from harness.page.picturing import picture_json
from harness.page.quoting import Html, joined, tag
from harness.plots.model import Picture, Strip
from harness.report.sections import cell_words

MARKS: Final[dict[Mood, str]] = {"good": "✓", "bad": "✕", "doubt": "?", "muted": "\u2013"}
"""Beside every colour stands a sign, and beside every sign a word."""
NO_SCRIPT: Final = "Without scripts this is not drawn; the sentence above and the tables say the same."


def part_html(part: Part) -> Html:
    """Return one part of the page with its heading."""
    heading = tag("h2", part.title, id=f"{part.key}-title")
    blocks = (block_html(block, f"{part.key}-{number}", 3) for number, block in enumerate(part.blocks))
    return tag("section", heading, *blocks, id=part.key, aria_labelledby=f"{part.key}-title")


def block_html(block: Block, key: str, level: int) -> Html:  # noqa: PLR0911 - one line for each kind
    """Return one block; `key` is its address, `level` that of the headings in it."""
    match block:
        case Words(text, strong):
            return tag("p", tag("strong", text) if strong else text)
        case Facts(rows):
            return facts_html(rows)
        case Table():
            return _table(block, key)
        case Points(items):
            return tag("ul", *(tag("li", item) for item in items), class_="points")
        case Commands(lines):
            return tag("pre", tag("code", *_lines(lines)), tabindex="0", role="region", aria_label="Commands")
        case Lanes():
            return _lanes(block)
        case Folded(title, blocks):
            inner = (block_html(one, f"{key}-{number}", level) for number, one in enumerate(blocks))
            return tag("details", tag("summary", title), tag("div", *inner, class_="folded"))
        case Named(title, blocks, mood, word):
            beside = [Html(" "), badge(mood, word)] if mood else []
            inner = (block_html(one, f"{key}-{number}", level + 1) for number, one in enumerate(blocks))
            return tag("div", tag(f"h{level}", title, *beside), *inner, class_="named")
        case Drawn(picture):
            return _figure(picture, key, level)


def facts_html(rows: Sequence[tuple[str, str]]) -> Html:
    """Return terms and what is said of them; a term that comes again in the next row stands once."""
    groups = (
        tag("div", tag("dt", term), *(tag("dd", told) for _, told in same))
        for term, same in groupby(rows, key=lambda row: row[0])
    )
    return tag("dl", *groups, class_="facts")


def badge(mood: Mood, word: str) -> Html:
    """Return an answer as sign, word and colour."""
    return tag(
        "span",
        tag("span", Html(MARKS[mood]), aria_hidden="true"),
        Html("&nbsp;"),
        word,
        class_=f"badge {mood}",
    )


def card_html(card: Card) -> Html:
    """Return one of the figures at the top."""
    lines = [tag("p", f"interval {card.interval}")] if card.interval else []
    lines += [tag("p", f"limit {card.limit}")] if card.limit else []
    lines += [tag("p", card.more)] if card.more else []
    return tag(
        "li",
        tag("p", card.name, class_="name"),
        tag("p", card.value or "no figure", class_="value"),
        *lines,
        tag("p", badge(card.mood, card.word)),
        class_=f"card {card.mood}",
    )


def _lines(lines: Sequence[str]) -> list[Html]:
    return [joined(line, Html("\n")) for line in lines]


def _table(table: Table, key: str) -> Html:
    right = {
        place
        for place in range(len(table.heads))
        if place in table.right
        or (table.rows and all(isinstance(row[place], int | float | None) for row in table.rows))
    }
    heads = [
        tag("th", head, scope="col", class_="right" if place in right else None)
        for place, head in enumerate(table.heads)
    ]
    rows = [_row(row, mood, right) for row, mood in zip_longest(table.rows, table.moods[: len(table.rows)])]
    caption = [tag("caption", table.title, id=f"{key}-caption")] if table.title else []
    body = tag("table", *caption, tag("thead", tag("tr", *heads)), tag("tbody", *rows))
    named = {"aria_labelledby": f"{key}-caption"} if table.title else {"aria_label": "Table"}
    note = [tag("p", table.note, class_="note")] if table.note else []
    return joined(tag("div", body, class_="wide", tabindex="0", role="region", **named), *note)


def _row(row: Sequence[Cell], mood: Mood | None, right: set[int]) -> Html:
    first, *others = row
    cells = [tag("th", cell_words(first), scope="row", class_="right" if 0 in right else None)]
    cells += [
        tag("td", cell_words(cell), class_="right" if place in right else None)
        for place, cell in enumerate(others, 1)
    ]
    return tag("tr", *cells, class_=mood)


def _lanes(lanes: Lanes) -> Html:
    worse, better = lanes.ends
    ruler = tag(
        "div",
        tag("span", worse), tag("span", "limit"), tag("span", better),
        class_="ruler", aria_hidden="true",
    )  # fmt: skip
    rows = [_lane(lane) for lane in lanes.lanes]
    note = [tag("p", lanes.note, class_="note")] if lanes.note else []
    return tag("figure", tag("figcaption", lanes.title), ruler, tag("ul", *rows), *note, class_="lanes")


def _lane(lane: Lane) -> Html:
    limit = [tag("span", lane.limit, class_="limit")] if lane.limit else []
    return tag(
        "li",
        tag("span", lane.name, class_="name"),
        badge(lane.mood, lane.word),
        _axis(lane),
        tag("span", lane.value, class_="value"),
        *limit,
        class_=lane.mood,
    )


def _axis(lane: Lane) -> Html:
    """Return a lane's drawing, in percent of its width; the words beside it say the same."""
    shapes = [tag("line", x1="0", x2="100%", y1="12", y2="12", class_="base")]
    shapes.append(tag("line", x1="50%", x2="50%", y1="2", y2="22", class_="limit-line"))
    if lane.low is not None or lane.high is not None:
        low, high = (_percent(end, other) for end, other in ((lane.low, -1.0), (lane.high, 1.0)))
        shapes.append(
            tag("rect", x=f"{low:.2f}%", width=f"{max(high - low, 0.4):.2f}%", y="7", height="10", rx="2")
        )
    if lane.at is not None:
        shapes += _mark(lane.at)
    told = tag("text", lane.told, x="52%", y="16") if lane.told else Html("")
    return tag(
        "svg",
        *shapes,
        told,
        class_="axis told" if lane.told else "axis",
        height="24",
        width="100%",
        aria_hidden="true",
        focusable="false",
    )


def _mark(at: float) -> list[Html]:
    """Return the value's mark: a dot, or an arrow head at an end that it lies beyond."""
    if abs(at) <= 1:
        return [tag("circle", cx=f"{_percent(at, 0):.2f}%", cy="12", r="5")]
    inner = tag("path", d="M0 12 L12 5 V19 Z" if at < 0 else "M0 12 L-12 5 V19 Z")
    return [tag("svg", inner, x="0" if at < 0 else "100%", overflow="visible")]


def _percent(place: float | None, otherwise: float) -> float:
    """Return a place from -1 to 1 as percent of the width, a little inside of both ends."""
    inside = max(-1.0, min(1.0, otherwise if place is None else place))
    return 50.0 + 48.0 * inside


def _figure(picture: Picture, key: str, level: int) -> Html:
    empty = not isinstance(picture, Strip) and not picture.series
    heading = tag(f"h{level}", picture.title, id=f"{key}-title")
    about = tag("p", picture.about, class_="about", id=f"{key}-about")
    note = [tag("p", picture.note, class_="note")] if picture.note else []
    if empty:  # its note says why
        return tag("figure", tag("figcaption", heading, about), *note, id=key, class_="nothing")
    stage = tag("div", class_="stage")
    data = Html(f'<script type="application/json">{picture_json(picture)}</script>')
    return tag(
        "figure",
        tag("figcaption", heading, about),
        stage,
        tag("noscript", tag("p", NO_SCRIPT, class_="note")),
        *note,
        data,
        id=key,
        class_="picture strip" if isinstance(picture, Strip) else "picture plot",
        aria_labelledby=f"{key}-title",
        data_key=picture.key,
    )

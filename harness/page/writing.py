"""How does a page become one file? Words, styles, scripts and numbers in one text that needs nothing else.

Nothing is ever fetched: the page forbids it to itself (Content Security Policy, W3C), and only its own script
and style, named by their hashes, may act. The same page gives the same bytes.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import Final

from harness.page.blocks import badge, card_html, facts_html, part_html
from harness.page.model import Page
from harness.page.quoting import Html, joined, tag

ASSETS: Final = Path(__file__).parent / "assets"
BEGINNING: Final = "<!DOCTYPE html>\n"
LIBRARY: Final = "uPlot.iife.min.js"
SCRIPTS: Final = ("unpack.js", "thin.js", "look.js", "shapes.js", "plot.js", "strip.js", "page.js")
STYLES: Final = ("uPlot.min.css", "page.css")


def render(page: Page) -> str:
    """Return the page as HTML, a newline at the end. Pure: equal pages, equal bytes."""
    script, style = _script(), _style()
    head = joined(
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=_policy(script, style)),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        *(tag("meta", name=f"propsoff-{name}", content=told) for name, told in page.made),
        tag("title", f"{page.verdict}: {page.title}"),
        Html(f"<style>{style}</style>"),
    )
    body = joined(
        tag("a", "Skip to the content", href="#content", class_="skip"),
        _bar(page),
        tag("main", _top(page), *map(part_html, page.parts), id="content", tabindex="-1"),
        _foot(page),
        Html(f"<script>{script}</script>"),
    )
    return f'{BEGINNING}<html lang="en">\n{tag("head", head)}\n{tag("body", body)}\n</html>\n'


def _bar(page: Page) -> Html:
    """Return the menu: a link to each part, and the buttons that need scripts."""
    links = [tag("li", tag("a", part.title, href=f"#{part.key}")) for part in page.parts]
    buttons = tag(
        "div",
        tag("button", "Dark", type="button", id="theme", hidden=True),
        tag("button", "Print", type="button", id="print", hidden=True),
        class_="buttons",
    )
    menu = tag("nav", tag("ol", *links), aria_label="Parts of this page")
    return tag("header", tag("p", "propsoff", class_="brand"), buttons, menu, class_="bar")


def _top(page: Page) -> Html:
    """Return the first screen: the answer, what it is about, what it is not about."""
    pieces = [
        tag("h1", tag("span", page.title, class_="title"), Html(" "), _verdict(page)),
        tag("p", page.lead, class_="lead"),
    ]
    if page.cards:
        pieces.append(
            tag("ul", *map(card_html, page.cards), class_="cards", aria_label="Figures that matter")
        )
    sides = []
    if page.tested:
        sides.append(tag("div", tag("h2", "Tested"), facts_html(page.tested)))
    if page.untested:
        points = tag("ul", *(tag("li", point) for point in page.untested), class_="points")
        sides.append(tag("div", tag("h2", "Not tested"), points))
    if sides:
        pieces.append(tag("div", *sides, class_="sides"))
    if page.cautions:
        pieces.append(
            tag("div", *(tag("p", caution) for caution in page.cautions), class_="cautions", role="note")
        )
    return tag("div", *pieces, class_="top", id="top")


def _verdict(page: Page) -> Html:
    return tag("span", badge(page.mood, page.verdict), class_="verdict")


def _foot(page: Page) -> Html:
    made = ", ".join(f"{name} {told}" for name, told in page.made)
    return tag("footer", tag("p", f"Written by propsoff, {made}." if made else "Written by propsoff."))


@cache
def _script() -> str:
    ours = "\n".join(_asset(name) for name in SCRIPTS)
    return f"{_asset(LIBRARY)}\n(() => {{\n'use strict';\n{ours}\n}})();\n"


@cache
def _style() -> str:
    return "\n".join(_asset(name) for name in STYLES)


def _asset(name: str) -> str:
    text = (ASSETS / name).read_text(encoding="utf-8").replace("\r\n", "\n")
    assert "</s" not in text.lower(), name
    return text


def _policy(script: str, style: str) -> str:
    return (
        f"default-src 'none'; script-src {_digest(script)}; style-src {_digest(style)}; "
        "base-uri 'none'; form-action 'none'"
    )


@cache
def _digest(text: str) -> str:
    """Return what names this very text in a Content Security Policy (Level 3, section 2.3.1)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


__all__ = ["render"]

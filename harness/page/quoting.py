"""How does text become part of a page without acting there? Cleaned first, then quoted, in this one place.

Pieces of the page are `Html`, everything else is text: `tag` quotes every child that is not `Html`, and every
attribute. So nothing reaches the page unquoted because somebody forgot.
"""

from __future__ import annotations

import html
from typing import Final

from harness.escape import clean

PROSE_MAX: Final = 4_000
"""Longest text of one element, in characters: a long paragraph."""
_EMPTY: Final = frozenset({"br", "circle", "hr", "input", "line", "link", "meta", "path", "rect"})
"""Elements without an end tag, those of SVG that stay empty among them."""


class Html(str):
    """Text that is HTML already, made by this module or by a file of ours."""

    __slots__ = ()


def quoted(text: str, most: int = PROSE_MAX) -> Html:
    """Return text as HTML that shows it and does nothing else."""
    return Html(html.escape(clean(text, most), quote=True))


def tag(name: str, /, *children: str, **attributes: str | bool | None) -> Html:
    """Return an element; children that are not `Html` are quoted, and so are all attributes.

    An attribute that is None or False is left out, True is written without a value. `_` in its name stands
    for `-`, and one at its end for nothing, as in `class_`.
    """
    written = "".join(map(_attribute, attributes.items()))
    if name in _EMPTY:
        assert not children, name
        return Html(
            f"<{name}{written}>" if name in ("br", "hr", "input", "link", "meta") else f"<{name}{written}/>"
        )
    return Html(f"<{name}{written}>{joined(*children)}</{name}>")


def joined(*pieces: str) -> Html:
    """Return pieces behind each other, those quoted that are not `Html`."""
    return Html("".join(piece if isinstance(piece, Html) else quoted(piece) for piece in pieces))


def _attribute(item: tuple[str, str | bool | None]) -> str:
    name, value = item
    if value is None or value is False:
        return ""
    name = name.rstrip("_").replace("_", "-")
    return f" {name}" if value is True else f' {name}="{quoted(value)}"'

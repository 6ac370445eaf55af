"""How does foreign text, of a device or a file, become safe to show? As one printable, bounded line."""

from __future__ import annotations

from typing import Final

TEXT_MAX: Final = 400
"""Longest piece of foreign text in a report, in characters: a few terminal lines."""


def clean(text: str, most: int = TEXT_MAX) -> str:
    """Return `text` on one line, whatever is not printable written as an escape, cut after `most` characters.

    Printable is what `str.isprintable` says: no control characters, hence no terminal commands and nothing
    that XML forbids, no line breaks, no marks that turn the reading direction, no halves of surrogate pairs.
    """
    shown = text[: most + 1]
    if not shown.isprintable():
        shown = "".join(char if char.isprintable() else _escape(char) for char in shown)
    return shown if len(shown) <= most else f"{shown[: most - 3]}..."


def _escape(char: str) -> str:
    return char.encode("unicode_escape", "backslashreplace").decode("ascii")

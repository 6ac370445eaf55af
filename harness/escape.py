r"""How does text that a device or a file wrote become safe to show? As one printable line, bounded.

Everything that reaches a terminal, a log, XML, JSON or a message goes through `clean`, or `clean_bytes` where
it comes straight from a line. What might act there is written as an escape, as Python writes it:

    clean("\x1b]0;x\x07")     gives the 12 characters   \x1b]0;x\x07
    clean("a\u202etxt.exe")   gives the 14 characters   a\u202etxt.exe

It does not quote for HTML, XML or a shell: whoever writes such a format has its library quote what this
gives, and rich gets it as `Text`, which is no markup. Nothing of a device ever becomes part of a file's name.
Cleaning twice changes nothing, so in doubt clean once more.
"""

from __future__ import annotations

import re
from typing import Final

TEXT_MAX: Final = 400
"""Longest piece of foreign text in a report, in characters: a few terminal lines."""
MARKS_MAX: Final = 2
"""So many marks may stand on one letter, as in Vietnamese; towers of them reach into other lines."""
_UNSEEN: Final = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)
"""Printable by `str.isprintable`, and yet nothing is seen: Unicode's Default_Ignorable_Code_Point (UAX #44)
as far as the category does not tell, and the empty Braille cell."""
_TOWER: Final = re.compile(
    "([\u0300-\u036f\u0483-\u0489\u1ab0-\u1aff\u1dc0-\u1dff\u20d0-\u20ff\ufe20-\ufe2f]"
    f"{{{MARKS_MAX}}})([\u0300-\u036f\u0483-\u0489\u1ab0-\u1aff\u1dc0-\u1dff\u20d0-\u20ff\ufe20-\ufe2f]+)"
)
"""Too many of the blocks of combining marks in a row."""


def clean(text: str, most: int = TEXT_MAX) -> str:
    """Return `text` on one line, whatever is not printable written as an escape, cut after `most` characters.

    Printable is what `str.isprintable` says: no control characters, hence no terminal commands and nothing
    that XML forbids, no line breaks, no marks that turn the reading direction, no characters of zero width,
    no halves of surrogate pairs. `most` is at least 3.
    """
    shown = printable(text[: most + 1])
    return shown if len(shown) <= most else f"{shown[: most - 3]}..."


def clean_bytes(data: bytes, most: int = TEXT_MAX) -> str:
    """Return bytes from a line as `clean` does text; a byte that is no UTF-8 is shown by its number."""
    return clean(data[: 4 * most + 4].decode("utf-8", "backslashreplace"), most)


def printable(text: str) -> str:
    """Return all of `text` on one line, however long, for text whose length is known to be bounded."""
    if text.isascii() and text.isprintable():
        return text
    shown = "".join(char if char.isprintable() else _escape(char) for char in text)
    shown = _UNSEEN.sub(lambda found: _escape(found[0]), shown)
    return _TOWER.sub(lambda found: found[1] + "".join(map(_escape, found[2])), shown)


def printable_lines(text: str) -> str:
    """Return a message of several lines with each of them printable."""
    return "\n".join(map(printable, text.split("\n")))


def _escape(char: str) -> str:
    return char.encode("unicode_escape", "backslashreplace").decode("ascii")

"""How do we name what stands in a file? Bounded, escaped, and with the nearest word that is allowed."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from itertools import islice
from pathlib import PurePath
from typing import Final

MAX_QUOTED: Final = 60
"""Characters of a file's text shown in a message: enough to find it, too few to bury the message."""
MAX_LISTED: Final = 40
"""Words listed in a message: every list of keys fits, a plan's thousand step names do not."""
SIMILAR: Final = 0.6
"""How like a word must be to be offered (the default cut-off of `difflib.get_close_matches`)."""

MAX_COMPARED: Final = 500
"""Words that are looked at: comparing takes some 20 us each, and a plan may have thousands of step names."""
MAX_PATH: Final = 200
"""Characters of a key path shown: a step inside ten `repeat`s stands at one of 180."""
MIN_PART: Final = 3
"""Letters that a part of a word must have to stand for it."""


def printable(text: str) -> str:
    """Return `text` on one line, with anything that a terminal might obey written as an escape."""
    if text.isprintable():
        return text
    return "".join(char if char.isprintable() else repr(char)[1:-1] for char in text)


def quoted(text: str) -> str:
    """Return `text` in quotes, shortened, with control characters escaped."""
    shown = text if len(text) <= MAX_QUOTED else text[: MAX_QUOTED - 3] + "..."
    return f"'{printable(shown)}'"


def nearest(word: str, words: Iterable[str]) -> str:
    """Return the one of `words` that `word` was probably meant to be; "" if none is near."""
    folded = {known.casefold(): known for known in islice(words, MAX_COMPARED)}
    short = word[:MAX_QUOTED].casefold()
    found = get_close_matches(short, folded, 1, SIMILAR) or _holding(short, folded)
    return printable(folded[found[0]]) if found else ""


def _holding(word: str, words: Iterable[str]) -> list[str]:
    """Return the only one of `words` that has `word` in it, such as `left motor` for `left`."""
    found = [known for known in words if len(word) >= MIN_PART and word in known]
    return found if len(found) == 1 else []


def listed(words: Iterable[str]) -> str:
    """Return the words with commas between them, cut short if there are very many."""
    known = list(words)
    more = f" and {len(known) - MAX_LISTED} more" if len(known) > MAX_LISTED else ""
    return ", ".join(printable(word) for word in known[:MAX_LISTED]) + more


def path_label(path: str) -> str:
    """Return a key path as messages show it: its end, should it be very long."""
    return printable(path if len(path) <= MAX_PATH else f"...{path[3 - MAX_PATH :]}")


def file_label(path: str | PurePath) -> str:
    """Return the path as messages show it."""
    return printable(str(path))


def many(count: int, what: str) -> str:
    """Return a number with its noun: `1 packet`, `3 packets`."""
    return f"{count} {what if count == 1 else what + 's'}"

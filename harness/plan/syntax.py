"""Why is this not YAML? The parser's complaint in words that say how to mend it, with its place."""

from __future__ import annotations

import re
from typing import Final

from harness.plan.wording import printable

MAX_DEPTH: Final = 40
"""Deepest nesting: a step inside ten `repeat`s stands 34 deep; no recursion of ours goes further."""
_BREAK: Final = re.compile("\r\n|[\n\r\x85\u2028\u2029]")
"""Line breaks as the YAML 1.1 parser below counts them (YAML 1.1, section 4.1.4)."""


def place_in(text: str, index: int) -> tuple[int, int]:
    """Return line and column, from 1, of a place in the text."""
    breaks = list(_BREAK.finditer(text, 0, index))
    return len(breaks) + 1, index - (breaks[-1].end() if breaks else 0) + 1


_SYNTAX: Final = (
    ("mapping values are not allowed", "a second ': ' in one value, or a line indented too far",
     "line keys of one mapping up with each other, and quote text that holds ': '"),
    ("sequence entries are not allowed", "a list entry '- ' on the line of its key",
     "begin the list on the next line"),
    ("unexpected end of stream", "a quotation mark is never closed", "close it"),
    ("unknown escape character", "an unknown escape in double quotes", "use single quotes, or write \\\\"),
    ("',' or ']'", "a list in [ ] is not closed, or lacks a comma", "write [a, b]"),
    ("',' or '}'", "a mapping in { } is not closed, or lacks a comma", "write {a: 1, b: 2}"),
    ("cannot start any token", "this character cannot begin a value", "put quotes around the value"),
    ("expected ':'", "a key without ': '", "write `key: value`"),
    ("exceeded maximum nesting", f"nested deeper than {MAX_DEPTH} levels", "flatten it"),
    ("'-' indicator", "this line does not belong to the list above", "begin it with '- ', or indent it less"),
    ("expected key", "this line fits no mapping above", "line it up with the keys that it belongs to"),
    ("<block end>", "this line fits nothing above", "line it up with the keys or '- ' that it belongs to"),
    ("node content", "a value is missing here", "write one, or take the bracket out"),
)  # fmt: skip
"""Part of what PyYAML says (its C and its Python parser differ), what was found, how to mend it."""


Place = tuple[int, int]
"""Line and column, from 1."""


def syntax_problem(text: str, place: Place, opened: Place | None, said: str) -> tuple[int, int, str, str]:
    """Put PyYAML's complaint in our words: line and column, what was found, what is allowed.

    `opened` is where what was being read began, should PyYAML say so.
    """
    lines = _BREAK.split(text)
    line, column = place
    if line > len(lines):
        line, column = len(lines), len(lines[-1]) + 1
    content = lines[line - 1]
    indent = content[: len(content) - len(content.lstrip(" \t"))]
    if "\t" in indent or content[column - 1 : column] == "\t":
        at = indent.find("\t") + 1 if "\t" in indent else column
        return line, at, "a tab", "YAML indents with spaces only"
    for part, found, allowed in _SYNTAX:
        if part in said:
            begun = (
                f" (begun in line {opened[0]}, column {opened[1]})" if opened and "closed" in found else ""
            )
            return line, column, found + begun, allowed
    return line, column, f"this is not YAML: {printable(said)}", ""

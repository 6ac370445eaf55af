"""Which single value does this text stand for? One reader for each scalar kind of `harness.plan.kinds`.

Numbers, `true` and nothing follow YAML 1.2.2, section 10.3.2 (core schema), as editors with a JSON Schema do.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from enum import Enum
from fractions import Fraction
from types import MappingProxyType
from typing import Any, Final, Protocol

from harness.plan.describe import expected
from harness.plan.kinds import (
    Choice,
    Decibel,
    Distance,
    Duration,
    Flag,
    Frequency,
    Kind,
    Number,
    Pulse,
    PulseOr,
    PulseRange,
    Share,
    Text,
    Whole,
)
from harness.plan.model import Range
from harness.plan.source import Node, NodeKind
from harness.plan.units import (
    QuantityError,
    format_duration,
    parse_decibel,
    parse_distance,
    parse_duration,
    parse_frequency,
    parse_number,
    parse_pulse,
    parse_pulse_range,
    parse_share,
    parse_whole,
)
from harness.plan.wording import nearest, quoted


class Bad(Enum):
    """What stands in for a value that could not be read; its problem has been noted."""

    BAD = "bad"


BAD: Final = Bad.BAD

MAX_NAME: Final = 40
"""Longest name of a channel, step or check: a column of a report."""
NAME_RULE: Final = f"a name is 1 to {MAX_NAME} printable characters without blanks around them"
NAME_PATTERN: Final = r"^\S(.*\S)?$"
SMALLEST: Final = Fraction(1, 10**9)
"""A number that must not be zero stays this far from it."""

_TRUE: Final = frozenset(("true", "True", "TRUE"))
_FALSE: Final = frozenset(("false", "False", "FALSE"))
_NUMBER_LIKE: Final = re.compile(
    r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?|0o[0-7]+|0x[0-9a-fA-F]+"
    r"|[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)"
)


class Note(Protocol):
    """Something that takes note of a problem, such as `Reading.problem`."""

    def __call__(self, node: Node, path: str, found: str, allowed: str = "", nearest: str = "") -> None:
        """Note what was found at `node` and what is allowed."""
        ...


def is_name(text: str) -> bool:
    """Return whether `text` may name a channel, a step or a check."""
    return 0 < len(text) <= MAX_NAME and text.isprintable() and text == text.strip()


def text_of(node: Node, path: str, due: str, note: Note) -> Any:
    """Return the node's text, or BAD: a list, nothing, or what YAML reads as a number or a truth value."""
    if node.kind is not NodeKind.SCALAR:
        note(node, path, f"{node.kind.value} stands here", f"write {due}")
    elif node.is_null:
        note(node, path, "nothing stands here", f"write {due}")
    elif node.plain and (node.text in _TRUE | _FALSE or _NUMBER_LIKE.fullmatch(node.text)):
        note(node, path, f"{quoted(node.text)} is not text to YAML", "put quotes around it")
    else:
        return node.text
    return BAD


def _scalar(kind: Kind, node: Node, path: str, note: Note) -> Any:
    """Return the text of a quantity or a word, or BAD where no scalar stands."""
    if node.kind is NodeKind.SCALAR and not node.is_null:
        return node.text
    found = "nothing stands here" if node.kind is NodeKind.SCALAR else f"{node.kind.value} stands here"
    note(node, path, found, f"write {expected(kind)}")
    return BAD


def _unquoted(kind: Kind, node: Node, path: str, note: Note) -> Any:
    """Return the text of a value that must stand without quotes, or BAD."""
    text = _scalar(kind, node, path, note)
    if text is BAD or node.plain:
        return text
    note(node, path, f"{quoted(text)} stands in quotes", f"write {expected(kind)}, without quotes")
    return BAD


Parser = Callable[[str], Any]


def _parsed(kind: Kind, parse: Parser, node: Node, path: str, note: Note, words: tuple[str, ...] = ()) -> Any:
    """Return what `parse` makes of the text, one of `words` as it is, or BAD."""
    text = _scalar(kind, node, path, note)
    if text is BAD or text in words:
        return text
    try:
        return parse(text)
    except QuantityError as trouble:
        if words and not any(char.isdigit() for char in text):
            note(node, path, f"unknown word {quoted(text)}", f"write {expected(kind)}", nearest(text, words))
        else:
            note(node, path, trouble.found, trouble.allowed, trouble.nearest)
    return BAD


def _between(kind: Kind, value: Any, low: Any, high: Any, node: Node, path: str, note: Note) -> Any:
    """Return the value if it lies between the ends, else BAD."""
    if isinstance(value, str | Bad) or low <= value <= high:
        return value
    note(node, path, f"{quoted(node.text)} is out of range", f"write {expected(kind)}")
    return BAD


def _duration(kind: Duration, node: Node, path: str, note: Note) -> Any:
    value = _parsed(kind, parse_duration, node, path, note, (kind.word,) if kind.word else ())
    value = _between(kind, value, kind.least_ns, kind.most_ns or value, node, path, note)
    if isinstance(value, int) and value % kind.multiple_ns:
        step = format_duration(kind.multiple_ns)
        note(node, path, f"{quoted(node.text)} is too fine for a device", f"write a multiple of {step}")
        return BAD
    return value


def _frequency(kind: Frequency, node: Node, path: str, note: Note) -> Any:
    value = _parsed(kind, parse_frequency, node, path, note)
    return _between(kind, value, kind.least_mhz, kind.most_mhz, node, path, note)


def _pulse(kind: Pulse, node: Node, path: str, note: Note) -> Any:
    value = _parsed(kind, parse_pulse, node, path, note)
    return _between(kind, value, kind.least_us, kind.most_us, node, path, note)


def _pulse_or(kind: PulseOr, node: Node, path: str, note: Note) -> Any:
    value = _parsed(kind, parse_pulse, node, path, note, kind.words)
    return _between(kind, value, Pulse().least_us, Pulse().most_us, node, path, note)


def _pulse_range(kind: PulseRange, node: Node, path: str, note: Note) -> Any:
    ends = _parsed(kind, parse_pulse_range, node, path, note)
    if ends is BAD:
        return BAD
    low, high = ends
    checked = _between(kind, low, Pulse().least_us, high, node, path, note)
    checked = _between(kind, high, low, Pulse().most_us, node, path, note) if checked is not BAD else BAD
    return BAD if checked is BAD else Range(low, high)


def _share(kind: Share, node: Node, path: str, note: Note) -> Any:
    value = _parsed(kind, parse_share, node, path, note)
    return _between(kind, value, kind.least, kind.most, node, path, note)


def _decibel(kind: Decibel, node: Node, path: str, note: Note) -> Any:
    value = _parsed(kind, lambda text: parse_decibel(text, kind.units), node, path, note)
    return _between(kind, value, kind.least_x10, kind.most_x10, node, path, note)


def _distance(kind: Distance, node: Node, path: str, note: Note) -> Any:
    value = _parsed(kind, parse_distance, node, path, note)
    return _between(kind, value, kind.least_mm, kind.most_mm, node, path, note)


def _number(kind: Number, node: Node, path: str, note: Note) -> Any:
    if _unquoted(kind, node, path, note) is BAD:
        return BAD
    value = _parsed(kind, parse_number, node, path, note)
    if not kind.zero and isinstance(value, Fraction) and abs(value) < SMALLEST:
        note(node, path, f"{quoted(node.text)} is out of range", f"write {expected(kind)}")
        return BAD
    return _between(kind, value, kind.least, kind.most, node, path, note)


def _whole(kind: Whole, node: Node, path: str, note: Note) -> Any:
    if _unquoted(kind, node, path, note) is BAD:
        return BAD
    value = _parsed(kind, parse_whole, node, path, note)
    return _between(kind, value, kind.least, kind.most, node, path, note)


def _flag(kind: Flag, node: Node, path: str, note: Note) -> Any:
    text = _unquoted(kind, node, path, note)
    if text is BAD:
        return BAD
    if text in _TRUE | _FALSE:
        return text in _TRUE
    meant = {"yes": "true", "on": "true", "no": "false", "off": "false"}.get(text.casefold(), "")
    note(node, path, f"unknown word {quoted(text)}", f"write {expected(kind)}", meant)
    return BAD


def _text(kind: Text, node: Node, path: str, note: Note) -> Any:
    text = _scalar(kind, node, path, note) if kind.bare else text_of(node, path, expected(kind), note)
    if text is BAD:
        return BAD
    shown = text.replace("\n", "") if kind.lines else text.removesuffix("\n")
    if kind.raw and kind.least <= len(text) <= kind.most:
        return text
    if not kind.raw and not shown.isprintable():
        what = "control characters" if kind.lines else "line breaks or control characters"
        note(node, path, f"text with {what}", f"write {expected(kind)} without them")
    elif len(text) > kind.most or len(text.strip()) < kind.least:
        note(node, path, f"text of {len(text)} characters", f"write {expected(kind)}")
    else:
        return text.strip()
    return BAD


def _choice(kind: Choice, node: Node, path: str, note: Note) -> Any:
    text = _scalar(kind, node, path, note)
    for word in kind.words:
        if text == word:
            return word
    if text is not BAD:
        note(node, path, f"unknown word {quoted(text)}", f"write {expected(kind)}", nearest(text, kind.words))
    return BAD


SCALARS: Final[Mapping[type, Callable[[Any, Node, str, Note], Any]]] = MappingProxyType(
    {
        Duration: _duration,
        Frequency: _frequency,
        Pulse: _pulse,
        PulseOr: _pulse_or,
        PulseRange: _pulse_range,
        Share: _share,
        Decibel: _decibel,
        Distance: _distance,
        Number: _number,
        Whole: _whole,
        Flag: _flag,
        Text: _text,
        Choice: _choice,
    }
)

"""What does a line say, and how is one written? Patterns and templates: literal text with named fields.

    RX n={packet} t={ms} ch={channel 1},{channel 2}

A field of a pattern takes a whole number, `{any}` a run of characters up to the next blank or to the literal
text behind it; blanks in the pattern stand for any run of blanks. A pattern is no regular expression of the
user's: it is made into one in which nothing is ever tried twice (possessive quantifiers), so that a match
takes time in proportion to the line, whatever the line is.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

ANY: Final = "any"
MAX_PATTERN: Final = 400
MAX_FIELDS: Final = 32
MAX_DIGITS: Final = 10
WORDS: Final[Mapping[bytes, int]] = {
    b"yes": 1, b"true": 1, b"ok": 1, b"no": 0, b"false": 0, b"lost": 0,
}  # fmt: skip
"""What may stand for 1 and 0."""
_NUMBER: Final = rb"([+-]?+[0-9]{1,10}+)"
_WORD: Final = rb"([+-]?+[0-9]{1,10}+|yes|true|ok|no|false|lost)"
_BLANKS: Final = rb"[ \t]++"
_TOKEN: Final = re.compile(r"\{([^{}]*)\}|([{}])|([^{}]+)")
_ESCAPE: Final = re.compile(r"\\(?:x([0-9a-fA-F]{2})|(.)|$)", re.DOTALL)
_PLAIN_ESCAPES: Final = {"n": b"\n", "r": b"\r", "t": b"\t", "\\": b"\\", "{": b"{", "}": b"}"}


class PatternError(ValueError):
    """A pattern or template cannot be used; says why and how to mend it."""


class PlacedError(PatternError):
    """A pattern error and the key path of what it is about, below the device's role."""

    def __init__(self, path: str, why: object) -> None:
        super().__init__(str(why))
        self.path = path


class Token(NamedTuple):
    """A piece of a pattern: literal `text`, or the `field` that stands there."""

    text: str
    field: str


def named(fields: Sequence[str]) -> str:
    """Return the names of fields in words, the channels as one."""
    channels = [name for name in fields if name.startswith("channel ")]
    others = [name for name in fields if name not in channels]
    return ", ".join(others + [f"channel 1 to {name}" for name in channels[-1:]]) or "none"


def tokens_of(text: str) -> tuple[Token, ...]:
    """Cut a pattern at its braces; raises PatternError where they do not pair."""
    found: list[Token] = []
    for match in _TOKEN.finditer(text.replace(r"\{", "\1").replace(r"\}", "\2")):
        inner, brace, literal = match.groups()
        if brace is not None:
            raise PatternError(f"a '{brace}' without its other one; write \\{brace} for the character itself")
        if inner is None:
            found.append(Token(literal.replace("\1", "\\{").replace("\2", "\\}"), ""))
            continue
        name = " ".join(inner.split())
        if not name:
            raise PatternError("a field without a name")
        found.append(Token("", name))
    return tuple(found)


class Pattern:
    """A pattern made ready; `fields` are the names in it, `longest` about how long a line of it can be."""

    __slots__ = ("_match", "fields", "longest", "words")

    def __init__(self, text: str, allowed: Sequence[str], words: Sequence[str] = ()) -> None:
        """`allowed` are the fields that may stand in it, `words` those that may be yes and no."""
        tokens = tokens_of(text)
        _check(tokens, allowed)
        self.fields = tuple(token.field for token in tokens if token.field and token.field != ANY)
        if len(set(self.fields)) < len(self.fields):
            raise PatternError("a field stands in it twice")
        pieces = [
            _piece(token, following, words)
            for token, following in zip(tokens, [*tokens[1:], None], strict=True)
        ]
        self._match = re.compile(rb"[ \t]*+" + b"".join(pieces) + rb"[ \t]*+").fullmatch
        self.longest = sum(MAX_DIGITS // 2 + 1 if token.field else len(token.text) for token in tokens) + 2

    def values(self, line: bytes) -> dict[str, int] | None:
        """Return the numbers in a line by field, or None if it is not such a line."""
        found = self._match(line)
        if found is None:
            return None
        return {
            name: WORDS[value] if value in WORDS else int(value)
            for name, value in zip(self.fields, found.groups(), strict=True)
        }


def _check(tokens: Sequence[Token], allowed: Sequence[str]) -> None:
    if sum(bool(token.field) for token in tokens) > MAX_FIELDS:
        raise PatternError(f"more than {MAX_FIELDS} fields")
    if not any(token.text.strip() for token in tokens):
        raise PatternError("no literal text in it: any line of numbers would fit")
    for token, following in pairwise(tokens):
        if token.field and following.field:
            raise PatternError(f"nothing stands between {{{token.field}}} and {{{following.field}}}")
        if token.field not in ("", ANY) and following.text[:1].isdigit():
            raise PatternError(f"a digit stands right behind {{{token.field}}}: where would the number end?")
    for token in tokens:
        if token.field and token.field != ANY and token.field not in allowed:
            raise PatternError(f"unknown field {{{token.field}}}; fields here: {named([*allowed, ANY])}")


def _piece(token: Token, following: Token | None, words: Sequence[str]) -> bytes:
    if token.field == ANY:
        stop = literal(following.text)[:1] if following is not None else b""
        return rb"[^ \t" + re.escape(stop) + rb"]++" if stop not in (b"", b" ", b"\t") else rb"[^ \t]++"
    if token.field:
        return _WORD if token.field in words else _NUMBER
    parts = re.split(rb"[ \t]+", literal(token.text))
    return _BLANKS.join(map(re.escape, parts))


def literal(text: str) -> bytes:
    r"""Return the bytes of literal text, in which \n, \r, \t, \\, \{, \} and \x41 may stand."""

    def one(found: re.Match[str]) -> str:
        number, word = found.groups()
        if number is not None:
            return chr(int(number, 16))
        if word not in _PLAIN_ESCAPES:
            raise PatternError(
                "a backslash with an unknown word behind it; write \\\\ for the character itself"
            )
        return _PLAIN_ESCAPES[word].decode("ascii")

    try:
        return _ESCAPE.sub(one, text).encode("latin-1")
    except UnicodeEncodeError as error:
        raise PatternError("a character that is no single byte; write its bytes as \\x41") from error

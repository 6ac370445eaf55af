"""What does a check mean? Its measure, why a pilot cares, where its limit comes from, what to try next."""

from __future__ import annotations

import textwrap
from typing import Any, Final, cast

from harness.errors import UserError
from harness.explain import pages
from harness.judge.advice import ADVICE
from harness.plan.describe import expected, written
from harness.plan.fields import Spec, keys_of
from harness.plan.kinds import Items
from harness.plan.model import CHECK_KINDS
from harness.plan.wording import listed, nearest, quoted

_WIDTH: Final = 100
_WIDTH_MIN: Final = 40
_INDENT: Final = 12
"""The page's text stands this far to the right of its headings."""
_KINDS: Final[dict[str, Any]] = {kind.WORD: kind for kind in cast(tuple[Any, ...], CHECK_KINDS)}


def explain(word: str, width: int | None = None) -> str:
    """Return the page of one check, a newline at the end. Raises UserError for a word that is no check."""
    if word not in _KINDS:
        near = nearest(word, _KINDS)
        hint = f"; did you mean {near}?" if near else ""
        raise UserError(f"no check is called {quoted(word)}; checks: {listed(_KINDS)}{hint}")
    page = pages.PAGES[word]
    room = max(_WIDTH_MIN, width or _WIDTH)
    lines = [f"{word}: {_first_line(_KINDS[word])}", ""]
    lines += _part("measures", page.measures, room)
    lines += _part("matters", page.matters, room)
    lines += _part("limit", page.limit, room)
    lines += _part("source", page.source, room)
    for number, line in enumerate(_keys(word)):
        lines += _part("" if number else "keys", line, room)
    for number, line in enumerate(_advice(word)):
        lines += _part("" if number else "if it fails", line, room, "- ")
    return "\n".join(lines) + "\n"


def overview(width: int | None = None) -> str:
    """Return every check in one line each, in the order of the plan model."""
    column = max(map(len, _KINDS)) + 2
    room = max(_WIDTH_MIN, width or _WIDTH)
    lines: list[str] = []
    for word, kind in _KINDS.items():
        lines += textwrap.wrap(f"{word:<{column}}{_first_line(kind)}", room, subsequent_indent=" " * column)
    return "\n".join([*lines, "", "propsoff explain CHECK tells more."]) + "\n"


def _first_line(kind: type) -> str:
    return (kind.__doc__ or "").split("\n", 1)[0]


def _part(head: str, text: str, width: int, mark: str = "") -> list[str]:
    """Return text beside its heading; what follows a `mark` hangs under the text, not under the mark."""
    return textwrap.wrap(
        text, width, initial_indent=f"{head:<{_INDENT}}{mark}", subsequent_indent=" " * (_INDENT + len(mark)),
        break_on_hyphens=False,
    )  # fmt: skip


def _keys(word: str) -> list[str]:
    """Return each key with what it takes and its default."""
    found = keys_of(_KINDS[word])
    return [f"`{name}`: {_about(spec)}" for name, spec in found.items()] or ["none"]


def _about(spec: Spec) -> str:
    takes = expected(spec.key.kind)
    default = written(spec.key.kind, spec.default)
    if spec.required:
        tail = "must be given"
    elif isinstance(spec.key.kind, Items) or default in (None, ""):
        tail = "may be left out"
    else:
        tail = f"{str(default).lower() if isinstance(default, bool) else default} if left out"
    return f"{spec.key.about} Takes {takes}; {tail}."


def _advice(word: str) -> list[str]:
    """Return what to try, each line once, in the order in which the reports give it."""
    lines = [line for (kind, _), advice in ADVICE.items() if kind == word for line in advice]
    return list(dict.fromkeys(lines))


__all__ = ["explain", "overview"]

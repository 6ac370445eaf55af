"""What stands in this YAML file, and where? Text -> positioned nodes; nothing is ever constructed from it.

PyYAML's event parser does the syntax. Scalars stay text, so that `reader` alone decides what they mean, and
everything a file could grow without bound is limited here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple, NoReturn

from harness.errors import DocumentError, PlanError, Problem
from harness.plan.syntax import MAX_DEPTH, place_in, syntax_problem
from harness.plan.wording import file_label, path_label, quoted

if TYPE_CHECKING:
    import yaml

MAX_FILE_BYTES: Final = 256 * 1024
"""Largest file: twenty times the longest plan anyone writes by hand, and read in a fraction of a second."""
MAX_NODES: Final = 50_000
"""Most values after aliases are put in: 10 000 steps of four values each, with room to spare."""
MAX_ALIASES: Final = 1_000
"""Most aliases: one for every tenth step of the longest plan."""

NULLS: Final = frozenset(("", "~", "null", "Null", "NULL"))
"""Plain scalars that stand for nothing (YAML 1.2.2, section 10.3.2)."""
_NOT_TEXT: Final = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Everything outside `c-printable` (YAML 1.2.2, section 5.1)."""


class NodeKind(Enum):
    """The three shapes that YAML has."""

    SCALAR = "text"
    SEQUENCE = "a list"
    MAPPING = "a mapping"


@dataclass(frozen=True, slots=True)
class Node:
    """One value and its place; `line` and `column` count from 1.

    `text` and `plain` (written without quotes) belong to scalars, `items` to sequences, `entries` (key and
    value, in file order, no key twice) to mappings.
    """

    kind: NodeKind
    line: int
    column: int
    text: str = ""
    plain: bool = True
    items: tuple[Node, ...] = ()
    entries: tuple[tuple[Node, Node], ...] = ()

    @property
    def is_null(self) -> bool:
        """True if nothing stands here: no text at all, `~` or `null`."""
        return self.kind is NodeKind.SCALAR and self.plain and self.text in NULLS

    def get(self, key: str) -> Node | None:
        """Return the value under `key`, or None."""
        return next((value for name, value in self.entries if name.text == key), None)


@dataclass(frozen=True, slots=True)
class Document:
    """A file as read: its exact text, its root node, and what is wrong but does not stop reading."""

    file: str
    text: str
    root: Node
    problems: tuple[Problem, ...]


def read_document(path: str | Path, error: type[DocumentError] = PlanError) -> Document:
    """Read one YAML file of at most 256 KiB in UTF-8; raises `error`."""
    file = file_label(path)
    try:
        if Path(path).exists() and not (Path(path).is_file() or Path(path).is_dir()):
            raise error((Problem(file, 0, 0, "", "this is no ordinary file", "name a YAML file"),))
        with Path(path).open("rb") as stream:
            data = stream.read(MAX_FILE_BYTES + 1)
    except (OSError, ValueError) as trouble:
        found, allowed = _unreadable(trouble)
        raise error((Problem(file, 0, 0, "", found, allowed),)) from trouble
    if len(data) > MAX_FILE_BYTES:
        raise error((_too_large(file),))
    return parse_document(_decoded(data, file, error), file, error)


def _too_large(file: str) -> Problem:
    found = f"the file is larger than {MAX_FILE_BYTES // 1024} KiB"
    return Problem(file, 0, 0, "", found, "check that this is the file you mean")


def _unreadable(trouble: OSError | ValueError) -> tuple[str, str]:
    """Say why a file could not be read, and how to mend it."""
    match trouble:
        case FileNotFoundError():
            return "no such file", "check the path and the working directory"
        case IsADirectoryError():
            return "this is a directory", "name a file in it"
        case PermissionError():
            return "no permission to read this file", "allow it (chmod u+r) or copy the file"
        case OSError():
            return f"cannot be read: {trouble.strerror}", ""
    return "this cannot be a file name", ""


def _decoded(data: bytes, file: str, error: type[DocumentError]) -> str:
    """Return the text, exactly; UTF-8 only, because columns and equal recordings depend on it."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        found = "this is UTF-16 text"
    else:
        try:
            return data.decode("utf-8")
        except UnicodeDecodeError as trouble:
            line = place_in(data[: trouble.start].decode("utf-8"), trouble.start)[0]
            found = f"this is not UTF-8 text: byte 0x{data[trouble.start]:02X} in line {line}"
    raise error((Problem(file, 0, 0, "", found, "save it as plain text in UTF-8"),))


def parse_document(text: str, file: str, error: type[DocumentError] = PlanError) -> Document:
    """Read YAML text as nodes; `file` is its name in messages. Raises `error` when it cannot be read on."""
    if len(text) > MAX_FILE_BYTES:
        raise error((_too_large(file),))
    body = text.removeprefix("\ufeff")
    builder = _Builder(file, error)
    if bad := _NOT_TEXT.search(body):
        line, column = place_in(body, bad.start())
        builder.fail(line, column, f"U+{ord(bad[0]):04X} is not a text character", "write plain UTF-8 text")
    for event in _events(body, builder):
        builder.feed(event)
    if builder.root is None or builder.root.is_null:
        found = "the file holds no values" if body.strip() else "the file is empty"
        builder.fail(0, 0, found, "write keys and values, such as `title: First look`")
    return Document(file, text, builder.root, tuple(builder.problems))


def _events(text: str, builder: _Builder) -> Iterator[yaml.Event]:
    """Yield parse events; syntax errors become problems in our words."""
    import yaml  # 20 ms that --help need not pay

    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    try:
        yield from yaml.parse(text, Loader=loader)
    except yaml.YAMLError as trouble:
        said = str(getattr(trouble, "problem", None) or "it cannot be read")
        place = _place(getattr(trouble, "problem_mark", None)) or (1, 1)
        opened = _place(getattr(trouble, "context_mark", None))
        builder.fail(*syntax_problem(text, place, opened, said))


def _place(mark: Any) -> tuple[int, int] | None:
    """Return line and column, from 1, of one of PyYAML's marks."""
    return None if mark is None else (mark.line + 1, mark.column + 1)


@dataclass(slots=True)
class _Open:
    """A collection whose end has not come yet."""

    kind: NodeKind
    line: int
    column: int
    anchor: str | None
    children: list[Node] = field(default_factory=list)
    nodes: int = 1
    height: int = 0


class _Finished(NamedTuple):
    """A finished node, and what an alias to it costs."""

    node: Node
    nodes: int
    height: int


def _start(event: yaml.Event) -> tuple[int, int]:
    """Return line and column of an event."""
    place = _place(event.start_mark)
    assert place is not None, "PyYAML marks every event"
    return place


class _Builder:
    """Turns events into nodes, within the limits."""

    def __init__(self, file: str, error: type[DocumentError]) -> None:
        self.root: Node | None = None
        self.problems: list[Problem] = []
        self._file = file
        self._error = error
        self._open: list[_Open] = []
        self._anchors: dict[str, _Finished] = {}
        self._nodes = 0
        self._aliases = 0
        self._handlers: dict[str, Callable[[Any], None]] = {
            "DocumentStartEvent": self._document,
            "ScalarEvent": self._scalar,
            "AliasEvent": self._alias,
            "SequenceStartEvent": self._sequence,
            "MappingStartEvent": self._mapping,
            "SequenceEndEvent": self._end,
            "MappingEndEvent": self._end,
        }

    def fail(self, line: int, column: int, found: str, allowed: str) -> NoReturn:
        """Give up: nothing after this place can be read for sure."""
        self.problems.append(Problem(self._file, line, column, self._path(), found, allowed))
        raise self._error(tuple(self.problems))

    def feed(self, event: yaml.Event) -> None:
        """Take one parse event."""
        if handler := self._handlers.get(type(event).__name__):
            handler(event)

    def _document(self, event: yaml.DocumentStartEvent) -> None:
        if self.root is not None:
            self.fail(*_start(event), "a second document begins here", "keep one document in a file")

    def _scalar(self, event: yaml.ScalarEvent) -> None:
        self._refuse_tag(event)
        node = Node(NodeKind.SCALAR, *_start(event), event.value, not event.style)
        self._count(1, node.line, node.column)
        self._finish(node, event.anchor, nodes=1, height=0)

    def _alias(self, event: yaml.AliasEvent) -> None:
        line, column = _start(event)
        self._aliases += 1
        if self._aliases > MAX_ALIASES:
            self.fail(line, column, f"more than {MAX_ALIASES} aliases", "write the values out")
        if any(collection.anchor == event.anchor for collection in self._open):
            self.fail(
                line, column, f"the alias *{event.anchor} stands inside what it names", "write the value out"
            )
        target = self._anchors.get(event.anchor or "")
        if target is None:
            self.fail(
                line, column, f"no anchor &{event.anchor} stands before this alias", "write the value out"
            )
        if len(self._open) + target.height > MAX_DEPTH:
            self.fail(line, column, f"with its aliases nested deeper than {MAX_DEPTH} levels", "flatten it")
        self._count(target.nodes, line, column)
        self._put(target)

    def _sequence(self, event: yaml.SequenceStartEvent) -> None:
        self._begin(NodeKind.SEQUENCE, event)

    def _mapping(self, event: yaml.MappingStartEvent) -> None:
        self._begin(NodeKind.MAPPING, event)

    def _begin(self, kind: NodeKind, event: yaml.CollectionStartEvent) -> None:
        self._refuse_tag(event)
        line, column = _start(event)
        if len(self._open) >= MAX_DEPTH:
            self.fail(line, column, f"nested deeper than {MAX_DEPTH} levels", "flatten it")
        self._count(1, line, column)
        self._open.append(_Open(kind, line, column, event.anchor))

    def _end(self, _event: yaml.CollectionEndEvent) -> None:
        done = self._open[-1]
        if done.kind is NodeKind.MAPPING:
            node = Node(done.kind, done.line, done.column, entries=self._entries(done.children))
        else:
            node = Node(done.kind, done.line, done.column, items=tuple(done.children))
        self._open.pop()
        self._finish(node, done.anchor, nodes=done.nodes, height=done.height + 1)

    def _finish(self, node: Node, anchor: str | None, *, nodes: int, height: int) -> None:
        finished = _Finished(node, nodes, height)
        if anchor is not None:
            self._anchors[anchor] = finished
        self._put(finished)

    def _put(self, finished: _Finished) -> None:
        """Put a node into the innermost open collection, or at the root."""
        if not self._open:
            self.root = finished.node
            return
        parent = self._open[-1]
        parent.children.append(finished.node)
        parent.nodes += finished.nodes
        parent.height = max(parent.height, finished.height)

    def _count(self, nodes: int, line: int, column: int) -> None:
        self._nodes += nodes
        if self._nodes > MAX_NODES:
            self.fail(
                line, column, f"more than {MAX_NODES} values, aliases counted in full", "shorten the file"
            )

    def _refuse_tag(self, event: yaml.ScalarEvent | yaml.CollectionStartEvent) -> None:
        if event.tag is not None:
            self.fail(*_start(event), f"the tag {quoted(event.tag)}", "tags are not allowed; take it out")

    def _entries(self, children: list[Node]) -> tuple[tuple[Node, Node], ...]:
        """Pair keys with values; a key that cannot stand is told and left out."""
        entries: dict[str, tuple[Node, Node]] = {}
        for key, value in zip(children[::2], children[1::2], strict=True):
            if key.kind is not NodeKind.SCALAR:
                self._tell(key, f"{key.kind.value} as a key", "write one word before the ': '")
            elif key.plain and key.text == "<<":
                self._tell(key, "a merge key <<", "merging is not allowed; write the keys out")
            elif first := entries.get(key.text):
                place = f"first in line {first[0].line}, column {first[0].column}"
                self._tell(key, f"the key {quoted(key.text)} stands twice, {place}", "take one out")
            else:
                entries[key.text] = (key, value)
        return tuple(entries.values())

    def _tell(self, node: Node, found: str, allowed: str) -> None:
        self.problems.append(Problem(self._file, node.line, node.column, self._path(), found, allowed))

    def _path(self) -> str:
        """Return the key path of the innermost open collection."""
        parts: list[str] = []
        for outer in self._open[:-1]:
            if outer.kind is NodeKind.SEQUENCE:
                parts.append(f"[{len(outer.children)}]")
            elif outer.children:
                parts.append(f".{outer.children[-1].text}")
        return path_label("".join(parts).removeprefix("."))

"""Which frozen value does this node stand for? Reads any dataclass whose fields say how they are written.

A field made with `harness.plan.kinds.key` carries its kind, its YAML name and its default; nothing here knows
what a plan or a rig is. Every problem is collected, so that one pass tells all of them.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final, TypeVar

from harness.plan.describe import expected
from harness.plan.kinds import Each, Flag, Items, Key, Kind, Name, Nested, Variants
from harness.plan.reading import EMPTY, Entry, Family, Reading, Use
from harness.plan.scalars import BAD, NAME_RULE, SCALARS, is_name, text_of
from harness.plan.source import Node, NodeKind
from harness.plan.wording import listed, nearest, quoted

__all__ = [
    "EMPTY",
    "Entry",
    "Family",
    "Reading",
    "Spec",
    "keys_of",
    "read_mapping",
    "read_value",
    "read_variant",
]

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Spec:
    """One key of a dataclass: the attribute it fills, how it is written, whether it must be given."""

    attribute: str
    key: Key
    required: bool
    default: object


_KEYS: Final[dict[type, Mapping[str, Spec]]] = {}


def keys_of(cls: type[Any]) -> Mapping[str, Spec]:
    """Return the keys of a dataclass by YAML name, in field order; looked up once for each class."""
    if cls not in _KEYS:
        declared = ((field, field.metadata.get("key")) for field in dataclasses.fields(cls))
        _KEYS[cls] = MappingProxyType(
            {key.yaml or field.name: _spec(field, key) for field, key in declared if isinstance(key, Key)}
        )
    return _KEYS[cls]


def _spec(field: dataclasses.Field[Any], key: Key) -> Spec:
    required = field.default is dataclasses.MISSING
    return Spec(field.name, key, required, None if required else field.default)


def read_mapping(
    node: Node,
    cls: type[T],
    reading: Reading,
    path: str = "",
    *,
    given: Mapping[str, object] = EMPTY,
    ignored: tuple[str, ...] = (),
) -> T | None:
    """Return an instance of `cls` read from `node`, or None if anything in it is wrong (noted in `reading`).

    `given` fills fields that are not in the file; `ignored` keys may stand there and mean nothing. A class
    with a `SHORT` key may be written as that key's value alone. Nothing at all reads as no keys.
    """
    entries = _entries(node, cls, reading, path)
    if entries is None:
        return None
    specs = keys_of(cls)
    values = dict(given)
    whole = True
    for key, value in entries:
        if spec := specs.get(key.text):
            values[spec.attribute] = read = read_value(spec.key.kind, value, _join(path, key.text), reading)
            whole = whole and read is not BAD
        elif key.text not in ignored:
            whole = False
            allowed = f"allowed here: {listed(specs)}" if specs else "it takes no settings"
            reading.problem(key, _join(path, key.text), "unknown key", allowed, nearest(key.text, specs))
    if not _all_there(node, specs, {key.text for key, _ in entries}, reading, path) or not whole:
        return None
    instance = cls(**values)
    reading.made[path] = instance
    return instance


def _entries(node: Node, cls: type, reading: Reading, path: str) -> tuple[tuple[Node, Node], ...] | None:
    """Return keys and values; the short form and nothing at all are put in full."""
    if node.kind is NodeKind.MAPPING:
        return node.entries
    if node.is_null:
        return ()
    short = getattr(cls, "SHORT", "")
    if node.kind is NodeKind.SCALAR and short:
        return ((Node(NodeKind.SCALAR, node.line, node.column, short), node),)
    reading.problem(node, path, _found(node), f"write a mapping with the keys {listed(keys_of(cls))}")
    return None


def _all_there(node: Node, specs: Mapping[str, Spec], present: set[str], reading: Reading, path: str) -> bool:
    """Note required keys that are missing, at the mapping they belong to."""
    missing = [name for name, spec in specs.items() if spec.required and name not in present]
    for name in missing:
        reading.problem(
            node, path, f"the key `{name}` is missing", f"it takes {_takes(specs[name].key.kind)}"
        )
    return not missing


def _takes(kind: Kind) -> str:
    return (
        f"a mapping with the keys {listed(keys_of(kind.of))}" if isinstance(kind, Nested) else expected(kind)
    )


def _found(node: Node) -> str:
    if node.is_null:
        return "nothing stands here"
    return f"{quoted(node.text) if node.kind is NodeKind.SCALAR else node.kind.value} stands here"


def _join(path: str, key: str) -> str:
    return f"{path}.{key}" if path else key


def read_value(kind: Kind, node: Node, path: str, reading: Reading) -> Any:
    """Return the value that `node` stands for, or BAD after noting what is wrong."""
    reading.places[path] = node
    if scalar := SCALARS.get(type(kind)):
        return scalar(kind, node, path, reading.problem)
    return _COLLECTIONS[type(kind)](kind, node, path, reading)


def _read_name(kind: Name, node: Node, path: str, reading: Reading) -> Any:
    name = text_of(node, path, expected(kind), reading.problem)
    if name is not BAD:
        reading.uses.append(Use(kind.of, name, node, path))
    return name


def _read_nested(kind: Nested, node: Node, path: str, reading: Reading) -> Any:
    if kind.flag and node.kind is NodeKind.SCALAR and not node.is_null:
        switched = read_value(
            Flag(f"a mapping with the keys {listed(keys_of(kind.of))}"), node, path, reading
        )
        if switched is not True:
            return BAD if switched is BAD else None
        node = Node(NodeKind.MAPPING, node.line, node.column)
    instance = read_mapping(node, kind.of, reading, path)
    return BAD if instance is None else instance


def _read_items(kind: Items, node: Node, path: str, reading: Reading) -> Any:
    if kind.value is not None:
        return _read_pairs(kind, kind.value, node, path, reading)
    if node.kind is NodeKind.SCALAR:
        if kind.all_word and node.text == kind.all_word:
            return ()
        value = read_value(kind.each, node, path, reading)
        return BAD if value is BAD else (value,)
    if node.kind is not NodeKind.SEQUENCE or not node.items:
        found = "the list is empty" if node.kind is NodeKind.SEQUENCE else _found(node)
        reading.problem(node, path, found, f"write {expected(kind)}")
        return BAD
    values = [
        read_value(kind.each, item, f"{path}[{index}]", reading) for index, item in enumerate(node.items)
    ]
    if isinstance(kind.each, Name):
        _refuse_twice(values, node, path, reading)
    return BAD if BAD in values else tuple(values)


def _refuse_twice(values: list[Any], node: Node, path: str, reading: Reading) -> None:
    seen: set[Any] = {BAD}
    for index, value in enumerate(values):
        if value in seen and value is not BAD:
            reading.problem(
                node.items[index], f"{path}[{index}]", f"{quoted(value)} stands twice", "take one out"
            )
        seen.add(value)


def _read_pairs(kind: Items, value_kind: Kind, node: Node, path: str, reading: Reading) -> Any:
    if node.kind is not NodeKind.MAPPING or not node.entries:
        found = "the mapping is empty" if node.kind is NodeKind.MAPPING else _found(node)
        reading.problem(node, path, found, f"write {expected(kind)}")
        return BAD
    pairs = []
    for key, value in node.entries:
        inner = _join(path, key.text)
        as_text = dataclasses.replace(
            key, plain=False
        )  # a key is always text, also where it looks like a number
        pairs.append(
            (read_value(kind.each, as_text, inner, reading), read_value(value_kind, value, inner, reading))
        )
    return BAD if any(BAD in pair for pair in pairs) else tuple(pairs)


def _read_each(kind: Each, node: Node, path: str, reading: Reading) -> Any:
    of = kind.of.__name__.casefold()
    if node.kind is not NodeKind.MAPPING or not 0 < len(node.entries) <= kind.at_most:
        reading.torn.add(of)
        found = f"{len(node.entries)} {of}s" if node.kind is NodeKind.MAPPING else _found(node)
        reading.problem(node, path, found, f"write {expected(kind)}")
        return BAD
    made: list[object] = []
    for key, value in node.entries:
        inner = _join(path, key.text)
        reading.places[inner] = value
        reading.declared.setdefault(of, []).append(key.text)
        if not is_name(key.text):
            reading.problem(key, inner, f"{quoted(key.text)} cannot be a name", NAME_RULE)
        made.append(read_mapping(value, kind.of, reading, inner, given={"name": key.text}))
    return BAD if None in made else tuple(made)


def _read_variants(kind: Variants, node: Node, path: str, reading: Reading) -> Any:
    if node.kind is not NodeKind.SEQUENCE or not node.items:
        reading.torn.add(kind.of)
        found = "the list is empty" if node.kind is NodeKind.SEQUENCE else _found(node)
        reading.problem(node, path, found, f"write a list of {kind.of}s, each beginning with '- '")
        return BAD
    made = [read_variant(kind.of, item, f"{path}[{index}]", reading) for index, item in enumerate(node.items)]
    return BAD if None in made else tuple(made)


def read_variant(of: str, node: Node, path: str, reading: Reading) -> Any:
    """Return one step or check, with the name it gives itself or ""; None if anything in it is wrong."""
    reading.places[path] = node
    kinds = reading.families[of].kinds
    if node.kind is NodeKind.SEQUENCE:
        reading.torn.add(of)
        reading.problem(node, path, "a list stands here", f"write one {of}: {listed(kinds)}")
        return None
    if node.kind is NodeKind.SCALAR:  # a bare word: a key with nothing under it
        nothing = Node(NodeKind.SCALAR, node.line, node.column)
        node = Node(NodeKind.MAPPING, node.line, node.column, entries=((node, nothing),))
    word = _kind_word(of, node, path, reading)
    if word is None:
        reading.torn.add(of)
        return None
    return _read_variant_of(of, word, node, path, reading)


def _read_variant_of(of: str, word: str, node: Node, path: str, reading: Reading) -> Any:
    family, body, inner = reading.families[of], node.get(word), f"{path}.{word}"
    assert body is not None
    name = _own_name(node.get("name"), path, reading)
    reading.places[inner] = body
    reading.entries.append(Entry(of, word, name or "", path))
    value: Any = read_mapping(body, family.kinds[word], reading, inner)
    extras = _refuse_extras(of, word, node, path, reading)
    return None if value is None or name is None or extras else family.make(value, name, path)


def _kind_word(of: str, node: Node, path: str, reading: Reading) -> str | None:
    """Return the key that says which kind of step or check this is; None after noting that there is none."""
    kinds = reading.families[of].kinds
    words = [key for key, _ in node.entries if key.text in kinds]
    if len(words) == 1:
        return words[0].text
    if words:
        found = f"{quoted(words[0].text)} and {quoted(words[1].text)} in one entry"
        reading.problem(words[1], path, found, f"begin each {of} with its own '- '")
        return None
    others = [key for key, _ in node.entries if key.text != "name"]
    wrong = others[0] if others else node
    found = f"unknown {of} {quoted(wrong.text)}" if wrong.text else f"no {of} stands here"
    reading.problem(wrong, path, found, f"{of}s: {listed(kinds)}", nearest(wrong.text, kinds))
    return None


def _own_name(node: Node | None, path: str, reading: Reading) -> str | None:
    """Return the name an entry gives itself, "" if it gives none, None if it cannot be a name."""
    if node is None:
        return ""
    inner = f"{path}.name"
    reading.places[inner] = node
    name = text_of(node, inner, NAME_RULE, reading.problem)
    if name is BAD:
        return None
    if is_name(name):
        return str(name)
    reading.problem(node, inner, f"{quoted(name)} cannot be a name", NAME_RULE)
    return None


def _refuse_extras(of: str, word: str, node: Node, path: str, reading: Reading) -> bool:
    """Note keys beside the kind and the name; the usual cause is a line indented too little."""
    inside = keys_of(reading.families[of].kinds[word])
    extras = [key for key, _ in node.entries if key.text not in (word, "name")]
    for key in extras:
        allowed = f"indent it under `{word}`" if key.text in inside else f"allowed here: {word}, name"
        reading.problem(key, _join(path, key.text), "unknown key", allowed, nearest(key.text, (word, "name")))
    return bool(extras)


_COLLECTIONS: Final[Mapping[type, Callable[[Any, Node, str, Reading], Any]]] = MappingProxyType(
    {Name: _read_name, Nested: _read_nested, Items: _read_items, Each: _read_each, Variants: _read_variants}
)

"""What may a plan look like, for an editor? A JSON Schema from the same metadata that the reader reads by.

The schema (draft 2020-12) knows keys, words and the form of quantities; ranges of quantities and what must
fit together are told in its descriptions and checked by the reader. `python -m harness.plan.schema` writes
`shared/plan.schema.json`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from harness.plan.describe import expected, written
from harness.plan.fields import Spec, keys_of
from harness.plan.kinds import (
    Choice,
    Decibel,
    Distance,
    Duration,
    Each,
    Flag,
    Frequency,
    Items,
    Kind,
    Name,
    Nested,
    Number,
    Pulse,
    PulseOr,
    PulseRange,
    Share,
    Text,
    Variants,
    Whole,
)
from harness.plan.model import Plan
from harness.plan.reader import FAMILIES, IGNORED
from harness.plan.scalars import MAX_NAME, NAME_PATTERN, NAME_RULE, SMALLEST
from harness.plan.units import (
    DISTANCE_UNITS,
    DURATION_UNITS,
    FREQUENCY_UNITS,
    NUMBER,
    PULSE_UNITS,
    SHARE_UNITS,
)

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
PATH: Final = Path(__file__).parents[2] / "shared" / "plan.schema.json"

Json = dict[str, Any]


def plan_schema() -> Json:
    """Return the JSON Schema of a plan file."""
    definitions: dict[str, Json] = {}
    root = _mapping(Plan, definitions)
    for of in FAMILIES:
        definitions[of] = _variant(of, definitions)
    editor = {"type": "string", "description": "Where an editor finds this schema; the harness ignores it."}
    root["properties"] = {**dict.fromkeys(IGNORED, editor), **root["properties"]}
    about = "Propsoff test plan: the link under test, what to do, what to judge."
    ordered = {name: definitions[name] for name in sorted(definitions)}
    return {"$schema": DIALECT, "title": "Test plan", **root, "description": about, "$defs": ordered}


def schema_text() -> str:
    """Return the schema as it stands in `shared/plan.schema.json`."""
    return json.dumps(plan_schema(), indent=1, ensure_ascii=False) + "\n"


def _mapping(cls: type, definitions: dict[str, Json]) -> Json:
    """Return the schema of a dataclass written as a mapping."""
    keys = keys_of(cls)
    required = [name for name, spec in keys.items() if spec.required]
    properties = {name: _property(spec, definitions) for name, spec in keys.items()}
    return {
        "type": "object",
        "description": _docline(cls),
        "properties": properties,
        "additionalProperties": False,
        **({"required": required} if required else {}),
    }


def _docline(cls: type) -> str:
    return (cls.__doc__ or "").split("\n", 1)[0]


def _property(spec: Spec, definitions: dict[str, Json]) -> Json:
    """Return the schema of one key, with everything that an editor can show about it."""
    kind = spec.key.kind
    default = written(kind, spec.default)
    if spec.default == () and isinstance(kind, Items) and kind.all_word:
        default = kind.all_word
    limits = expected(kind)
    about = (
        f"{spec.key.about} {limits[0].upper()}{limits[1:]}."
        if limits and not _plain(kind)
        else spec.key.about
    )
    described: Json = {
        "description": about if default in (None, "") else f"{about} Default: {_shown(default)}."
    }
    if default not in (None, ""):
        described["default"] = default
    return {**described, **_value(kind, definitions)}


def _plain(kind: Kind) -> bool:
    """Return whether the schema itself already says everything about this kind."""
    return isinstance(kind, Nested | Flag | Variants) or (isinstance(kind, Whole) and kind.least == kind.most)


def _shown(default: Any) -> str:
    return str(default).lower() if isinstance(default, bool) else str(default)


def _value(kind: Kind, definitions: dict[str, Json]) -> Json:
    """Return the schema of a value of this kind, without its description."""
    if scalar := _SCALARS.get(type(kind)):
        return scalar(kind)
    match kind:
        case Items():
            return _items(kind, definitions)
        case Nested(of, flag):
            body = _reference(of, of.__name__.casefold(), definitions)
            return {"anyOf": [{"type": "boolean"}, body]} if flag else body
        case Each():
            return _each(kind, definitions)
        case Variants(of):
            return {"type": "array", "items": {"$ref": f"#/$defs/{of}"}, "minItems": 1}
    raise AssertionError(kind)


def _number(kind: Number) -> Json:
    ends = {"type": "number", "minimum": float(kind.least), "maximum": float(kind.most)}
    near = {"exclusiveMinimum": -float(SMALLEST), "exclusiveMaximum": float(SMALLEST)}
    return ends if kind.zero else {**ends, "not": near}


def _with_unit(units: Iterable[str], sign: str = "") -> Json:
    return {"type": "string", "pattern": f"^{sign}{NUMBER} *(?:{'|'.join(units)})$"}


def _words_or(words: Iterable[str], other: Json) -> Json:
    return {"anyOf": [{"enum": list(words)}, other]} if words else other


def _text(kind: Text) -> Json:
    line = r"[^\n\r]*\S[^\n\r]*" if kind.least else r"[^\n\r]*"
    pattern = {} if kind.lines else {"pattern": rf"^{line}\n?$"}
    return {"type": "string", "minLength": kind.least, "maxLength": kind.most, **pattern}


def _items(kind: Items, definitions: dict[str, Json]) -> Json:
    each = _value(kind.each, definitions)
    if kind.value is not None:
        value = _value(kind.value, definitions)
        return {"type": "object", "additionalProperties": value, "minProperties": 1}
    row: Json = {"type": "array", "items": each, "minItems": 1}
    if isinstance(kind.each, Name):
        row["uniqueItems"] = True
    word = [{"const": kind.all_word}] if kind.all_word else []
    return {"anyOf": [*word, each, row]}


def _each(kind: Each, definitions: dict[str, Json]) -> Json:
    return {
        "type": "object",
        "additionalProperties": _reference(kind.of, kind.of.__name__.casefold(), definitions),
        "propertyNames": dict(NAME_SCHEMA),
        "minProperties": 1,
        "maxProperties": kind.at_most,
    }


_DURATION: Final = _with_unit(DURATION_UNITS)
_PULSE: Final = _with_unit(PULSE_UNITS)
_SCALARS: Final[Mapping[type, Callable[[Any], Json]]] = MappingProxyType(
    {
        Duration: lambda kind: _words_or([kind.word] if kind.word else [], _DURATION),
        Frequency: lambda _: _with_unit(FREQUENCY_UNITS),
        Pulse: lambda _: _PULSE,
        PulseOr: lambda kind: _words_or(kind.words, _PULSE),
        PulseRange: lambda _: {"type": "string", "pattern": f"^{NUMBER} *us to {NUMBER} *us$"},
        Share: lambda _: _with_unit(SHARE_UNITS),
        Decibel: lambda kind: _with_unit(kind.units, "-?"),
        Distance: lambda _: _with_unit(DISTANCE_UNITS),
        Number: _number,
        Whole: lambda kind: {"type": "integer", "minimum": kind.least, "maximum": kind.most},
        Flag: lambda _: {"type": "boolean"},
        Text: _text,
        Choice: lambda kind: {"enum": [str(word) for word in kind.words]},
        Name: lambda _: {"type": "string"},
    }
)
NAME_SCHEMA: Final[Mapping[str, Any]] = MappingProxyType(
    {"type": "string", "minLength": 1, "maxLength": MAX_NAME, "pattern": NAME_PATTERN}
)


def _reference(cls: type, name: str, definitions: dict[str, Json]) -> Json:
    """Define a dataclass under `name`, with its short forms, and return a reference to it."""
    if name not in definitions:
        definitions[name] = {}  # holds the place while a class that contains itself is described
        body = _mapping(cls, definitions)
        forms: list[Json] = [body]
        if "required" not in body:
            forms.append({"type": "null"})
        if short := getattr(cls, "SHORT", ""):
            forms.append(_value(keys_of(cls)[short].key.kind, definitions))
        about = {"description": body["description"]}
        definitions[name] = body if len(forms) == 1 else {**about, "anyOf": forms}
    return {"$ref": f"#/$defs/{name}"}


def _variant(of: str, definitions: dict[str, Json]) -> Json:
    """Return the schema of a list entry: one key word with its settings, maybe a name, or a bare word."""
    kinds = FAMILIES[of].kinds
    bare = [word for word, cls in kinds.items() if not any(spec.required for spec in keys_of(cls).values())]
    bodies = {
        word: {"description": _docline(cls), **_reference(cls, f"{of} {word}", definitions)}
        for word, cls in kinds.items()
    }
    name = {**NAME_SCHEMA, "description": f"What this {of} is called in reports; {NAME_RULE}."}
    entry = {
        "type": "object",
        "properties": {**bodies, "name": name},
        "additionalProperties": False,
        "oneOf": [{"required": [word]} for word in kinds],
    }
    return {"description": f"One {of}.", "anyOf": [entry, {"enum": bare}]}


def main() -> None:
    """Write `shared/plan.schema.json` of this checkout."""
    if not PATH.parent.is_dir():
        raise SystemExit(f"{PATH.parent} is not there: run this in a checkout of the project")
    PATH.write_text(schema_text(), encoding="utf-8")
    print(PATH)


if __name__ == "__main__":
    main()

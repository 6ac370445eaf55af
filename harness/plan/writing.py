"""How is a plan written by a program, so that a person likes to read it? Values and plain data -> YAML.

The reader's opposite: what `plan_text` writes, `harness.plan.reader.parse_plan` reads back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from functools import lru_cache
from typing import Any, Final

import yaml

from harness.plan.describe import written
from harness.plan.fields import keys_of
from harness.plan.kinds import Each, Items, Kind, Nested, Number
from harness.plan.model import Link, Safety
from harness.plan.units import format_number

Data = dict[str, Any]
"""One step or check as plain data: its word with its keys, and maybe `name`."""
WIDTH: Final = 10_000
"""Columns of a value before it is wrapped: one step or channel stays on one line."""


class _Exact(str):
    """A decimal number that is written digit by digit, for a float might not hold it."""

    __slots__ = ()


class _Dumper(yaml.SafeDumper):
    """Writes plain data, and exact numbers without quotes; repeats nothing by reference."""

    def ignore_aliases(self, data: Any) -> bool:  # noqa: ARG002 - PyYAML's signature
        return True


_Dumper.add_representer(
    _Exact, lambda dumper, number: dumper.represent_scalar("tag:yaml.org,2002:float", str(number))
)


def data_of(value: object) -> Data:
    """Return a plan's value, such as a `Link`, as plain data with its YAML names; defaults are left out."""
    found = {}
    for name, spec in keys_of(type(value)).items():
        given = getattr(value, spec.attribute)
        if spec.required or given != spec.default:
            found[name] = _plain(spec.key.kind, given)
    return found


def _plain(kind: Kind, value: Any) -> Any:
    if isinstance(kind, Nested):
        return data_of(value)
    if isinstance(kind, Each):
        return {one.name: data_of(one) for one in value}
    if isinstance(kind, Items):
        if kind.value is not None:
            return {name: _plain(kind.value, one) for name, one in value}
        return [_plain(kind.each, one) for one in value] or kind.all_word
    if isinstance(kind, Number) and isinstance(value, Fraction) and value.denominator != 1:
        return _Exact(format_number(value))
    return written(kind, value)


def plan_text(
    link: Link,
    steps: Sequence[Data],
    checks: Sequence[Data | str],
    *,
    title: str,
    about: str = "",
    safety: Safety | None = None,
) -> str:
    """Return the text of a plan with these steps and checks, each on a line of its own."""
    lines = ["propsoff: 1", f"title: {flow(title)}"]
    if about:
        lines += ["about: |", *(f"  {line}".rstrip() for line in about.splitlines())]
    if safety is not None and (kept := data_of(safety)):
        lines += ["", f"safety: {flow(kept)}"]
    lines += ["", "link:", *_link_lines(link), "", "steps:"]
    for step in steps:
        lines += _entry_lines(step)
    lines += ["", "checks:"]
    for check in checks:
        lines += [f"  - {check}"] if isinstance(check, str) else _entry_lines(check)
    return "\n".join(lines) + "\n"


def entries(text: str) -> tuple[list[Data], list[Data | str]]:
    """Return steps and checks of a plan's text, which must be sound, as plain data."""
    document = yaml.safe_load(text)
    return document["steps"], document["checks"]


def word_of(entry: Data | str) -> str:
    """Return the word of a step or check."""
    return entry if isinstance(entry, str) else next(iter(entry))


@lru_cache(maxsize=8)  # a thousand plans may be written for one link
def _link_lines(link: Link) -> tuple[str, ...]:
    lines: list[str] = []
    for name, value in data_of(link).items():
        if name in ("channels", "telemetry"):
            lines += [f"  {name}:", *(f"    {flow(one)}: {flow(keys)}" for one, keys in value.items())]
        else:
            lines.append(f"  {name}: {flow(value)}")
    return tuple(lines)


def _entry_lines(entry: Mapping[str, Any]) -> list[str]:
    """Write one step or check; its `name`, if it has one, stands under it."""
    (word, keys), *more = entry.items()
    assert all(name == "name" for name, _ in more), "a step or check has one word, and maybe a name"
    return [f"  - {word}: {flow(keys)}", *(f"    name: {flow(name)}" for _, name in more)]


ENDS: Final = frozenset("\r\n\x85\u2028\u2029")
"""Line breaks in YAML 1.1: written as they are, they would be read as a space."""


def flow(value: Any) -> str:
    """Return one value as YAML on one line."""
    text = _dumped(value, allow_unicode=True)
    return _dumped(value, allow_unicode=False) if ENDS & set(text) else text


def _dumped(value: Any, *, allow_unicode: bool) -> str:
    text: str = yaml.dump(
        value,
        Dumper=_Dumper,
        default_flow_style=True,
        width=WIDTH,
        allow_unicode=allow_unicode,
        sort_keys=False,
    )
    return text.removesuffix("\n").removesuffix("\n...")

"""The harness publishes a JSON Schema that agrees with its reader.

An independent validator (`jsonschema`, draft 2020-12) decides what the schema allows.
"""

from __future__ import annotations

import copy
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from plan_samples import SMALL, complaints

from harness.plan import schema
from harness.plan.find import CHECKOUT
from harness.plan.schema import PATH, plan_schema, schema_text

VALIDATOR = Draft202012Validator(plan_schema())
SHIPPED = sorted(CHECKOUT.glob("*.yaml"))
SAMPLE: dict[str, Any] = yaml.safe_load(SMALL)


def test_stands_in_the_shared_folder_as_it_is_generated() -> None:
    assert PATH.read_text(encoding="utf-8") == schema_text(), "run python -m harness.plan.schema"


def test_is_a_valid_schema_of_its_dialect() -> None:
    Draft202012Validator.check_schema(plan_schema())


def every_property(node: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(node, dict):
        if isinstance(node.get("properties"), dict):
            yield from node["properties"].items()
        for inner in node.values():
            yield from every_property(inner)
    elif isinstance(node, list):
        for inner in node:
            yield from every_property(inner)


def test_explains_every_key() -> None:
    found = list(every_property(plan_schema()))
    assert len(found) > 80
    assert [name for name, about in found if not about.get("description")] == []


def test_tells_limits_and_defaults_in_the_words_of_a_plan() -> None:
    whole = plan_schema()
    within = whole["$defs"]["failsafe"]["properties"]["recover_within"]
    assert within["description"].endswith(" first packet. A time from 1 ms to 10 s. Default: 1 s.")
    assert within["default"] == "1 s"
    assert whole["properties"]["propsoff"]["description"] == "Version of this plan format: 1."


def test_resolves_every_reference() -> None:
    whole = plan_schema()
    references = [part.split('"')[0] for part in schema_text().split('"$ref": "#/$defs/')[1:]]
    assert references
    assert set(references) == set(whole["$defs"])


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_allows_every_shipped_plan(path: Path) -> None:
    assert [error.message for error in VALIDATOR.iter_errors(yaml.safe_load(path.read_text()))] == []
    assert path.read_text().startswith("# yaml-language-server: $schema=../shared/plan.schema.json\n")


def changed(path: tuple[Any, ...], value: Any) -> dict[str, Any]:
    plan = copy.deepcopy(SAMPLE)
    at: Any = plan
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = value
    return plan


def reader_allows(plan: Any) -> bool:
    return complaints(json.dumps(plan)) == []


SETTLE = ("steps", 0)
SWEEP = ("steps", 1, "sweep")
CHECK = ("checks", 1)
MOTOR = ("link", "channels", "motor")
BOTH_ALLOW = [
    (("$schema",), "../shared/plan.schema.json"),
    (("about",), "one\ntwo"),
    (("safety",), {"throttle_up_to": "50 %"}),
    (("safety",), None),
    (("extend",), True),
    (("extend",), False),
    (("extend",), {"up_to": "30 min"}),
    (SETTLE, "settle"),
    (SETTLE, {"settle": None}),
    (SETTLE, {"settle": {}}),
    (SETTLE, {"settle": "1.5 min", "name": "rest"}),
    (SETTLE, {"wait": "linked"}),
    (SETTLE, {"restart": "receiver"}),
    (SETTLE, {"restart": {"device": "transmitter", "packets_wrap_in": 20, "clock_wraps_in": "1 min"}}),
    (SETTLE, {"cut": {"duration": "1 s", "by": "deaf", "sticks": "ends", "ability": "if present"}}),
    (SETTLE, {"fade": {"over": "5 s", "duration": "1 s"}}),
    (SETTLE, {"mute": "1 s"}),
    (SETTLE, {"interfere": {"for": "1 s", "times": 2}}),
    (("soak",), "2 h"),
    (("soak",), {"for": "2 h"}),
    ((*SWEEP, "together"), True),
    (SETTLE, {"repeat": {"times": 2, "steps": ["corners", {"settle": "1 s"}]}}),
    (SETTLE, {"hold": {"for": "1 s", "sticks": {"motor": "1100 us"}}}),
    ((*SWEEP, "channels"), "all"),
    ((*SWEEP, "channels"), "motor"),
    ((*SWEEP, "cycles"), 7),
    (CHECK, "no_glitch"),
    (CHECK, {"bench": {"lost_at_most": "0%"}}),
    ((*MOTOR, "failsafe"), "1000 us"),
    ((*MOTOR, "range"), "1000us to 2000us"),
    (("steps", 3, "cut", "phase"), "3 ms"),
    (("link", "telemetry", "supply", "scale"), -0.25),
    (SETTLE, {"margin": {"by": "power", "from": "0 dBm", "to": "-30 dBm", "distance": "1.5 m"}}),
    (SETTLE, {"margin": {"by": "hand", "from": "0dB", "to": "60 dB", "in_line": "20 dB"}}),
]


@pytest.mark.parametrize(("path", "value"), BOTH_ALLOW, ids=str)
def test_allows_what_the_reader_allows(path: tuple[Any, ...], value: Any) -> None:
    plan = changed(path, value)
    assert reader_allows(plan)
    assert VALIDATOR.is_valid(plan)


BOTH_REFUSE = [
    (("propsoff",), 2),
    (("propsoff",), "1"),
    (("title",), ""),
    (("title",), "   "),
    (("title",), 5),
    (("title",), "two\nlines"),
    (("title",), "x" * 121),
    (("titel",), "x"),
    (("extend",), "yes"),
    (("extend",), 3),
    (("extend",), {"up_to": 30}),
    (("extend",), {"looks": 4}),
    (("link",), None),
    (("link", "packet_rate"), 50),
    (("link", "packet_rate"), "50"),
    (("link", "packet_rate"), "50 hz"),
    (("link", "packet_rate"), "5e1 Hz"),
    (("link", "failsafe", "within"), "-500 ms"),
    (("link", "failsafe", "within"), "nan ms"),
    (("link", "failsafe", "within"), 0.5),
    (("link", "channels"), {}),
    (("link", "channels"), ["motor"]),
    (("link", "channels", " motor"), {"failsafe": "low"}),
    (("link", "channels", ""), {"failsafe": "low"}),
    (("link", "channels", "x" * 41), {"failsafe": "low"}),
    (MOTOR, {}),
    (MOTOR, None),
    ((*MOTOR, "failsafe"), 1000),
    ((*MOTOR, "failsafe"), "lwo"),
    ((*MOTOR, "range"), "1000 to 2000 us"),
    ((*MOTOR, "range"), ["1000 us", "2000 us"]),
    ((*MOTOR, "role"), "motor"),
    (("link", "telemetry"), {}),
    (("link", "telemetry", "supply", "scale"), 0),
    (("link", "telemetry", "supply", "scale"), "0.1"),
    (("link", "telemetry", "supply", "scale"), 1e12),
    (("steps",), []),
    (("steps",), "settle"),
    (SETTLE, "cut"),
    (SETTLE, "mute"),
    (SETTLE, {"fade": {"over": "5 s"}}),
    (SETTLE, {"cut": {"duration": "1 s", "by": "silent"}}),
    (SETTLE, {"interfere": {"for": "1 s", "ability": "maybe"}}),
    ((*SWEEP, "together"), "yes"),
    (("soak",), True),
    (("soak",), {}),
    (SETTLE, "nothing"),
    (SETTLE, None),
    (SETTLE, {}),
    (SETTLE, {"name": "x"}),
    (SETTLE, {"settle": "1 s", "corners": None}),
    (SETTLE, {"settle": "1 s", "for": "1 s"}),
    (SETTLE, {"settle": "1 s", "name": 5}),
    (SETTLE, {"settle": "1 s", "name": " x"}),
    (SETTLE, {"settle": 1}),
    (SETTLE, {"wait": "lnked"}),
    (SETTLE, {"cut": None}),
    (SETTLE, {"repeat": {"times": 2, "steps": []}}),
    (SETTLE, {"repeat": {"times": 0, "steps": ["settle"]}}),
    (SETTLE, {"hold": {"for": "1 s", "sticks": {}}}),
    (SETTLE, {"hold": {"for": "1 s", "sticks": {"motor": 1100}}}),
    ((*SWEEP, "channels"), []),
    ((*SWEEP, "channels"), ["motor", "motor"]),
    ((*SWEEP, "channels"), [1]),
    ((*SWEEP, "shape"), "square"),
    ((*SWEEP, "cycles"), 1.5),
    ((*SWEEP, "cycles"), "7"),
    ((*SWEEP, "cycles"), 10_001),
    ((*SWEEP, "cycles"), True),
    ((*SWEEP, "perod"), "1 s"),
    (("checks",), []),
    (CHECK, "delivery"),
    (CHECK, {"no_glitch": {"at_most": 1}}),
    (CHECK, {"bench": {"lost_at_most": 0}}),
]


@pytest.mark.parametrize(("path", "value"), BOTH_REFUSE, ids=str)
def test_refuses_what_the_reader_refuses(path: tuple[Any, ...], value: Any) -> None:
    plan = changed(path, value)
    assert not reader_allows(plan)
    assert not VALIDATOR.is_valid(plan)


ONLY_THE_READER = (
    "is out of range",
    "is outside the range",
    "unknown channel",
    "unknown step",
    "does not go up",
    "stands twice",
    "begins and ends at",
    "a sweep from",
    "too fine",
    "finer than",
    "needs a cut",
    "without an inject step",
    "without telemetry",
    "no telemetry to inject",
    "it belongs to",
    "throttle",
    "leaves no time",
    "is more than",
    "is shorter than",
    "the longest cut",
    "the steps take",
    "steps with every repeat",
    "the staircase takes",
    "cannot be a name",
    "control characters",
    "means every channel",
    "the fields take",
)
"""What the schema cannot see: ranges of quantities, names declared elsewhere, parts that do not fit."""
SMALL_VALUES = st.sampled_from(
    (None, True, 0, 1, 7, -1, 1.5, "", "all", "cut", "settle", "motor", "elevon", "low", "random", "linked",
     "1 s", "20 ms", "1 us", "1500 us", "50 Hz", "99 %", "1000 us to 1500 us", [], {}, ["elevon"],
     {"for": "1 s"}, "x" * 50)
)  # fmt: skip
KEYS = st.sampled_from(
    ("name", "for", "times", "channel", "channels", "within", "at_least", "cut", "settle", "x")
)


def places(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    inner = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in inner:
        yield (*path, key)
        yield from places(value, (*path, key))


@given(
    st.sampled_from(sorted(places(SAMPLE), key=str)),
    st.sampled_from(("put", "add", "drop")),
    KEYS,
    SMALL_VALUES,
)
def test_agrees_with_the_reader_on_any_plan_changed_anywhere(
    path: tuple[Any, ...], how: str, key: str, value: Any
) -> None:
    plan = changed((*path[:-1], key) if how == "add" and isinstance(path[-1], str) else path, value)
    if how == "drop":
        at: Any = plan
        for step in path[:-1]:
            at = at[step]
        del at[path[-1]]
    told = complaints(json.dumps(plan))
    if not VALIDATOR.is_valid(plan):
        assert told, "the reader allows what the schema refuses"
    else:
        assert all(any(reason in message for reason in ONLY_THE_READER) for message in told), told


def test_is_written_by_running_the_module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schema, "PATH", tmp_path / "plan.schema.json")
    schema.main()
    assert (tmp_path / "plan.schema.json").read_text(encoding="utf-8") == schema_text()
    monkeypatch.setattr(schema, "PATH", tmp_path / "gone" / "plan.schema.json")
    with pytest.raises(SystemExit, match="run this in a checkout"):
        schema.main()


def test_loads_no_yaml_and_no_numbers_before_a_plan_is_read() -> None:
    code = "import sys, harness.plan.reader; print(*sys.modules)"
    told = subprocess.run(
        [sys.executable, "-c", code], cwd=CHECKOUT.parent, capture_output=True, text=True, check=True
    )
    assert {"yaml", "numpy", "scipy", "rich", "serial"}.isdisjoint(told.stdout.split())

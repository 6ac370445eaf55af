"""The harness writes verdict.json with documented keys, valid for any JSON reader."""

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from report_samples import CAUSE, HEADER, INFINITE, JUDGEMENT, OUTCOME, RESULTS, hostile

from harness import findings
from harness.report.document import KEYS, Outcome, key_page, to_json, verdict_document

STORED = Path(__file__).parent / "stored"
OPEN = {"rig.baud", "rig.facts", "versions", "devices", "checks.counts"}
"""Objects whose keys are names from the run."""


def one(**fields):
    """Return the entry of one check after a trip through JSON."""
    judgement = replace(JUDGEMENT, results=(replace(RESULTS[0], **fields),))
    return json.loads(to_json(verdict_document(Outcome(judgement, HEADER, "x"))))["checks"][0]


def keys_of(value, before=""):
    """Yield every key of a document in the way KEYS writes them."""
    if isinstance(value, list):
        for item in value:
            yield from keys_of(item, before)
    elif isinstance(value, dict) and before not in OPEN:
        for key, item in value.items():
            if before == "units":  # its keys are roles
                yield from (f"{before}.{one}" for one in item)
                continue
            path = f"{before}.{key}" if before else key
            yield path
            yield from keys_of(item, path)


def test_writes_the_whole_document():
    assert to_json(verdict_document(OUTCOME)) == (STORED / "verdict.json").read_text()


def test_documents_every_key_and_no_other():
    told = replace(OUTCOME, judgement=replace(JUDGEMENT, causes=(CAUSE,)))
    found = set(keys_of(verdict_document(told)))
    parents = {"plan", "rig", "packets"}
    assert found - parents == set(KEYS)
    assert all(KEYS.values())


def test_keeps_the_types_that_readers_rely_on():
    number, text, whole = {"type": ["number", "null"]}, {"type": "string"}, {"type": "integer"}
    lines = {"type": "array", "items": text}
    check = {
        "type": "object",
        "additionalProperties": False,
        "required": sorted(key.partition(".")[2] for key in KEYS if key.startswith("checks.")),
        "properties": {
            **dict.fromkeys(("name", "kind", "unit", "sample_unit", "reason"), text),
            **dict.fromkeys(("value", "confidence", "uncertainty", "limit", "margin"), number),
            "verdict": {"enum": ["pass", "fail", "inconclusive", "error"]},
            "interval": {"type": ["array", "null"], "items": number, "minItems": 2, "maxItems": 2},
            "side": {"enum": ["", "at least", "at most"]},
            "samples": whole,
            "needed": {"type": ["integer", "null"]},
            "counts": {"type": "object", "additionalProperties": whole},
            "examples": lines,
            "advice": lines,
        },
    }
    figure = {
        "type": "object",
        "additionalProperties": False,
        "required": ["name", "value", "unit", "interval", "confidence", "note"],
        "properties": {
            **dict.fromkeys(("name", "unit", "note"), text),
            **dict.fromkeys(("value", "confidence"), number),
            "interval": check["properties"]["interval"],
        },
    }
    cell = {"type": ["string", "number", "null"]}
    grid = {
        "type": "object",
        "additionalProperties": False,
        "required": ["title", "heads", "rows", "note"],
        "properties": {
            **dict.fromkeys(("title", "note"), text),
            "heads": lines,
            "rows": {"type": "array", "items": {"type": "array", "items": cell}},
        },
    }
    section = {
        "type": "object",
        "additionalProperties": False,
        "required": ["key", "title", "figures", "grids", "notes"],
        "properties": {
            "key": {"enum": list(findings.KEYS)},
            "title": text,
            "figures": {"type": "array", "items": figure},
            "grids": {"type": "array", "items": grid},
            "notes": lines,
        },
    }
    schema = {
        "type": "object",
        "required": [
            "verdict",
            "exit_code",
            "plan",
            "rig",
            "seed",
            "versions",
            "link_seconds",
            "packets",
            "checks",
            "sections",
        ],
        "properties": {
            "checks": {"type": "array", "items": check},
            "sections": {"type": "array", "items": section},
            "exit_code": {"enum": [0, 1, 3, 5]},
        },
    }
    for outcome in (OUTCOME, hostile()):
        jsonschema.validate(json.loads(to_json(verdict_document(outcome))), schema)


@pytest.mark.parametrize(
    ("number", "word"), [(INFINITE, "infinite"), (-INFINITE, "minus infinite"), (math.nan, "not a number")]
)
@pytest.mark.parametrize("field", ["value", "limit", "uncertainty"])
def test_writes_null_for_what_json_cannot_hold_and_says_so(field, number, word):
    entry = one(**{field: number, "reason": "it was so"})
    assert entry[field] is None
    assert entry["reason"] == f"it was so (the {field} is {word})"


def test_writes_null_for_the_open_end_of_an_interval():
    entry = one(interval=(None, INFINITE), reason="it was so")
    assert entry["interval"] == [None, None]
    assert entry["reason"] == "it was so (the interval's high end is infinite)"


def test_writes_no_interval_as_null():
    assert one(interval=None)["interval"] is None


def test_takes_the_numbers_of_numerical_libraries():
    entry = one(value=np.float64(1.5), samples=np.int64(3), counts={"a": np.int64(4)}, needed=np.int64(5))
    assert (entry["value"], entry["samples"], entry["counts"], entry["needed"]) == (1.5, 3, {"a": 4}, 5)


def test_names_the_start_only_in_real_time():
    timed = Outcome(JUDGEMENT, replace(HEADER, wall_seconds=1_700_000_000), "x")
    # 1 700 000 000 s since 1970 is 2023-11-14T22:13:20Z: common practice, `date -u -d @1700000000` agrees.
    assert verdict_document(timed)["started"] == "2023-11-14T22:13:20Z"
    assert verdict_document(OUTCOME)["started"] is None


def test_writes_ascii_that_strict_readers_take():
    text = to_json(verdict_document(hostile()))
    assert text.isascii()
    assert text.endswith("}\n")
    assert not re.search(r"(?<!\\)\\ud[89a-f]", text)  # two backslashes are one, and no escape
    assert not any(ord(char) < 32 for char in text.replace("\n", ""))


def test_does_not_depend_on_the_order_of_mappings():
    turned = Outcome(
        replace(JUDGEMENT, devices=dict(reversed(JUDGEMENT.devices.items()))),
        replace(HEADER, facts=dict(reversed(HEADER.facts.items())), baud=dict(reversed(HEADER.baud.items()))),
        OUTCOME.title,
    )
    assert to_json(verdict_document(turned)) == to_json(verdict_document(OUTCOME))


def test_the_page_that_explains_the_keys_is_in_step():
    assert (Path(__file__).parents[2] / "shared" / "verdict.md").read_text() == key_page()

"""The harness says in words what each kind of value looks like, and writes defaults as a plan would."""

from __future__ import annotations

import dataclasses
from fractions import Fraction

import pytest

from harness.clock import MS, S
from harness.plan import model as p
from harness.plan.describe import expected, written
from harness.plan.fields import Reading, keys_of, read_value
from harness.plan.kinds import (
    Choice,
    Decibel,
    Distance,
    Duration,
    Each,
    Flag,
    Items,
    Name,
    Nested,
    Number,
    Pulse,
    Share,
    Text,
    Variants,
    Whole,
)
from harness.plan.source import parse_document


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (Duration(MS, 10 * S), "a time from 1 ms to 10 s"),
        (Duration(), "a time such as 20 ms"),
        (Duration(0, S, word="random"), "a time from 0 ms to 1 s, or random"),
        (Share(Fraction(1, 2), Fraction(1)), "a share from 50 % to 100 %"),
        (Number(Fraction(0), Fraction(1)), "a number from 0 to 1"),
        (Decibel(0, 205), "a level from 0 dB to 20.5 dB"),
        (Decibel(-300, 100, ("dBm",)), "a power from -30 dBm to 10 dBm"),
        (Decibel(-10, 10, ("dBm", "dB")), "a level from -1 dBm or dB to 1 dBm or dB"),
        (Distance(10, 2_500_000), "a distance from 0.01 m to 2500 m"),
        (Whole(1, 1), "1"),
        (Whole(0, 9), "a whole number from 0 to 9"),
        (Flag(), "true or false"),
        (Text(9), "text of at most 9 characters"),
        (Choice("a", "b"), "one of a, b"),
        (Items(Name("step")), "a list, each entry the name of a step"),
        (
            Items(Name("channel"), Pulse()),
            "a mapping from the name of a channel to a pulse from 500 us to 2500 us",
        ),
        (Each(p.Channel, 16), "a mapping from 1 to 16 channel names to their keys"),
        (Nested(p.Link), "a mapping"),
        (Nested(p.Extend, flag=True), "true, false or a mapping"),
        (Variants("step"), "a list of steps"),
    ],
)
def test_says_what_a_kind_of_value_looks_like(kind, words: str) -> None:
    assert expected(kind) == words


CLASSES = (p.Plan, p.Link, p.Channel, p.Failsafe, p.TelemetryField, p.Safety, *p.STEP_KINDS, *p.CHECK_KINDS)
DEFAULTS = [
    (spec.key.kind, spec.default, f"{cls.__name__}.{name}")
    for cls in CLASSES
    for name, spec in keys_of(cls).items()
    if not spec.required and written(spec.key.kind, spec.default) not in (None, "")
]


@pytest.mark.parametrize(("kind", "default", "where"), DEFAULTS, ids=[where for *_, where in DEFAULTS])
def test_writes_every_default_so_that_it_reads_back(kind, default: object, where: str) -> None:
    document = parse_document(f"a: {written(kind, default)}".replace("True", "true"), where)
    node = document.root.get("a")
    assert node is not None
    assert read_value(kind, node, "a", Reading(document)) == default


def test_tells_something_about_every_key() -> None:
    for cls in CLASSES:
        for name, spec in keys_of(cls).items():
            assert spec.key.about.endswith("."), f"{cls.__name__}.{name}"
            assert expected(spec.key.kind)


def test_knows_every_field_that_a_plan_is_made_of() -> None:
    given = {"name", "text"}
    for cls in CLASSES:
        fields = {field.name for field in dataclasses.fields(cls)}
        assert fields - {spec.attribute for spec in keys_of(cls).values()} <= given, cls.__name__

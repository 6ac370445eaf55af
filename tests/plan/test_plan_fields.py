"""The harness reads any dataclass whose fields say how they are written, and tells every problem at once."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar, Literal

import pytest

from harness.clock import MS, US, S
from harness.errors import PlanError, RigError
from harness.plan.fields import Family, Reading, read_mapping
from harness.plan.kinds import (
    Choice,
    Duration,
    Each,
    Flag,
    Frequency,
    Items,
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
    key,
)
from harness.plan.model import Range
from harness.plan.reading import MAX_PROBLEMS
from harness.plan.source import parse_document


@dataclass(frozen=True, slots=True)
class Inner:
    SHORT: ClassVar[str] = "size"
    size: int = key(Whole(0, 9), "How large.", 1)


@dataclass(frozen=True, slots=True)
class Shelf:
    name: str
    length: int = key(Whole(1, 9), "How long.")


@dataclass(frozen=True, slots=True)
class Push:
    hard: bool = key(Flag(), "How hard.", False)


@dataclass(frozen=True, slots=True)
class Pull:
    shelf: str = key(Name("shelf"), "Which shelf.")


@dataclass(frozen=True, slots=True)
class Deed:
    action: Push | Pull
    name: str
    path: str


@dataclass(frozen=True, slots=True)
class Everything:
    label: str
    time_ns: int | None = key(Duration(MS, S), "A time.", None, yaml="time")
    fine_ns: int = key(Duration(multiple_ns=US), "A time that a device counts.", 0, yaml="fine")
    phase_ns: int | Literal["random"] = key(
        Duration(0, S, word="random"), "A time or a word.", 0, yaml="phase"
    )
    rate_mhz: int = key(Frequency(1_000, 100_000), "A rate.", 50_000, yaml="rate")
    pulse_us: int = key(Pulse(), "A pulse.", 1500, yaml="pulse")
    failsafe: int | str = key(PulseOr("low", "hold"), "A pulse or a word.", "low")
    span: Range = key(PulseRange(), "Two pulses.", Range(1000, 2000))
    share: Fraction = key(Share(), "A share.", Fraction(1))
    scale: Fraction = key(Number(zero=False), "A factor.", Fraction(1))
    offset: Fraction = key(Number(), "An offset.", Fraction(0))
    count: int = key(Whole(-2, 100), "A number.", 1)
    flag: bool = key(Flag(), "Yes or no.", False)
    line: str = key(Text(10, least=1), "A line.", "x")
    lines: str = key(Text(20, lines=True), "Some lines.", "")
    choice: str = key(Choice("north", "south"), "A direction.", "north")
    row: tuple[str, ...] = key(Items(Name("shelf"), all_word="all"), "Some shelves.", ())
    pulses: tuple[int, ...] = key(Items(Pulse()), "Some pulses.", ())
    pairs: tuple[tuple[str, int], ...] = key(Items(Name("shelf"), Pulse()), "Pulse by shelf.", ())
    inner: Inner = key(Nested(Inner), "One inside.", Inner())
    extra: Inner | None = key(Nested(Inner, flag=True), "One inside, or none.", None)
    shelves: tuple[Shelf, ...] = key(Each(Shelf, at_most=2), "The shelves.", ())
    deeds: tuple[Deed, ...] = key(Variants("deed"), "What to do.", ())


FAMILIES = {"deed": Family({"push": Push, "pull": Pull}, Deed)}


def reading_of(text: str) -> tuple[Reading, Everything | None]:
    document = parse_document(text, "a.yaml")
    reading = Reading(document, FAMILIES)
    value = read_mapping(document.root, Everything, reading, given={"label": "it"}, ignored=("$schema",))
    reading.resolve("shelf", reading.declared.get("shelf", ()))
    return reading, value


def read(text: str) -> Everything:
    reading, value = reading_of(text)
    reading.finish(PlanError)
    assert value is not None
    return value


def complaints(text: str) -> list[str]:
    reading, _ = reading_of(text)
    with pytest.raises(PlanError) as caught:
        reading.finish(PlanError)
    return [str(problem) for problem in caught.value.problems]


SHELVES = "shelves: {a: {length: 1}, b: {length: 2}}"
GOOD = [
    ("time: 20 ms", "time_ns", 20 * MS),
    ("time: '20 ms'", "time_ns", 20 * MS),
    ('"time": "20 ms"', "time_ns", 20 * MS),
    ("time: 1 ms", "time_ns", MS),
    ("time: 1 s", "time_ns", S),
    ("fine: 3 us", "fine_ns", 3 * US),
    ("phase: random", "phase_ns", "random"),
    ("phase: 3 ms", "phase_ns", 3 * MS),
    ("rate: 50.5 Hz", "rate_mhz", 50_500),
    ("pulse: 1500 us", "pulse_us", 1500),
    ("failsafe: hold", "failsafe", "hold"),
    ("failsafe: 900 us", "failsafe", 900),
    ("span: 1100 us to 1900 us", "span", Range(1100, 1900)),
    ("share: 99.5 %", "share", Fraction(199, 200)),
    ("scale: 0.01", "scale", Fraction(1, 100)),
    ("scale: -1e-3", "scale", Fraction(-1, 1000)),
    ("offset: 0", "offset", Fraction(0)),
    ("count: -2", "count", -2),
    ("flag: true", "flag", True),
    ("flag: False", "flag", False),
    ("line: 'a b'", "line", "a b"),
    ("line: '12'", "line", "12"),
    ("line: |\n  a b\n", "line", "a b"),
    ("lines: |\n  a\n  b\n", "lines", "a\nb"),
    ("lines: ''", "lines", ""),
    ("choice: south", "choice", "south"),
    (f"row: all\n{SHELVES}", "row", ()),
    (f"row: a\n{SHELVES}", "row", ("a",)),
    (f"row: [b, a]\n{SHELVES}", "row", ("b", "a")),
    ("pulses: [1000 us, 1000 us]", "pulses", (1000, 1000)),
    (f"pairs: {{b: 1000 us, a: 900 us}}\n{SHELVES}", "pairs", (("b", 1000), ("a", 900))),
    ("pairs: {1: 1000 us}\nshelves: {1: {length: 1}}", "pairs", (("1", 1000),)),
    ("inner: {size: 3}", "inner", Inner(size=3)),
    ("inner: 3", "inner", Inner(size=3)),
    ("inner:", "inner", Inner()),
    ("extra: true", "extra", Inner()),
    ("extra: false", "extra", None),
    ("extra: {size: 3}", "extra", Inner(size=3)),
    ("count: 1", "extra", None),
    (SHELVES, "shelves", (Shelf("a", length=1), Shelf("b", length=2))),
    ("deeds: [push]", "deeds", (Deed(Push(), "", "deeds[0]"),)),
    ("deeds: [push: ]", "deeds", (Deed(Push(), "", "deeds[0]"),)),
    ("deeds: [{name: x y, push: {hard: true}}]", "deeds", (Deed(Push(hard=True), "x y", "deeds[0]"),)),
    (f"deeds: [pull: {{shelf: a}}]\n{SHELVES}", "deeds", (Deed(Pull(shelf="a"), "", "deeds[0]"),)),
    ("$schema: anything", "label", "it"),
]


@pytest.mark.parametrize(("text", "attribute", "value"), GOOD, ids=[text for text, *_ in GOOD])
def test_reads_a_value(text: str, attribute: str, value: object) -> None:
    assert getattr(read(text), attribute) == value


NAME_RULE = "a name is 1 to 40 printable characters without blanks around them"
PULSE = "a pulse from 500 us to 2500 us"
BAD = [
    ("time: 2 s", ":1:7: time: '2 s' is out of range; write a time from 1 ms to 1 s"),
    ("extra: maybe", ":1:8: extra: unknown word 'maybe'; write true, false or a mapping with the keys size"),
    ("extra: {size: x}", ":1:15: extra.size: 'x' is not a whole number; write digits only, such as 20"),
    ("time: 999 us", ":1:7: time: '999 us' is out of range; write a time from 1 ms to 1 s"),
    ("time:", ":1:6: time: nothing stands here; write a time from 1 ms to 1 s"),
    ("time: [1 ms]", ":1:7: time: a list stands here; write a time from 1 ms to 1 s"),
    ("time: {ms: 1}", ":1:7: time: a mapping stands here; write a time from 1 ms to 1 s"),
    ("fine: 1.5 us", ":1:7: fine: '1.5 us' is too fine for a device; write a multiple of 1 us"),
    (
        "phase: randm",
        ":1:8: phase: unknown word 'randm'; write a time from 0 ms to 1 s, or random; did you mean random?",
    ),
    ("phase: 7", ":1:8: phase: '7' has no unit; write 7 ms, or another unit: us, s, min, h"),
    ("rate: 500 Hz", ":1:7: rate: '500 Hz' is out of range; write a rate from 1 Hz to 100 Hz"),
    ("pulse: 400 us", f":1:8: pulse: '400 us' is out of range; write {PULSE}"),
    (
        "failsafe: lwo",
        f":1:11: failsafe: unknown word 'lwo'; write {PULSE}, or one of low, hold; did you mean low?",
    ),
    ("failsafe: 1500", ":1:11: failsafe: '1500' has no unit; write 1500 us"),
    ("failsafe: 2600 us", f":1:11: failsafe: '2600 us' is out of range; write {PULSE}, or one of low, hold"),
    (
        "span: 400 us to 900 us",
        ":1:7: span: '400 us to 900 us' is out of range; write two pulses from 500 us to 2500 us",
    ),
    (
        "span: 900 us to 2501 us",
        ":1:7: span: '900 us to 2501 us' is out of range; write two pulses from 500 us to 2500 us",
    ),
    (
        "span: 900 us to 900 us",
        ":1:7: span: '900 us to 900 us' does not go up; write the shorter pulse first",
    ),
    ("span: [900 us, 1 us]", ":1:7: span: a list stands here; write two pulses from 500 us to 2500 us"),
    ("share: 101 %", ":1:8: share: '101 %' is out of range; write a share from 0 % to 100 %"),
    (
        "scale: 0",
        ":1:8: scale: '0' is out of range; write a number from -1000000000 to 1000000000, but not 0",
    ),
    (
        "scale: 1e-12",
        ":1:8: scale: '1e-12' is out of range; write a number from -1000000000 to 1000000000, but not 0",
    ),
    ("offset: 1e10", ":1:9: offset: '1e10' is out of range; write a number from -1000000000 to 1000000000"),
    ("offset: .nan", ":1:9: offset: '.nan' is not a finite number; write a decimal number, such as 0.01"),
    (
        "offset: '1'",
        ":1:9: offset: '1' stands in quotes; write a number from -1000000000 to 1000000000, without quotes",
    ),
    ("count: 101", ":1:8: count: '101' is out of range; write a whole number from -2 to 100"),
    ("count: 1.5", ":1:8: count: '1.5' is not a whole number; write digits only, such as 20"),
    ("count: '5'", ":1:8: count: '5' stands in quotes; write a whole number from -2 to 100, without quotes"),
    ("flag: yes", ":1:7: flag: unknown word 'yes'; write true or false; did you mean true?"),
    ("flag: 'true'", ":1:7: flag: 'true' stands in quotes; write true or false, without quotes"),
    ("flag:", ":1:6: flag: nothing stands here; write true or false"),
    ("line: 12", ":1:7: line: '12' is not text to YAML; put quotes around it"),
    ("line: .5", ":1:7: line: '.5' is not text to YAML; put quotes around it"),
    ("line: 0x1F", ":1:7: line: '0x1F' is not text to YAML; put quotes around it"),
    ("line: -.inf", ":1:7: line: '-.inf' is not text to YAML; put quotes around it"),
    ("line: true", ":1:7: line: 'true' is not text to YAML; put quotes around it"),
    ("line:", ":1:6: line: nothing stands here; write text of 1 to 10 characters"),
    ("line: []", ":1:7: line: a list stands here; write text of 1 to 10 characters"),
    ("line: '   '", ":1:7: line: text of 3 characters; write text of 1 to 10 characters"),
    ("line: elevencharsx", ":1:7: line: text of 12 characters; write text of 1 to 10 characters"),
    (
        'line: "a\\nb"',
        ":1:7: line: text with line breaks or control characters; "
        "write text of 1 to 10 characters without them",
    ),
    (
        'lines: "a\\eb"',
        ":1:8: lines: text with control characters; write text of at most 20 characters without them",
    ),
    ("choice: nroth", ":1:9: choice: unknown word 'nroth'; write one of north, south; did you mean north?"),
    (f"row: [a, c]\n{SHELVES}", ":1:10: row[1]: unknown shelf 'c'; shelfs: a, b"),
    ("row: a", ":1:6: row: unknown shelf 'a'; no shelf is declared"),
    (f"row: [a, b, a]\n{SHELVES}", ":1:13: row[2]: 'a' stands twice; take one out"),
    ("row: []", ":1:6: row: the list is empty; write a list, each entry the name of a shelf, or all"),
    ("row: {}", ":1:6: row: a mapping stands here; write a list, each entry the name of a shelf, or all"),
    (f"pairs: {{a: 1}}\n{SHELVES}", ":1:12: pairs.a: '1' has no unit; write 1 us"),
    ("pairs: {}", f":1:8: pairs: the mapping is empty; write a mapping from the name of a shelf to {PULSE}"),
    (
        "pairs: a",
        f":1:8: pairs: 'a' stands here; write a mapping from the name of a shelf to {PULSE}",
    ),
    ("inner: [1]", ":1:8: inner: a list stands here; write a mapping with the keys size"),
    ("inner: {sze: 1}", ":1:9: inner.sze: unknown key; allowed here: size; did you mean size?"),
    (
        "shelves: {a: {}}",
        ":1:14: shelves.a: the key `length` is missing; it takes a whole number from 1 to 9",
    ),
    ("shelves: {a: }", ":1:14: shelves.a: the key `length` is missing; it takes a whole number from 1 to 9"),
    ("shelves: {}", ":1:10: shelves: 0 shelfs; write a mapping from 1 to 2 shelf names to their keys"),
    (
        "shelves: {a: {length: 1}, b: {length: 1}, c: {length: 1}}",
        ":1:10: shelves: 3 shelfs; write a mapping from 1 to 2 shelf names to their keys",
    ),
    (
        "shelves: [a]",
        ":1:10: shelves: a list stands here; write a mapping from 1 to 2 shelf names to their keys",
    ),
    ("shelves: {' a': {length: 1}}", f":1:11: shelves. a: ' a' cannot be a name; {NAME_RULE}"),
    ('shelves: {"a\\eb": {length: 1}}', f":1:11: shelves.a\\x1bb: 'a\\x1bb' cannot be a name; {NAME_RULE}"),
    ("deeds: []", ":1:8: deeds: the list is empty; write a list of deeds, each beginning with '- '"),
    ("deeds: push", ":1:8: deeds: 'push' stands here; write a list of deeds, each beginning with '- '"),
    ("deeds: [[push]]", ":1:9: deeds[0]: a list stands here; write one deed: push, pull"),
    ("deeds: [psuh]", ":1:9: deeds[0]: unknown deed 'psuh'; deeds: push, pull; did you mean push?"),
    ("deeds: [psuh: {}]", ":1:9: deeds[0]: unknown deed 'psuh'; deeds: push, pull; did you mean push?"),
    ("deeds: [{}]", ":1:9: deeds[0]: no deed stands here; deeds: push, pull"),
    ("deeds: [~, push]", ":1:9: deeds[0]: unknown deed '~'; deeds: push, pull"),
    ("deeds: [{name: x}]", ":1:9: deeds[0]: no deed stands here; deeds: push, pull"),
    (
        "deeds:\n- push:\n  pull: {shelf: a}",
        ":3:3: deeds[0]: 'push' and 'pull' in one entry; begin each deed with its own '- '",
    ),
    (
        "deeds:\n- push:\n  hard: true",
        ":3:3: deeds[0].hard: unknown key; indent it under `push`",
    ),
    (
        "deeds: [{push: , nmae: x}]",
        ":1:18: deeds[0].nmae: unknown key; allowed here: push, name; did you mean name?",
    ),
    ("deeds: [{push: , name: 5}]", ":1:24: deeds[0].name: '5' is not text to YAML; put quotes around it"),
    ("deeds: [{push: , name: ' x'}]", f":1:24: deeds[0].name: ' x' cannot be a name; {NAME_RULE}"),
    ("deeds: [pull]", ":1:9: deeds[0].pull: the key `shelf` is missing; it takes the name of a shelf"),
    ("tme: 1 ms", ":1:1: tme: unknown key; allowed here: time,"),
]


@pytest.mark.parametrize(("text", "message"), BAD, ids=[text for text, _ in BAD])
def test_says_what_is_wrong_with_a_value(text: str, message: str) -> None:
    (told,) = complaints(text)
    assert told.startswith(f"a.yaml{message}") if message.endswith(",") else told == f"a.yaml{message}"


def test_tells_every_problem_in_file_order() -> None:
    text = "time: 1\nshare: 1\ntime: 2\nflag: 3\nshelves: {x: 1}\n"
    lines = [message.split(":")[1] for message in complaints(text)]
    assert lines == ["1", "2", "3", "4", "5"]


def test_raises_the_error_it_is_asked_for() -> None:
    reading, _ = reading_of("time: 1")
    with pytest.raises(RigError):
        reading.finish(RigError)


def test_tells_a_problem_inside_an_anchor_once() -> None:
    text = "pulses: [&p 1, *p, *p]"
    assert complaints(text) == ["a.yaml:1:10: pulses[0]: '1' has no unit; write 1 us"]


def test_tells_a_bounded_number_of_problems() -> None:
    many = "pulses: [" + ", ".join("1" for _ in range(MAX_PROBLEMS + 5)) + "]"
    told = complaints(many)
    assert len(told) == MAX_PROBLEMS + 1
    assert told[-1] == "a.yaml: 5 more problems are not shown"


def test_does_not_call_a_name_unknown_when_the_list_of_names_is_torn() -> None:
    assert len(complaints("row: a\nshelves: [a]")) == 1


def test_remembers_where_everything_stands_and_what_was_read() -> None:
    reading, value = reading_of("inner: 3\nshelves: {a: {length: 1}}\ntime: x")
    assert value is None
    assert (reading.places["inner.size"].line, reading.places["inner.size"].column) == (1, 8)
    assert reading.places["shelves.a.length"].line == 2
    assert reading.made == {"inner": Inner(size=3), "shelves.a": Shelf("a", length=1)}

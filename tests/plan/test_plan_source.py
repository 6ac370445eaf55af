"""The harness reads YAML as positioned nodes and refuses what could grow without bound."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import PlanError, RigError
from harness.plan import source
from harness.plan.find import CHECKOUT
from harness.plan.source import (
    MAX_ALIASES,
    MAX_FILE_BYTES,
    MAX_NODES,
    Node,
    NodeKind,
    parse_document,
    read_document,
)
from harness.plan.syntax import MAX_DEPTH


def complaint(text: str) -> str:
    with pytest.raises(PlanError) as caught:
        parse_document(text, "a.yaml")
    return str(caught.value)


def same(node: Node, other: yaml.Node) -> bool:
    """Whether our node says what PyYAML's own composer says, at the same place."""
    mark = other.start_mark
    assert (node.line, node.column) == (mark.line + 1, mark.column + 1)
    if isinstance(other, yaml.ScalarNode):
        return node.kind is NodeKind.SCALAR and (node.text, node.plain) == (other.value, not other.style)
    if isinstance(other, yaml.SequenceNode):
        return len(node.items) == len(other.value) and all(map(same, node.items, other.value))
    pairs = zip(node.entries, other.value, strict=True)
    return all(same(key, theirs) and same(value, its) for (key, value), (theirs, its) in pairs)


WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=8)
TREES = st.recursive(
    st.none() | st.booleans() | st.integers() | WORDS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(WORDS, inner, max_size=4),
    max_leaves=12,
)


@given(TREES, st.booleans())
def test_sees_what_the_general_yaml_library_sees(tree: object, flow: bool) -> None:
    text = yaml.safe_dump({"root": tree}, default_flow_style=flow, allow_unicode=True)
    assert same(parse_document(text, "a.yaml").root, yaml.compose(text, yaml.SafeLoader))


@pytest.mark.parametrize("plan", sorted(CHECKOUT.glob("*.yaml")), ids=lambda path: path.stem)
def test_sees_the_shipped_plans_as_the_general_yaml_library_does(plan: Path) -> None:
    assert same(read_document(plan).root, yaml.compose(plan.read_text(), yaml.SafeLoader))


def test_tells_quoted_from_plain_text() -> None:
    root = parse_document("a: 1\nb: '1'\nc: \"1\"\nd: |\n  1\n", "a.yaml").root
    assert [value.plain for _, value in root.entries] == [True, False, False, False]


@pytest.mark.parametrize("text", ["a:", "a: ~", "a: null", "a: Null", "a: NULL"])
def test_tells_when_nothing_stands_somewhere(text: str) -> None:
    value = parse_document(text, "a.yaml").root.get("a")
    assert value is not None
    assert value.is_null


def test_takes_a_quoted_null_as_text() -> None:
    value = parse_document("a: 'null'", "a.yaml").root.get("a")
    assert value is not None
    assert not value.is_null


def test_keeps_the_text_exactly(tmp_path: Path) -> None:
    text = "\ufeffa: 1\r\nb: \u00e4 # comment\r\n"
    (tmp_path / "a.yaml").write_bytes(text.encode())
    document = read_document(tmp_path / "a.yaml")
    assert document.text == text
    assert [(key.text, key.line, key.column) for key, _ in document.root.entries] == [
        ("a", 1, 1),
        ("b", 2, 1),
    ]


def test_puts_an_anchored_value_in_wherever_its_alias_stands() -> None:
    root = parse_document("a: &x {b: 1}\nc: *x\n", "a.yaml").root
    assert root.get("a") is root.get("c")


def outcome(text: str) -> source.Document | PlanError:
    try:
        return parse_document(text, "a.yaml")
    except PlanError as error:
        return error


@given(st.text(max_size=60) | st.text("[]{}:,-&*!|>'\"%@`#? \t\nab01<", max_size=60))
def test_reads_any_text_or_says_that_it_cannot(text: str) -> None:
    found = outcome(text)
    for problem in found.problems:
        assert str(problem).startswith("a.yaml")
        assert str(problem).isprintable()


@given(st.binary(max_size=60))
def test_decodes_any_bytes_or_says_that_it_cannot(data: bytes) -> None:
    try:
        text = source._decoded(data, "a.yaml", PlanError)
    except PlanError:
        with pytest.raises(UnicodeDecodeError):
            data.decode("utf-8")
    else:
        assert text.encode() == data


TAB = "a tab; YAML indents with spaces only"
COLON = (
    "a second ': ' in one value, or a line indented too far; "
    "line keys of one mapping up with each other, and quote text that holds ': '"
)
EMPTY = "write keys and values, such as `title: First look`"
OPEN_LIST = "a list in [ ] is not closed, or lacks a comma (begun in line 1, column 4); write [a, b]"
OPEN_MAPPING = (
    "a mapping in { } is not closed, or lacks a comma (begun in line 1, column 4); write {a: 1, b: 2}"
)
SYNTAX = [
    ("", f": the file is empty; {EMPTY}"),
    ("  \n", f": the file is empty; {EMPTY}"),
    ("---\n", f": the file holds no values; {EMPTY}"),
    ("# only this\n", f": the file holds no values; {EMPTY}"),
    ("a\x00b", ":1:2: U+0000 is not a text character; write plain UTF-8 text"),
    ("a: 1\nb: \ud800", ":2:4: U+D800 is not a text character; write plain UTF-8 text"),
    ("a:\n\tb: 1\n", f":2:1: {TAB}"),
    ("a: 1\n\tb: 2\n", f":2:1: {TAB}"),
    ("a:\n  \tb: 1\n  \tc: 2\n", f":2:3: {TAB}"),
    ("a: |\n\tb\n", f":2:1: {TAB}"),
    ("a: b: c\n", f":1:5: {COLON}"),
    ("a: 1\n b: 2\n", f":2:3: {COLON}"),
    ("a: - b\n", ":1:4: a list entry '- ' on the line of its key; begin the list on the next line"),
    ("a: 'x\n", ":2:1: a quotation mark is never closed (begun in line 1, column 4); close it"),
    ('a: "\\q"\n', ":1:5: an unknown escape in double quotes; use single quotes, or write \\\\"),
    ("a: [1, 2\nb: 3\n", f":2:2: a: {OPEN_LIST}"),
    ("a: {b: 1\nc: 2\n", f":2:2: a: {OPEN_MAPPING}"),
    ("a: @x\n", ":1:4: this character cannot begin a value; put quotes around the value"),
    ("a: b\nc\nd: 1", ":3:1: a key without ': '; write `key: value`"),
    (
        "- a\nb: 1\n",
        ":2:1: this line does not belong to the list above; begin it with '- ', or indent it less",
    ),
    (
        "s:\n- a: 1\n - b: 2",
        ":3:2: this line fits no mapping above; line it up with the keys that it belongs to",
    ),
    ("a: [", ":1:5: a: a value is missing here; write one, or take the bracket out"),
    ("a: 1\n---\nb: 1\n", ":2:1: a second document begins here; keep one document in a file"),
    ("%YAML 3.0\n---\na: 1\n", ":1:1: this is not YAML: found incompatible YAML document"),
    ("a: !x 1\n", ":1:4: the tag '!x'; tags are not allowed; take it out"),
    ("a: !!str 1\n", ":1:4: the tag 'tag:yaml.org,2002:str'; tags are not allowed; take it out"),
    (
        "a: !!python/none\n",
        ":1:4: the tag 'tag:yaml.org,2002:python/none'; tags are not allowed; take it out",
    ),
    ("a: &x [*x]\n", ":1:8: a: the alias *x stands inside what it names; write the value out"),
    ("a: *x\n", ":1:4: no anchor &x stands before this alias; write the value out"),
]


@pytest.mark.parametrize(("text", "message"), SYNTAX, ids=[repr(text) for text, _ in SYNTAX])
def test_says_where_and_why_it_cannot_read_on(text: str, message: str) -> None:
    assert complaint(text) == f"a.yaml{message}"


SOFT = [
    ("a: 1\nb: 2\na: 3\n", "a.yaml:3:1: the key 'a' stands twice, first in line 1, column 1; take one out"),
    (
        "x:\n- c: {a: 1, a: 2}\n",
        "a.yaml:2:13: x[0].c: the key 'a' stands twice, first in line 2, column 7; take one out",
    ),
    ("[a]: 1\nb: 2\n", "a.yaml:1:1: a list as a key; write one word before the ': '"),
    ("{a: 1}: 1\nb: 2\n", "a.yaml:1:1: a mapping as a key; write one word before the ': '"),
    (
        "a: &x {b: 1}\nc:\n  <<: *x\n",
        "a.yaml:3:3: c: a merge key <<; merging is not allowed; write the keys out",
    ),
]


@pytest.mark.parametrize(("text", "message"), SOFT, ids=[repr(text) for text, _ in SOFT])
def test_notes_a_bad_key_and_reads_on(text: str, message: str) -> None:
    assert [str(problem) for problem in parse_document(text, "a.yaml").problems] == [message]


def test_refuses_nesting_one_level_too_deep() -> None:
    assert parse_document("[" * MAX_DEPTH + "]" * MAX_DEPTH, "a.yaml").root.kind is NodeKind.SEQUENCE
    deep = complaint("[" * (MAX_DEPTH + 1) + "]" * (MAX_DEPTH + 1))
    assert deep.startswith(f"a.yaml:1:{MAX_DEPTH + 1}: ")
    assert deep.endswith(f"nested deeper than {MAX_DEPTH} levels; flatten it")


@pytest.mark.parametrize("text", ["[" * 200_000, "{? " * 80_000, "- " * 120_000])
def test_refuses_very_deep_nesting_without_harm(text: str) -> None:
    assert f"nested deeper than {MAX_DEPTH} levels" in complaint(text)


def test_refuses_nesting_hidden_in_aliases() -> None:
    lines = ["a0: &a0 [1]", *(f"a{n}: &a{n} [*a{n - 1}]" for n in range(1, MAX_DEPTH))]
    message = f"with its aliases nested deeper than {MAX_DEPTH} levels; flatten it"
    assert message in complaint("\n".join(lines))
    assert parse_document("\n".join(lines[:-1]), "a.yaml").problems == ()


def test_refuses_an_alias_bomb() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 9)]
    assert complaint("\n".join(lines)) == (
        f"a.yaml:5:35: a4: more than {MAX_NODES} values, aliases counted in full; shorten the file"
    )


def test_refuses_one_value_too_many() -> None:
    row = "[" + "0," * (MAX_NODES - 1) + "]"
    assert len(parse_document(row, "a.yaml").root.items) == MAX_NODES - 1
    assert f"more than {MAX_NODES} values" in complaint("[" + "0," * MAX_NODES + "]")


def test_refuses_one_alias_too_many() -> None:
    row = "a: &x 1\nb: [" + "*x ," * MAX_ALIASES
    assert parse_document(row + "]", "a.yaml").problems == ()
    assert f"more than {MAX_ALIASES} aliases; write the values out" in complaint(row + "*x ]")


def test_refuses_a_file_one_byte_too_large(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    path.write_bytes(b"a: " + b"x" * (MAX_FILE_BYTES - 3))
    assert read_document(path).root.kind is NodeKind.MAPPING
    path.write_bytes(b"a: " + b"x" * (MAX_FILE_BYTES - 2))
    with pytest.raises(
        PlanError, match="the file is larger than 256 KiB; check that this is the file you mean"
    ):
        read_document(path)


def test_refuses_text_that_is_too_large_as_well() -> None:
    assert complaint("x" * (MAX_FILE_BYTES + 1)).startswith("a.yaml: the file is larger than 256 KiB")


def test_reads_no_more_of_a_huge_file_than_it_needs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Counted(io.BytesIO):
        def read(self, size: int | None = -1, /) -> bytes:
            assert size is not None
            assert 0 <= size <= MAX_FILE_BYTES + 1
            return b"x" * size

    monkeypatch.setattr(Path, "open", lambda *_: Counted())
    with pytest.raises(PlanError, match="larger than 256 KiB"):
        read_document(tmp_path / "a.yaml")


def test_refuses_a_100_mb_file(tmp_path: Path) -> None:
    with (tmp_path / "a.yaml").open("wb") as file:
        file.truncate(100_000_000)
    with pytest.raises(PlanError, match="larger than 256 KiB"):
        read_document(tmp_path / "a.yaml")


def test_says_when_a_file_is_missing_or_a_directory(tmp_path: Path) -> None:
    with pytest.raises(PlanError) as caught:
        read_document(tmp_path / "a.yaml")
    assert str(caught.value) == f"{tmp_path}/a.yaml: no such file; check the path and the working directory"
    with pytest.raises(PlanError) as caught:
        read_document(tmp_path)
    assert str(caught.value) == f"{tmp_path}: this is a directory; name a file in it"
    with pytest.raises(PlanError, match="this cannot be a file name"):
        read_document("a\0b")


NO_PERMISSION = "no permission to read this file; allow it (chmod u+r) or copy the file"


@pytest.mark.parametrize(
    ("error", "message"),
    [
        (PermissionError(13, "Permission denied"), NO_PERMISSION),
        (OSError(5, "Input/output error"), "cannot be read: Input/output error"),
    ],
    ids=["no permission", "broken disk"],
)  # fmt: skip
def test_says_when_a_file_cannot_be_read(
    monkeypatch: pytest.MonkeyPatch, error: OSError, message: str
) -> None:
    def refuse(*_: object) -> None:
        raise error

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(PlanError) as caught:
        read_document("a.yaml")
    assert str(caught.value) == f"a.yaml: {message}"


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"a: 1\nb: \xff\n", "this is not UTF-8 text: byte 0xFF in line 2"),
        (b"\x7fELF\x02\x01\x80", "this is not UTF-8 text: byte 0x80 in line 1"),
        ("a: 1".encode("utf-16"), "this is UTF-16 text"),
    ],
    ids=["latin-1", "program", "utf-16"],
)
def test_refuses_what_is_not_utf_8_text(tmp_path: Path, data: bytes, found: str) -> None:
    (tmp_path / "a.yaml").write_bytes(data)
    with pytest.raises(PlanError) as caught:
        read_document(tmp_path / "a.yaml")
    assert str(caught.value) == f"{tmp_path}/a.yaml: {found}; save it as plain text in UTF-8"


def test_raises_the_error_of_the_kind_of_file_that_is_read(tmp_path: Path) -> None:
    with pytest.raises(RigError):
        parse_document("", "a.yaml", RigError)
    with pytest.raises(RigError):
        read_document(tmp_path, RigError)


def test_reads_the_same_with_the_parser_written_in_python(monkeypatch: pytest.MonkeyPatch) -> None:
    text = (CHECKOUT / "first-look.yaml").read_text()
    with_c = parse_document(text, "a.yaml").root
    monkeypatch.delattr(yaml, "CSafeLoader")
    assert parse_document(text, "a.yaml").root == with_c


PYTHON_SYNTAX = [
    ("a:\n\tb: 1\n", "2:1: a tab"),
    ("a: b: c\n", "1:5: a second ': '"),
    ("a: - b\n", "1:4: a list entry '- '"),
    ("a: 'x\n", "2:1: a quotation mark is never closed"),
    ("a: [1, 2\nb: 3\n", "2:2: a: a list in [ ] is not closed"),
    ("a: @x\n", "1:4: this character cannot begin a value"),
    ("- a\nb: 1\n", "2:1: this line fits nothing above"),
    ("a: [", "1:5: a: a value is missing here"),
]


@pytest.mark.parametrize(("text", "message"), PYTHON_SYNTAX, ids=[repr(text) for text, _ in PYTHON_SYNTAX])
def test_explains_what_the_parser_written_in_python_says(
    monkeypatch: pytest.MonkeyPatch, text: str, message: str
) -> None:
    monkeypatch.delattr(yaml, "CSafeLoader", raising=False)
    assert complaint(text).startswith(f"a.yaml:{message}")

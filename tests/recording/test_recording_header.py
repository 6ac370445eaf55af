"""The harness keeps a run's header in comments that people can read."""

from dataclasses import replace
from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st
from recording_samples import HEADER, ON_HARDWARE, PLAN

from harness.bench.protocol import DEVICES, Role
from harness.recording.header import HeaderError, from_comments, plan_is_intact, plan_sha256, to_comments
from harness.recording.model import Header
from harness.recording.pcapng import COMMENT_MAX

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=200)
headers = st.builds(
    Header,
    plan_name=texts,
    plan_text=texts | st.integers(9_900, 10_100).map(lambda size: "a\u00e4\u20ac\U0001f6e9\n" * (size // 2)),
    rig_name=texts,
    rig_text=texts,
    seed=st.integers(0, 2**64 - 1),
    versions=st.dictionaries(texts, texts, max_size=3).map(lambda pairs: tuple(pairs.items())),
    clock=st.sampled_from(["virtual", "monotonic"]),
    wall_seconds=st.integers(0, 2**35 - 1),
    hardware=st.booleans(),
    baud=st.fixed_dictionaries(
        {role: st.integers(0, 2**32 - 1) for role in DEVICES},
        optional={Role.WITNESS: st.integers(0, 2**32 - 1)},
    ),
    facts=st.dictionaries(texts, texts, max_size=3),
)


@given(headers)
def test_gives_any_header_back(header):
    comments = to_comments(header)
    assert from_comments(comments) == header
    assert plan_is_intact(comments)
    assert max(len(comment.encode()) for comment in comments) <= COMMENT_MAX


def test_reads_as_plain_lines():
    lines = to_comments(ON_HARDWARE)
    assert lines[:8] == [
        "propsoff.format: 1",
        "propsoff.plan.name: first-look",
        f"propsoff.plan.sha256: {sha256(PLAN.encode()).hexdigest()}",
        "propsoff.rig.name: mock",
        "propsoff.seed: 7",
        "propsoff.clock: monotonic",
        "propsoff.wall_seconds: 1700000000",
        "propsoff.hardware: yes",
    ]
    assert lines[-1] == f"propsoff.plan.text: {PLAN}"


def test_numbers_the_pieces_of_a_long_plan():
    header = replace(HEADER, plan_text="\u20ac" * 25_000)
    pieces = [line for line in to_comments(header) if line.startswith("propsoff.plan.text")]
    assert [piece.partition(": ")[0][-5:] for piece in pieces] == ["[1/3]", "[2/3]", "[3/3]"]
    assert from_comments(to_comments(header)) == header


def test_misses_a_piece_of_a_long_plan():
    lines = to_comments(replace(HEADER, plan_text="x" * 70_000))
    with pytest.raises(HeaderError, match=r"no whole propsoff\.plan\.text"):
        from_comments(line for line in lines if "[2/3]" not in line)


def test_passes_over_comments_of_other_programs():
    assert from_comments(["looks odd at 3 s", *to_comments(HEADER)]) == HEADER


def test_writes_facts_in_one_order():
    turned = replace(HEADER, facts=dict(reversed(HEADER.facts.items())))
    assert to_comments(turned) == to_comments(HEADER)


def test_sees_a_changed_plan():
    lines = [line.replace("Dunlin", "Merlin") for line in to_comments(HEADER)]
    assert not plan_is_intact(lines)


def test_names_the_plan_by_its_sha_256():
    # "abc": FIPS 180-4 worked example (one-block message); transcribed from memory, hashlib agrees.
    assert plan_sha256("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("seed", "x", "not a whole number"),
        ("seed", "\u0663", "not a whole number"),
        ("seed", "-1", "not a whole number"),
        ("wall_seconds", str(2**35), "not a whole number below"),
        ("baud", "[]", "not a JSON object"),
        ("baud", "{}", "not a whole number"),
        ("facts", "{", "not JSON"),
        ("facts", "[" * 100_000, "not JSON"),
        ("versions", "1", "not a JSON object"),
        ("format", "2", "reads format 1"),
    ],
)
def test_refuses_a_damaged_value(key, value, message):
    sound = [line for line in to_comments(HEADER) if not line.startswith(f"propsoff.{key}:")]
    with pytest.raises(HeaderError, match=message):
        from_comments([*sound, f"propsoff.{key}: {value}"])


@pytest.mark.parametrize(
    "key", ["format", "plan.name", "plan.text", "rig.text", "seed", "baud", "facts", "clock"]
)
def test_refuses_a_header_without(key):
    with pytest.raises(HeaderError, match=f"propsoff.{key}"):
        from_comments(line for line in to_comments(HEADER) if not line.startswith(f"propsoff.{key}"))

"""The harness names what stands in a file in a bounded, harmless way."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.plan.wording import (
    MAX_COMPARED,
    MAX_LISTED,
    MAX_PATH,
    MAX_QUOTED,
    file_label,
    listed,
    nearest,
    path_label,
    printable,
    quoted,
)


@given(st.text(max_size=300))
def test_quotes_any_text_on_one_bounded_printable_line(text: str) -> None:
    shown = quoted(text)
    assert shown.isprintable()
    assert len(shown) <= 2 + 10 * MAX_QUOTED  # an escape takes at most ten characters


def test_shortens_a_long_text_and_keeps_a_short_one() -> None:
    assert quoted("x" * MAX_QUOTED) == f"'{'x' * MAX_QUOTED}'"
    assert quoted("x" * (MAX_QUOTED + 1)) == f"'{'x' * (MAX_QUOTED - 3)}...'"


def test_writes_control_characters_as_escapes() -> None:
    assert printable("a\x1b[31m\n\u202eb") == "a\\x1b[31m\\n\\u202eb"


@pytest.mark.parametrize(
    ("word", "words", "meant"),
    [
        ("perod", ("period", "dwell"), "period"),
        ("Period", ("period", "dwell"), "period"),
        ("left", ("left motor", "right motor"), "left motor"),
        ("mot", ("left motor", "right motor"), ""),
        ("zz", ("period", "dwell"), ""),
        ("", ("period",), ""),
        ("x" * 10_000, ("period",), ""),
    ],
)
def test_offers_the_one_word_that_was_probably_meant(word: str, words: tuple[str, ...], meant: str) -> None:
    assert nearest(word, words) == meant


def test_looks_at_a_bounded_number_of_words() -> None:
    many = [f"{number:05d}" for number in range(MAX_COMPARED)]
    assert nearest("period", [*many, "period"]) == ""
    assert nearest("period", [*many[:-1], "period"]) == "period"


def test_lists_words_and_cuts_a_long_list_short() -> None:
    assert listed(["a", "b\x07"]) == "a, b\\x07"
    assert listed(map(str, range(MAX_LISTED + 2))).endswith(f", {MAX_LISTED - 1} and 2 more")


def test_keeps_the_end_of_a_long_key_path() -> None:
    assert path_label("steps[2].sweep.from") == "steps[2].sweep.from"
    long = path_label("a" * 1000 + ".from")
    assert long.startswith("...a")
    assert long.endswith(".from")
    assert len(long) == MAX_PATH


def test_shows_a_file_name_without_what_a_terminal_might_obey() -> None:
    assert file_label("plan\x1b[2J.yaml") == "plan\\x1b[2J.yaml"

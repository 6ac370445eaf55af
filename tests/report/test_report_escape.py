"""The harness shows foreign text as one printable line of bounded length."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_samples import HOSTILE

from harness.escape import TEXT_MAX, clean, clean_bytes, printable, printable_lines


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain text, 5 \u00b5s", "plain text, 5 \u00b5s"),
        ("\x1b[31m", "\\x1b[31m"),
        ("a\r\nb\tc", "a\\r\\nb\\tc"),
        ("\x00\x7f\x9b", "\\x00\\x7f\\x9b"),
        ("\u202etxet\u2028", "\\u202etxet\\u2028"),
        ("\ud800", "\\ud800"),
        ("\ufffe", "\\ufffe"),
        ("\U000e0001", "\\U000e0001"),
        ("", ""),
    ],
)
def test_writes_what_is_not_printable_as_an_escape(text, shown):
    assert clean(text) == shown


@given(st.text(st.characters()), st.integers(3, 100))
def test_gives_one_printable_line_for_any_text(text, most):
    shown = clean(text, most)
    assert shown.isprintable()
    assert len(shown) <= most


def test_cuts_long_text_and_shows_that_it_did():
    assert clean("x" * 1000) == "x" * (TEXT_MAX - 3) + "..."
    assert clean("\x00" * 1000, 10) == "\\x00\\x0..."
    assert clean("x" * TEXT_MAX) == "x" * TEXT_MAX


def test_can_be_encoded_whatever_it_was():
    assert clean(HOSTILE).encode("ascii")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        # Unicode Standard Annex 44, Default_Ignorable_Code_Point: printable by category, and never seen.
        ("a\u3164b\u115f\ufe0f\u034f", "a\\u3164b\\u115f\\ufe0f\\u034f"),
        ("a\u200bb\u00ad\ufeff", "a\\u200bb\\xad\\ufeff"),
        ("\u2800", "\\u2800"),
        # Vietnamese has two marks on one letter (Unicode's Latin Extended Additional, decomposed).
        ("e\u0302\u0301", "e\u0302\u0301"),
        ("e\u0302\u0301\u0301\u0301", "e\u0302\u0301\\u0301\\u0301"),
    ],
)
def test_shows_what_would_not_be_seen(text, shown):
    assert clean(text) == shown
    assert clean(shown) == shown


@given(st.text(st.characters()))
def test_cleans_twice_as_once(text):
    assert clean(clean(text)) == clean(text)
    assert printable(printable(text)) == printable(text)


@given(st.binary(max_size=300), st.integers(3, 100))
def test_gives_one_printable_line_for_any_bytes(data, most):
    shown = clean_bytes(data, most)
    assert shown.isprintable()
    assert len(shown) <= most


def test_keeps_the_lines_of_a_message_and_nothing_else():
    assert printable_lines("plan.yaml:1:2: \x1b[2J\nsecond\r\n") == "plan.yaml:1:2: \\x1b[2J\nsecond\\r\n"


def test_shows_bytes_that_are_no_utf_8_by_their_numbers():
    assert clean_bytes(b"ok \xff\xc3( \xc2\xb5s") == "ok \\xff\\xc3( \u00b5s"

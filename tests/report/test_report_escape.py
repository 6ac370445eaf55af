"""The harness shows foreign text as one printable line of bounded length."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_samples import HOSTILE

from harness.report.escape import TEXT_MAX, clean


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

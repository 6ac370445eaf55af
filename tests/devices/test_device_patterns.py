"""The harness reads lines by patterns and writes them by templates."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.devices.patterns import MAX_DIGITS, Pattern, PatternError, literal
from harness.devices.templates import INTEGERS, Template

ALLOWED = ("packet", "ms", "channel 1", "channel 2", "acked")


def pattern(text):
    return Pattern(text, ALLOWED, ("acked",))


def test_fields_and_blanks_are_read_from_a_line():
    made = pattern("RX n={packet} t={ms} ch={channel 1},{channel 2}")
    assert made.fields == ("packet", "ms", "channel 1", "channel 2")
    wanted = {"packet": 7, "ms": 1234, "channel 1": -3, "channel 2": 2000}
    assert made.values(b"RX n=7 t=1234 ch=-3,2000") == wanted
    assert made.values(b" \tRX   n=7\tt=+1234 ch=-3,2000  ") == wanted


@pytest.mark.parametrize(
    "line",
    [b"", b"RX n=7", b"RX n=7 t=12x ch=1,2", b"RXn=7 t=1 ch=1,2", b"RX n=7 t=1 ch=1,2,3",
     b"RX n=7 t=12345678901 ch=1,2", b"RX n= t=1 ch=1,2", b"RX n=0x7 t=1 ch=1,2", b"rx n=7 t=1 ch=1,2"],
)  # fmt: skip
def test_lines_that_differ_in_anything_else_fit_not(line):
    assert pattern("RX n={packet} t={ms} ch={channel 1},{channel 2}").values(line) is None


def test_any_takes_what_is_of_no_interest():
    made = pattern("[{any}] rssi={any}, n={packet}")
    assert made.values(b"[12:00:01] rssi=-71dBm, n=9") == {"packet": 9}
    assert made.values(b"[] rssi=-71, n=9") is None


@pytest.mark.parametrize(
    ("word", "value"), [("1", 1), ("0", 0), ("ok", 1), ("yes", 1), ("no", 0), ("lost", 0)]
)
def test_yes_and_no_may_be_words_where_they_mean_something(word, value):
    assert pattern("TX {packet} {acked}").values(b"TX 5 " + word.encode()) == {"packet": 5, "acked": value}
    assert pattern("TX {packet}").values(b"TX " + word.encode()) == (
        {"packet": value} if word.isdigit() else None
    )


def test_literal_text_is_never_taken_for_a_regular_expression():
    made = pattern(r"(RX)+ .* [{packet}]\{\}")
    assert made.values(b"(RX)+ .* [4]{}") == {"packet": 4}
    assert made.values(b"RXRX anything [4]{}") is None


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("{packet}", "no literal text"),
        ("RX {packet}{ms}", "nothing stands between"),
        ("RX {packet}0", "a digit stands right behind"),
        ("RX {packet} {packet}", "twice"),
        ("RX {pocket}", "unknown field {pocket}"),
        ("RX {packet", "without its other one"),
        ("RX {}", "without a name"),
        (r"RX {packet} \q", "backslash"),
        ("RX \N{SNOWMAN} {packet}", "no single byte"),
    ],
)
def test_patterns_that_cannot_be_used_say_why(text, why):
    with pytest.raises(PatternError, match=re.escape(why)):
        pattern(text)


NUMBERS = st.integers(-(10**MAX_DIGITS) + 1, 10**MAX_DIGITS - 1)
TEXT = st.text("abcXYZ :=;,()[]*+?.|^$-", min_size=1, max_size=8).map(lambda text: f"|{text}|")


@given(st.lists(TEXT, min_size=5, max_size=5), st.lists(NUMBERS, min_size=4, max_size=4))
def test_what_is_written_by_a_pattern_is_read_back(texts, numbers):
    names = ("packet", "ms", "channel 1", "channel 2")
    made = pattern(
        texts[0] + "".join(f"{{{name}}}{text}" for name, text in zip(names, texts[1:], strict=True))
    )
    line = texts[0] + "".join(f"{number}{text}" for number, text in zip(numbers, texts[1:], strict=True))
    assert made.values(line.encode()) == dict(zip(names, numbers, strict=True))


@given(st.binary(max_size=600))
def test_any_bytes_fit_or_fit_not(line):
    for text in ("RX n={packet} t={ms}", "{any} {packet} {any} x", "TX {packet} {acked}"):
        found = pattern(text).values(line)
        assert found is None or all(abs(value) < 10**MAX_DIGITS for value in found.values())


def test_a_hostile_line_is_looked_at_once_whatever_it_is():
    """Possessive quantifiers: with ordinary ones this pattern takes more than cubic time on such a line."""
    made = Pattern("{any} {any} {any} {any} {any} {packet}!", ("packet",))
    for size in (512, 200_000):  # at 200 000 anything but linear would not end
        assert made.values(b"1 " * size) is None
        assert made.values(b"a" * size) is None
        assert made.values(b" " * size) is None


def test_escapes_stand_for_bytes():
    assert literal(r"\x41\n\r\t\\\{\}\xff") == b"A\n\r\t\\{}\xff"


def test_templates_write_numbers_as_text_with_the_rigs_line_end():
    allowed = ("channel 1", "channel 2")
    values = {"channel 1": 1000, "channel 2": -5}
    assert Template("S {channel 1} {channel 2}", allowed).written(values) == b"S 1000 -5\n"
    assert Template("S {channel 1}", allowed, b"\r\n").written(values) == b"S 1000\r\n"
    assert Template(r"S {channel 1}\r", allowed).written(values) == b"S 1000\r"
    assert Template("S", allowed, b"").written(values) == b"S"


def test_templates_write_bytes_and_checksums():
    made = Template(r"\xAA{channel 1 u16le}{channel 2 i16be}{xor8}", ("channel 1", "channel 2"), b"")
    assert made.fields == ("channel 1", "channel 2")
    data = made.written({"channel 1": 0x1234, "channel 2": -2})
    assert data == b"\xaa\x34\x12\xff\xfe" + bytes([0xAA ^ 0x34 ^ 0x12 ^ 0xFF ^ 0xFE])


@pytest.mark.parametrize("kind", INTEGERS)
def test_values_that_a_type_cannot_hold_stop_at_its_ends(kind):
    made = Template("{channel 1 " + kind + "}", ("channel 1",), b"")
    size, order = int(kind.strip("uilbe")) // 8, "big" if kind.endswith("be") else "little"
    for value in (10**12, -(10**12)):
        read = int.from_bytes(made.written({"channel 1": value}), order, signed=kind[0] == "i")
        ends = (
            (0, 2 ** (8 * size) - 1) if kind[0] == "u" else (-(2 ** (8 * size - 1)), 2 ** (8 * size - 1) - 1)
        )
        assert read == ends[value > 0]


def test_a_template_with_an_unknown_field_is_refused():
    with pytest.raises(PatternError, match=r"unknown field \{chanel 1\}"):
        Template("S {chanel 1}", ("channel 1",))

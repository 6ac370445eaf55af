"""The harness does what `shared/protocol.md` says: its tables and its numbers are held to the code."""

from __future__ import annotations

import re
from dataclasses import fields
from enum import IntEnum

import plain_codec
import pytest

from harness.codec import MAX_FRAME, encode
from harness.codec import messages as m
from harness.codec.frames import MAX_BODY, MAX_PAYLOAD, MIN_BODY
from harness.measure.tables import COLUMNS

PAGE = (plain_codec.SHARED / "protocol.md").read_text(encoding="utf-8")
WORDS = re.sub(r"\s+", " ", PAGE)
BY_NAME = {kind.__name__: kind for kind in m.BY_TYPE.values()}
each_message = pytest.mark.parametrize("name", sorted(BY_NAME))


def glance() -> dict[str, tuple[int, str, str]]:
    """Message name to type, direction and size in the table of all messages."""
    rows = re.findall(r"^\| 0x(\w\w) \| (\w+) \| ([^|]+) \| ([\d to]+) \|", PAGE, re.MULTILINE)
    return {name: (int(kind, 16), direction.strip(), size.strip()) for kind, name, direction, size in rows}


def size(name: str, count: int, text: int) -> int:
    """Bytes of a frame with `count` repeated items and texts of `text` bytes."""
    total = 7
    for row in plain_codec.tables()[name][1]:
        if row.width.endswith("x count"):
            each = sum(plain_codec.WIDTH[kind] for kind in re.findall(r"[ui]\d+", row.width)) or 1
            total += each * (count if each > 1 else 2 * count)
        else:
            total += 1 + text if row.width == "text" else plain_codec.WIDTH[row.width]
    return total


def test_page_has_every_message_once() -> None:
    numbers = {name: kind.TYPE for name, kind in BY_NAME.items()}
    assert {name: number for name, (number, _) in plain_codec.tables().items()} == numbers
    assert {name: number for name, (number, _, _) in glance().items()} == numbers
    assert len(re.findall(r"^### 0x", PAGE, re.MULTILINE)) == len(numbers)


@each_message
def test_byte_table_has_the_fields_in_order(name: str) -> None:
    rows = plain_codec.tables()[name][1]
    counted = any(row.width.endswith("x count") for row in rows)
    shown = [row.field for row in rows if not (counted and row.field == "count")]
    assert shown == [field.name for field in fields(BY_NAME[name])]


@each_message
def test_byte_table_has_the_right_offsets(name: str) -> None:
    at = 0
    for row in plain_codec.tables()[name][1]:
        if row.byte:
            assert int(row.byte) == at, row
        at += plain_codec.WIDTH.get(row.width, 0)


def test_recordings_are_read_by_the_byte_tables() -> None:
    # Measurement reads common messages in bulk, by layouts of its own: they must be the page's.
    widths = {"u8": "u1", "u16": "<u2", "u32": "<u4", "i8": "i1"}
    for number, columns in COLUMNS.items():
        rows = plain_codec.tables()[m.BY_TYPE[number].__name__][1]
        assert columns == tuple((row.field, widths[row.width]) for row in rows if row.width in widths)


@each_message
def test_table_of_all_messages_has_the_right_sizes(name: str) -> None:
    ends = sorted({size(name, 0, 0), size(name, 16, m.MAX_NAME)})
    assert glance()[name][2] == " to ".join(map(str, ends))


@each_message
def test_type_number_tells_the_direction(name: str) -> None:
    number, direction, _ = glance()[name]
    assert direction.endswith("to PC") == (0x40 <= number < 0x80)
    assert direction.startswith("PC to") == (0x01 <= number < 0x40)


@pytest.mark.parametrize(
    ("message", "field", "codes"),
    [
        ("Setting", "setting", m.SettingId),
        ("Disturb", "kind", m.Disturbance),
        ("Identity", "role", m.WireRole),
        ("Reply", "result", m.Result),
        ("Started", "cause", m.StartCause),
        ("OutputChange", "reason", m.OutputReason),
    ],
)
def test_page_lists_every_code(message: str, field: str, codes: type[IntEnum]) -> None:
    section = re.search(rf"### 0x\w\w {message}\n.*?(?=\n### |\n## )", PAGE, re.DOTALL)
    assert section
    row = re.search(rf"\| {field} \| \w+ \| ([^|]+) \|", section[0])
    assert row
    assert [int(number) for number in re.findall(r"(\d+) [a-zA-Z]", row[1])] == [code.value for code in codes]


def test_page_says_what_each_disturbance_sends() -> None:
    table = PAGE.split("| kind | what it sends |")[1].split("\n\n")[0]
    told = dict(re.findall(r"^ *\| (\d+) (\w+) \|", table, re.MULTILINE))
    assert told == {str(kind.value): kind.name.lower() for kind in m.Disturbance}


def test_page_lists_every_ability() -> None:
    table = PAGE.split("| bit | ability |")[1].split("### ")[0]
    bits = {int(bit) for bit in re.findall(r"\| (\d+) \|", table)}
    assert {1 << bit for bit in bits} == {ability.value for ability in m.Ability}


@pytest.mark.parametrize(
    "sentence",
    [
        f"| 3 | payload | 0 to {MAX_PAYLOAD} |",
        f"A body has {MIN_BODY} to {MAX_BODY} bytes",
        f"a frame has {MIN_BODY + 2} to {MAX_FRAME} bytes",
        f"hears none for {m.DEAD_MAN_MS} ms",
        f"channels, 0 to {m.MAX_CHANNELS}",
        f"fields, 0 to {m.MAX_INJECTED}",
        f"bytes, 0 to {m.MAX_TELEMETRY}",
        f"one length byte, 0 to {m.MAX_NAME}",
        f"{m.SIGNAL_UNKNOWN} if not known",
        f"{m.NO_SET} is kept for the transmitter's own sticks",
        f"bit {m.SENT_ACKED.bit_length() - 1} acknowledged",
        f"bit {m.SENT_IN_BURST.bit_length() - 1} part of a Burst",
        f"# The bench protocol, version {m.PROTOCOL_VERSION}",
        f"wrap every {2**32 / 60e6:.1f} minutes",
        f"The CRC of the nine characters `123456789` is 0x{plain_codec.crc16(b'123456789'):04X}",
    ],
)
def test_page_states_the_number_in_the_code(sentence: str) -> None:
    assert sentence in WORDS


def test_worked_example_is_what_the_codec_sends() -> None:
    line = encode(m.Ping(0x01020304), 5)
    assert f"on the line {line.hex(' ').upper()}" in WORDS
    body = plain_codec.cobs_decode(line[:-1])
    assert body is not None
    assert f"body, no checksum {body[:-2].hex(' ').upper()}" in WORDS
    assert f"with checksum {body.hex(' ').upper()}" in WORDS


def test_line_load_on_the_page_adds_up() -> None:
    # 8N1: one start bit, eight data bits, one stop bit, so ten bits a byte (arithmetic of serial framing).
    examples = {
        "Sticks": m.Sticks(1, (1500,) * 6),
        "KeepAlive": m.KeepAlive(),
        "Ping": m.Ping(0),
        "Sent": m.Sent(0, 0, 0, 0, 1, 1),
        "Telemetry": m.Telemetry(0, 0, bytes(8)),
        "Pong": m.Pong(0, 0),
        "Applied": m.Applied(0, 0, 0, (1500,) * 6),
        "Counters": m.Counters(0, 0, 0, 0, 0, 0),
        "Pulses": m.Pulses(0, ((0, 15000),) * 6),
    }
    rows = re.findall(r"^\| [\w ]+ \| ([\d.]+ \w+ x .*?) \| (\d+) \| ([\d.]+) % \|", PAGE, re.MULTILINE)
    assert len(rows) == 6
    for parts, total, percent in rows:
        sums = 0.0
        for rate, name, width in re.findall(r"([\d.]+) (\w+) x (\d+)", parts):
            assert len(encode(examples[name], 0)) == int(width)
            sums += float(rate) * int(width)
        assert round(sums) == int(total)
        assert f"{100 * sums / 11520:.1f}" == percent
    assert f"at 250 packets/s fills {(250 * (19 + 22) + 15) / 11520:.0%}".replace("%", " %") in WORDS

"""A second implementation of the bench protocol, to hold the first against.

It shares nothing with `harness.codec`: CRC bit by bit, COBS byte by byte, and the payload layouts read from
the byte tables in `shared/protocol.md`, so that the page and the code cannot drift apart.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

SHARED = Path(__file__).parents[2] / "shared"
WIDTH = {"u8": 1, "u16": 2, "u32": 4, "i8": 1, "i32": 4}


class Row(NamedTuple):
    """One line of a byte table."""

    byte: str
    field: str
    width: str


def crc16(data: bytes, start: int = 0xFFFF) -> int:
    """CRC-16, polynomial 0x1021, most significant bit first, one bit at a time."""
    register = start
    for byte in data:
        for bit in range(7, -1, -1):
            top = (register >> 15) ^ (byte >> bit & 1)
            register = (register << 1 & 0xFFFF) ^ (0x1021 if top else 0)
    return register


def cobs_encode(data: bytes) -> bytes:
    """COBS as in the paper, except that no group follows a full one at the very end."""
    out, group = bytearray(), bytearray()
    for index, byte in enumerate(data):
        if byte:
            group.append(byte)
        if not byte:
            out += bytes((len(group) + 1,)) + group
            group.clear()
        elif len(group) == 254:
            out += b"\xff" + group
            group.clear()
            if index == len(data) - 1:
                return bytes(out)
    return bytes(out) + bytes((len(group) + 1,)) + bytes(group)


def cobs_decode(data: bytes) -> bytes | None:
    """Undo COBS; None where the bytes are no COBS."""
    out, at = bytearray(), 0
    while at < len(data):
        code = data[at]
        group = data[at + 1 : at + code]
        if code == 0 or len(group) != code - 1 or 0 in group:
            return None
        out += group
        at += code
        if code < 255 and at < len(data):
            out.append(0)
    return bytes(out)


@cache
def tables() -> dict[str, tuple[int, tuple[Row, ...]]]:
    """Message name to its type number and the rows of its byte table in `shared/protocol.md`."""
    text = (SHARED / "protocol.md").read_text(encoding="utf-8")
    section = text.split("## 4. Byte tables")[1].split("\n## 5.")[0]
    found = {}
    for number, name, body in re.findall(r"### 0x(\w\w) (\w+)\n(.*?)(?=\n### |\Z)", section, re.DOTALL):
        rows = re.findall(r"^\| (\d*) ?\| (\w+) \| ([^|]+) \|", body, re.MULTILINE)
        known = [Row(*row) for row in rows if _is_width(row[2])]
        found[name] = (int(number, 16), tuple(known))
    return found


def _is_width(text: str) -> bool:
    return text in WIDTH or text == "text" or text.endswith("x count")


def payload(message: str, fields: dict[str, Any]) -> bytes:
    """Lay the fields of a message out by its byte table."""
    rows = tables()[message][1]
    counted = any(row.width.endswith("x count") for row in rows)
    names = [row.field for row in rows if not (counted and row.field == "count")]
    assert sorted(names) == sorted(fields), f"{message} has the fields {names}"
    values = dict(fields)
    if counted:
        values["count"] = len(fields[names[-1]])
    return b"".join(_lay(row.width, values[row.field]) for row in rows)


def _lay(width: str, value: Any) -> bytes:
    if width in WIDTH:
        return (value % 256 ** WIDTH[width]).to_bytes(WIDTH[width], "little")
    if width == "text":
        data = value.encode("utf-8")
        return bytes((len(data),)) + data
    if width == "byte x count":
        return bytes(value)
    each = re.findall(r"[ui]\d+", width)
    groups = value if len(each) > 1 else [(one,) for one in value]
    return b"".join(_lay(kind, part) for group in groups for kind, part in zip(each, group, strict=True))


def frame(message: str, counter: int, fields: dict[str, Any]) -> bytes:
    """Return the bytes on the line for one message, 0x00 included."""
    body = bytes((tables()[message][0],)) + counter.to_bytes(2, "little") + payload(message, fields)
    return cobs_encode(body + crc16(body).to_bytes(2, "big")) + b"\0"


def raw_frame(body: bytes) -> bytes:
    """Return a frame with a good checksum around any body."""
    return cobs_encode(body + crc16(body).to_bytes(2, "big")) + b"\0"

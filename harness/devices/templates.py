r"""What is written to a device that does not speak the bench protocol? Templates, and what they are for.

S {channel 1} {channel 2}          numbers as decimal text, ended by the rig's line end
\xAA{channel 1 u16le}{xor8}        numbers as bytes, and a checksum over everything before it
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from typing import Final

from harness.devices.checksums import CHECKSUMS, checksum_bytes
from harness.devices.patterns import PatternError, literal, named, tokens_of

INTEGERS: Final[Mapping[str, struct.Struct]] = {
    "u8": struct.Struct("<B"), "i8": struct.Struct("<b"),
    "u16le": struct.Struct("<H"), "u16be": struct.Struct(">H"),
    "i16le": struct.Struct("<h"), "i16be": struct.Struct(">h"),
    "u32le": struct.Struct("<I"), "u32be": struct.Struct(">I"),
    "i32le": struct.Struct("<i"), "i32be": struct.Struct(">i"),
}  # fmt: skip
"""Types of whole numbers; floats are not among them: no count and no pulse is one."""
LINE_ENDS: Final[Mapping[str, bytes]] = {"LF": b"\n", "CR LF": b"\r\n", "CR": b"\r", "none": b""}


class Template:
    """A template made ready; `fields` are the names in it."""

    __slots__ = ("_end", "_parts", "fields")

    def __init__(self, text: str, allowed: Sequence[str], end: bytes = b"\n") -> None:
        """`allowed` are the fields that may stand in it; raises PatternError."""
        self._parts = [self._part(token.text, token.field, allowed) for token in tokens_of(text)]
        self.fields = tuple(name for _, name, kind in self._parts if kind in ("", *INTEGERS) and name)
        last = self._parts[-1][0] if self._parts else b""
        self._end = b"" if end and last.endswith((b"\n", b"\r")) else end

    @staticmethod
    def _part(text: str, field: str, allowed: Sequence[str]) -> tuple[bytes, str, str]:
        if not field:
            return literal(text), "", ""
        name, _, kind = field.rpartition(" ")
        if kind in INTEGERS and name in allowed:
            return b"", name, kind
        if field in allowed:
            return b"", field, ""
        if field in CHECKSUMS and field != "none":
            return b"", field, "checksum"
        raise PatternError(f"unknown field {{{field}}}; fields here: {named(allowed)}")

    def written(self, values: Mapping[str, int]) -> bytes:
        """Return the bytes for these values; one that a type cannot hold is cut to its end."""
        data = b""
        for text, name, kind in self._parts:
            if kind == "checksum":
                data += checksum_bytes(name, "little", data)
            elif kind:
                data += _packed(INTEGERS[kind], values[name])
            else:
                data += text or (b"%d" % values[name] if name else b"")
        return data + self._end


def _packed(layout: struct.Struct, value: int) -> bytes:
    bits, signed = 8 * layout.size, layout.format[-1:].islower()
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
    return layout.pack(min(max(value, low), high))

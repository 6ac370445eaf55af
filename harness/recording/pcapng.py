"""Which bytes make up a recording? The pcapng blocks that this project writes and reads.

Source: pcapng capture file format (IETF draft-ietf-opsawg-pcapng). Every block is

    type u32 | total length u32 | body, padded to 4 bytes | total length u32

and everything is little-endian here. A recording holds one Section Header Block with the header in comments,
an Interface Description Block for each port and one for the marks, and Enhanced Packet Blocks of one shape:

    | bytes | field                | value here                                             |
    |-------|----------------------|--------------------------------------------------------|
    | 8     | type, total length   | 6, 56 + data + padding                                 |
    | 4     | interface            | 0 transmitter port, 1 receiver port, 2 marks,          |
    |       |                      | 3 witness port if the bench has one; the next ones are |
    |       |                      | further ports whose bytes are kept and never judged    |
    | 8     | time, high word first| ns since the recording's start                         |
    | 8     | captured, original   | bytes of data, twice                                   |
    | n     | data                 | as on the wire; a mark is JSON text                    |
    | 0-3   | padding              | 0                                                      |
    | 8     | option epb_flags     | 2, 4, direction (1 inbound, 2 outbound, 0 unknown)     |
    | 12    | option epb_hash      | 3, 5, algorithm 2, CRC-32 of the data, 3 bytes of 0    |
    | 4     | end of options       | 0, 0                                                   |
    | 4     | total length         | again                                                  |

CRC-32 is the ISO-HDLC one that zlib computes (check value 0xCBF43926).
"""

from __future__ import annotations

import struct
from collections.abc import Container, Iterable, Iterator
from typing import Final, NamedTuple

from harness.bench.protocol import Role

SECTION_HEADER: Final = 0x0A0D0D0A
INTERFACE: Final = 0x00000001
PACKET: Final = 0x00000006
BYTE_ORDER: Final = 0x1A2B3C4D

COMMENT: Final = 1
USER_APPLICATION: Final = 4
IF_NAME: Final = 2
IF_DESCRIPTION: Final = 3
IF_SPEED: Final = 8
IF_TSRESOL: Final = 9
IF_TSOFFSET: Final = 14
EPB_FLAGS: Final = 2
EPB_HASH: Final = 3

LINKTYPE_USER0: Final = 147
LINKTYPE_USER1: Final = 148
NANOSECONDS: Final = 9
"""if_tsresol: 10 to the power of -9 s."""
HASH_CRC32: Final = 2

BLOCK_HEAD: Final = struct.Struct("<II")
BLOCK_MIN: Final = 12
SECTION_BODY: Final = struct.Struct("<IHHq")
INTERFACE_BODY: Final = struct.Struct("<HHI")
PACKET_HEAD: Final = struct.Struct("<IIIIIII")
PACKET_TAIL: Final = struct.Struct("<IIIBI3xII")
FLAGS_HEAD: Final = EPB_FLAGS | 4 << 16
HASH_HEAD: Final = EPB_HASH | 5 << 16
PACKET_EXTRA: Final = PACKET_HEAD.size + PACKET_TAIL.size
OPTION: Final = struct.Struct("<HH")
OTHER_BLOCKS: Final = frozenset((0x4, 0x5, 0x9, 0xA, 0xBAD, 0x40000BAD))
"""Blocks of the standard that other programs may add: names, statistics, journal, secrets, custom."""
BLOCK_MAX: Final = 16 * 1024 * 1024
"""General packet analysers refuse longer blocks, so none of ours is, and a longer length is damage."""
COMMENT_MAX: Final = 30_000
"""Longest comment in bytes: an option's length has 16 bits, and analysers show long ones badly."""


class InterfaceKind(NamedTuple):
    """One of the interfaces of a recording."""

    name: str
    linktype: int
    about: str
    role: Role | None = None


def _port(role: Role) -> InterfaceKind:
    about = f"bench port of the {role}, frame by frame as on the wire"
    return InterfaceKind(role.value, LINKTYPE_USER0, about, role)


INTERFACES: Final = (
    _port(Role.TRANSMITTER),
    _port(Role.RECEIVER),
    InterfaceKind("marks", LINKTYPE_USER1, "what the harness did, as JSON text"),
    _port(Role.WITNESS),
)
"""The interfaces of the devices and of the marks. The last is there only if the bench has a witness."""
BESIDE_MAX: Final = 8
"""Most further ports of a bench."""
MARKS: Final = 2
"""Number of the interface that holds the marks."""


def interfaces(ports: Container[Role], beside: Iterable[str] = ()) -> tuple[InterfaceKind, ...]:
    """Return the interfaces of a recording of these ports and the further ones, by number."""
    devices = INTERFACES if Role.WITNESS in ports else INTERFACES[:-1]
    about = "bytes as on the wire, kept and never judged"
    return *devices, *(InterfaceKind(name, LINKTYPE_USER0, about) for name in beside)


def block(kind: int, body: bytes) -> bytes:
    """Return a whole block; `body` is a multiple of 4 bytes long and may be empty."""
    assert len(body) % 4 == 0
    total = len(body) + BLOCK_MIN
    if total > BLOCK_MAX:
        raise ValueError(f"a block of {total} bytes is above the {BLOCK_MAX} that analysers read")
    return BLOCK_HEAD.pack(kind, total) + body + total.to_bytes(4, "little")


def options(pairs: Iterable[tuple[int, bytes]]) -> bytes:
    """Return options with their padding and the end mark; each value has at most 65 535 bytes."""
    parts = [OPTION.pack(code, len(value)) + value + bytes(-len(value) % 4) for code, value in pairs]
    return b"".join(parts) + OPTION.pack(0, 0)


def read_options(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield (code, value) of every whole option in `data`, up to the end mark."""
    at = 0
    while at + OPTION.size <= len(data):
        code, size = OPTION.unpack_from(data, at)
        at += OPTION.size
        if code == 0 or at + size > len(data):
            return
        yield code, data[at : at + size]
        at += size + -size % 4


def section_header(application: str, comments: Iterable[str]) -> bytes:
    """Return a Section Header Block of unstated section length, format version 1.0."""
    texts = [(COMMENT, _text(comment)) for comment in comments]
    body = SECTION_BODY.pack(BYTE_ORDER, 1, 0, -1)
    return block(SECTION_HEADER, body + options([*texts, (USER_APPLICATION, _text(application))]))


def interface_block(kind: InterfaceKind, *, offset_seconds: int, bits_per_second: int) -> bytes:
    """Return an Interface Description Block with times in ns from `offset_seconds`; speed 0 is left out."""
    pairs = [(IF_NAME, _text(kind.name)), (IF_DESCRIPTION, _text(kind.about))]
    if bits_per_second:
        pairs.append((IF_SPEED, bits_per_second.to_bytes(8, "little")))
    pairs.append((IF_TSRESOL, bytes((NANOSECONDS,))))
    pairs.append((IF_TSOFFSET, offset_seconds.to_bytes(8, "little", signed=True)))
    return block(INTERFACE, INTERFACE_BODY.pack(kind.linktype, 0, 0) + options(pairs))


def _text(text: str) -> bytes:
    """UTF-8; what UTF-8 cannot hold (half a surrogate pair) is written as an escape."""
    return text.encode("utf-8", "backslashreplace")

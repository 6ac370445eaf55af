"""Is a record whole? The checksums that records may end with, by their names in the catalogue.

Check values are those of the catalogue of parametrised CRC algorithms for the ASCII digits 1 to 9.
"""

from __future__ import annotations

import zlib
from binascii import crc_hqx
from collections.abc import Callable, Mapping
from functools import cache, reduce
from operator import xor
from types import MappingProxyType
from typing import Final, Literal, NamedTuple

Order = Literal["little", "big"]


class Checksum(NamedTuple):
    """`size` bytes that `of` makes from others."""

    size: int
    of: Callable[[bytes], int]


@cache
def _table8(poly: int) -> bytes:
    """Return the table of a CRC of 8 bits, highest bit first."""
    table = []
    for start in range(256):
        value = start
        for _ in range(8):
            value = (value << 1 ^ poly) & 0xFF if value & 0x80 else value << 1
        table.append(value)
    return bytes(table)


def _crc8(poly: int, data: bytes) -> int:
    table, value = _table8(poly), 0
    for byte in data:
        value = table[value ^ byte]
    return value


@cache
def _table16(reflected: int) -> tuple[int, ...]:
    """Return the table of a CRC of 16 bits, lowest bit first."""
    table = []
    for start in range(256):
        value = start
        for _ in range(8):
            value = value >> 1 ^ reflected if value & 1 else value >> 1
        table.append(value)
    return tuple(table)


def _modbus(data: bytes) -> int:
    table, value = _table16(0xA001), 0xFFFF  # 0x8005 with its bits turned round
    for byte in data:
        value = value >> 8 ^ table[(value ^ byte) & 0xFF]
    return value


CHECKSUMS: Final[Mapping[str, Checksum]] = MappingProxyType(
    {
        "none": Checksum(0, lambda _data: 0),
        "sum8": Checksum(1, lambda data: sum(data) & 0xFF),
        "xor8": Checksum(1, lambda data: reduce(xor, data, 0)),
        "CRC-8/SMBUS": Checksum(1, lambda data: _crc8(0x07, data)),
        "CRC-8/DVB-S2": Checksum(1, lambda data: _crc8(0xD5, data)),
        "CRC-16/IBM-3740": Checksum(2, lambda data: crc_hqx(data, 0xFFFF)),
        "CRC-16/XMODEM": Checksum(2, lambda data: crc_hqx(data, 0)),
        "CRC-16/MODBUS": Checksum(2, _modbus),
        "CRC-32/ISO-HDLC": Checksum(4, zlib.crc32),
    }
)


def checksum_bytes(name: str, order: Order, data: bytes) -> bytes:
    """Return the bytes of a checksum over `data`."""
    kind = CHECKSUMS[name]
    return kind.of(data).to_bytes(kind.size, order)

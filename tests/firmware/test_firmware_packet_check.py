"""The check in Dunlin's radio packets is the CRC-8 that it is said to be, and finds what it should."""

from __future__ import annotations

import itertools
import subprocess
import sys
from pathlib import Path

import pytest
from firmware_host import FIRMWARE, HERE, LANGUAGES, needs_gcc, run

sys.path.insert(0, str(HERE.parent / "emulated"))

from reference_board import crc8, packed

PROGRAM = """
#include <stdio.h>
#include "wire.h"
int main(void)
{
    uint8_t bytes[256];
    int size;
    while ((size = getchar()) != EOF) {
        for (int i = 0; i < size; i++)
            bytes[i] = (uint8_t)getchar();
        printf("%02x", (unsigned)crc8(bytes, (uint8_t)size));
    }
    return 0;
}
"""
PUBLISHED = 0x4B
"""Of the nine characters 123456789: CRC-8/SAE-J1850 in Greg Cook's catalogue of parametrised CRC algorithms;
the same stands in the general-purpose library crccheck 1.3.1 (`Crc8SaeJ1850._check_result`)."""


@pytest.fixture(scope="module")
def checks(tmp_path_factory):
    """Return a function that gives the CRC of each of some texts, as the firmware's header computes it."""
    folder: Path = tmp_path_factory.mktemp("check")
    source = folder / "check.c"
    source.write_text(PROGRAM, encoding="utf-8")
    program = folder / "check"
    run(
        [
            *LANGUAGES["C99"],
            "-Wall",
            "-Wextra",
            "-Werror",
            f"-I{FIRMWARE / 'reference'}",
            source,
            "-o",
            program,
        ]
    )

    def told(texts: list[bytes]) -> list[int]:
        fed = b"".join(bytes((len(text),)) + text for text in texts)
        done = subprocess.run([program], input=fed, capture_output=True, check=True)
        return list(bytes.fromhex(done.stdout.decode()))

    return told


@needs_gcc
def test_check_has_the_published_value(checks) -> None:
    assert checks([b"123456789"]) == [PUBLISHED]
    assert crc8(b"123456789") == PUBLISHED


@needs_gcc
def test_second_implementation_agrees_on_every_byte_and_length(checks) -> None:
    texts = [bytes((byte,)) for byte in range(256)] + [bytes(range(7, 7 + size)) for size in range(60)]
    assert checks(texts) == [crc8(text) for text in texts]


@needs_gcc
def test_check_finds_every_error_of_one_and_two_bits_in_a_packet(checks) -> None:
    packet = packed(513, (950, 2000, 1500, 1750, 1100, 1))
    bits = range(8 * len(packet))
    flips = [(bit,) for bit in bits] + list(itertools.combinations(bits, 2))
    spoilt = []
    for flip in flips:
        data = bytearray(packet)
        for bit in flip:
            data[bit // 8] ^= 1 << bit % 8
        spoilt.append(bytes(data))
    assert len(spoilt) == 128 + 128 * 127 // 2
    found = [
        crc != data[-1] for crc, data in zip(checks([data[:-1] for data in spoilt]), spoilt, strict=True)
    ]
    assert all(found)

"""The harness knows the checksums that records end with, by their names in the catalogue."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.devices.checksums import CHECKSUMS, checksum_bytes
from mocks.speaking import modbus

DIGITS = b"123456789"
CATALOGUE = {
    "CRC-8/SMBUS": 0xF4,
    "CRC-8/DVB-S2": 0xBC,
    "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-16/MODBUS": 0x4B37,
    "CRC-32/ISO-HDLC": 0xCBF43926,
}
"""Check values of the ASCII digits 1 to 9: Cook, Catalogue of parametrised CRC algorithms."""


@pytest.mark.parametrize("name", CATALOGUE)
def test_check_values_are_those_of_the_catalogue(name):
    assert CHECKSUMS[name].of(DIGITS) == CATALOGUE[name]


def test_plain_sums_are_what_they_say():
    assert CHECKSUMS["sum8"].of(DIGITS) == sum(DIGITS) & 0xFF == 0xDD
    assert CHECKSUMS["xor8"].of(DIGITS) == 0x31  # 1 ^ 2 ^ ... ^ 9 is 1, and nine times 0x30 leaves 0x30
    assert set(CHECKSUMS) == {"none", "sum8", "xor8", *CATALOGUE}


def test_either_byte_may_come_first():
    assert checksum_bytes("CRC-16/MODBUS", "little", DIGITS) == b"\x37\x4b"
    assert checksum_bytes("CRC-16/MODBUS", "big", DIGITS) == b"\x4b\x37"


@given(st.binary(max_size=64))
def test_tables_give_what_bits_one_by_one_give(data):
    assert CHECKSUMS["CRC-16/MODBUS"].of(data) == modbus(data)

"""The harness's framing agrees with published CRC and COBS values, and lets no small error through."""

from __future__ import annotations

from binascii import crc_hqx
from itertools import combinations

import plain_codec
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st
from vectors import document

from harness.codec import Frame, decode_piece, parse
from harness.codec.frames import CRC_START, MAX_BODY

CHECK = b"123456789"

# G. Cook, Catalogue of parametrised CRC algorithms: the CRC of the nine ASCII characters 123456789, for the
# algorithms with polynomial 0x1021 and nothing reflected. (Read in a secondary copy, and recomputed.)
CATALOGUE = {
    "CRC-16/IBM-3740": (0xFFFF, 0x0000, 0x29B1),
    "CRC-16/XMODEM": (0x0000, 0x0000, 0x31C3),
    "CRC-16/GSM": (0x0000, 0xFFFF, 0xCE3C),
}

# S. Cheshire and M. Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking 7(2), 1999,
# pages 159-172. Examples cited from memory, not read in the paper itself; the `cobs` package gives the same.
RUN = bytes(range(1, 256))
COBS_EXAMPLES = [
    ("00", "0101"),
    ("0000", "010101"),
    ("001100", "01021101"),
    ("11220033", "0311220233"),
    ("11223344", "0511223344"),
    ("11000000", "0211010101"),
    ("4500002c4c79000040064f37", "024501042c4c79010540064f37"),
    (RUN[:254].hex(), "ff" + RUN[:254].hex()),
    ("00" + RUN[:254].hex(), "01ff" + RUN[:254].hex()),
    (RUN.hex(), "ff" + RUN[:254].hex() + "02ff"),
    (RUN[1:].hex() + "00", "ff" + RUN[1:].hex() + "0101"),
    (RUN[2:].hex() + "0001", "fe" + RUN[2:].hex() + "0201"),
]


@pytest.mark.parametrize(("start", "final", "check"), CATALOGUE.values(), ids=CATALOGUE)
def test_both_checksums_give_the_catalogue_values(start: int, final: int, check: int) -> None:
    assert crc_hqx(CHECK, start) ^ final == check
    assert plain_codec.crc16(CHECK, start) ^ final == check


def test_wire_format_uses_the_checksum_with_check_value_29b1() -> None:
    assert crc_hqx(CHECK, CRC_START) == 0x29B1


@given(st.binary(max_size=300))
def test_bitwise_checksum_agrees_with_the_library(data: bytes) -> None:
    assert plain_codec.crc16(data) == crc_hqx(data, CRC_START)


@given(st.binary(max_size=300))
def test_checksum_of_a_whole_body_is_zero(data: bytes) -> None:
    assert crc_hqx(data + crc_hqx(data, CRC_START).to_bytes(2, "big"), CRC_START) == 0


@pytest.mark.parametrize(("data", "encoded"), COBS_EXAMPLES)
def test_both_cobs_codecs_give_the_published_examples(data: str, encoded: str) -> None:
    raw = bytes.fromhex(data)
    assert cobs.encode(raw).hex() == encoded
    assert plain_codec.cobs_encode(raw).hex() == encoded
    assert plain_codec.cobs_decode(bytes.fromhex(encoded)) == raw


def test_decoders_take_a_full_group_with_and_without_a_phantom_group() -> None:
    # Encoders differ in whether 01 follows a full group at the very end (from memory, and doubtful). Decoders
    # must take both; our bodies are too short for it ever to matter.
    full = b"\xff" + RUN[:254]
    assert plain_codec.cobs_decode(full) == cobs.decode(full) == RUN[:254]
    assert plain_codec.cobs_decode(full + b"\x01") == cobs.decode(full + b"\x01") == RUN[:254]
    assert MAX_BODY < 254


@given(st.binary(max_size=700))
def test_plain_cobs_agrees_with_the_library(data: bytes) -> None:
    encoded = cobs.encode(data)
    assert plain_codec.cobs_encode(data) == encoded or not data
    assert plain_codec.cobs_decode(encoded) == data


@given(st.binary(min_size=1, max_size=300).map(lambda data: data.replace(b"\0", b"\1")))
def test_plain_cobs_decoder_refuses_what_the_library_refuses(encoded: bytes) -> None:
    try:
        expected = cobs.decode(encoded)
    except cobs.DecodeError:
        expected = None
    assert plain_codec.cobs_decode(encoded) == expected


# Cheshire and Baker 1999: at least one byte, at most one more for each 254 bytes begun. (Read in a public
# encyclopedia's copy, and recomputed.)
@pytest.mark.parametrize(("size", "overhead"), [(1, 1), (253, 1), (254, 1), (255, 2), (508, 2), (509, 3)])
def test_cobs_overhead_is_as_published(size: int, overhead: int) -> None:
    assert len(cobs.encode(b"\x55" * size)) - size == overhead
    assert len(cobs.encode(bytes(size))) - size == 1


def test_checksum_catches_every_error_of_up_to_three_bits_in_a_body() -> None:
    # P. Koopman and T. Chakravarty, DSN 2004: polynomial 0x1021 has Hamming distance 4 up to 32 751 data bits
    # (cited from memory; shown here for our longest body). Syndromes of single bits all differ, so no two
    # cancel; x + 1 divides the polynomial, so no odd number of them cancels.
    bits = 8 * MAX_BODY
    syndromes = {crc_hqx((1 << bit).to_bytes(MAX_BODY, "big"), 0) for bit in range(bits)}
    assert len(syndromes) == bits
    assert 0 not in syndromes
    assert (0x11021).bit_count() % 2 == 0


SHORTEST: dict[str, bytes] = {}
for _entry in document()["messages"]:
    _frame = bytes.fromhex(_entry["frame"])
    SHORTEST[_entry["message"]] = min(SHORTEST.get(_entry["message"], _frame), _frame, key=len)


@pytest.mark.parametrize("frame", SHORTEST.values(), ids=SHORTEST)
def test_no_flip_of_one_or_two_bits_on_the_line_gives_a_message(frame: bytes) -> None:
    # No theorem: the checksum stands inside COBS. So every flip is tried, the delimiter's bits included.
    number = int.from_bytes(frame, "big")
    bits = [1 << bit for bit in range(8 * len(frame))]
    for flips in [*bits, *(a | b for a, b in combinations(bits, 2))]:
        damaged = (number ^ flips).to_bytes(len(frame), "big")
        for piece in damaged.split(b"\0"):
            item = decode_piece(piece)
            assert not isinstance(item, Frame) or parse(item) is None


def test_stray_byte_that_the_checksum_cannot_see_is_caught_by_the_length() -> None:
    for entry in document()["messages"]:
        frame = bytes.fromhex(entry["frame"])
        item = decode_piece(frame[:-1] + b"\x01\0")
        clean = decode_piece(frame)
        assert isinstance(item, Frame)
        assert isinstance(clean, Frame)
        assert len(item.payload) == len(clean.payload) + 1
        # An identity of a newer version may have bytes after what we know: it still reads as it was meant.
        assert parse(item) in (None, parse(clean))
        assert parse(item) is None or entry["message"] == "Identity"

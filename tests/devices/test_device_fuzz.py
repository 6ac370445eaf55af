"""The harness takes ten million random and mutated bytes from a device without harm, in linear time.

A scaled-down part runs with the ordinary tests, the whole with the slow ones.
"""

from random import Random

import pytest
from spoken import RX, TEXT_RIG, TX

from harness.bench.rig import parse_rig
from harness.bench.translated import MORE_ITEMS, Translation
from harness.codec import Junk, decode_piece, parse
from harness.devices.lines import MAX_LINE
from harness.devices.making import make_device
from mocks.speaking import record

CHANNELS = ", ".join(f"channel {number} u16le" for number in range(1, 7))
RECORD_RIG = f"""\
propsoff_rig: 1
bench: serial
transmitter: /dev/ttyUSB0
receiver:
  port: /dev/ttyUSB1
  speaks: records
  records:
    sync: AA 55
    length: true
    checksum: CHECKSUM
    applied: {{id: 1, fields: [packet u16le, us u32le, {CHANNELS}]}}
    failsafe: {{id: 2, fields: [us u32le, {CHANNELS}]}}
"""
PULSES = (1000, 1000, 1500, 1500, 1500, 2000)
LINES = b"".join(b"RX n=%d t=%d ch=1000,1000,1500,1500,1500,2000\r\n" % (n, 20 * n) for n in range(300))
LINES += b"FAILSAFE t=6500 ch=950,950,1500,1500,1500,1000\r\nBOOT\r\n"
SENT = b"".join(b"TX %d ok set=%d\n" % (n, n) for n in range(600))
RECORDS = b"".join(
    record(1, n.to_bytes(2, "little") + (20_000 * n).to_bytes(4, "little"), PULSES) for n in range(300)
)
HOSTILE = [
    b"RX n=", b"RX n=1 t=1 ch=", b"\n", b"\r", b"1,", b"\xaa\x55", b"\xaa\x55\x13\x01", b"\xaa", b"\0",
    b"RX n=99999999999 t=1\n", b"RX n=9999999999 t=9999999999 ch=9999999999,-1,0,0,0,0\n", b" ",
    b"RX" + b" " * 300,
]  # fmt: skip


def lines(role):
    return Translation(role, make_device(role, parse_rig(TEXT_RIG, "rig").devices[role], ()))


def records(checksum="CRC-16/MODBUS"):
    rig = parse_rig(RECORD_RIG.replace("CHECKSUM", checksum), "rig")
    return Translation(RX, make_device(RX, rig.devices[RX], ()))


DECODERS = {
    "a receiver's lines": (lambda: lines(RX), LINES),
    "a transmitter's lines": (lambda: lines(TX), SENT),
    "records": (records, RECORDS),
}


def mutated(seed_text, random, size):
    """Return `size` bytes of what a device says, bits turned, bytes lost, doubled and made up."""
    data = bytearray()
    while len(data) < size:
        piece = bytearray(seed_text)
        for _ in range(random.randint(0, 60)):
            at = random.randrange(len(piece))
            match random.randrange(5):
                case 0:
                    piece[at] ^= 1 << random.randrange(8)
                case 1:
                    del piece[at : at + random.randint(1, 40)]
                case 2:
                    piece[at:at] = random.choice(HOSTILE)
                case 3:
                    piece[at:at] = piece[at : at + 30]
                case _:
                    piece[at] = random.randrange(256)
        data += piece
    return bytes(data[:size])


def streams(seed_text, size):
    random = Random(6)
    yield random.randbytes(size // 4)
    for part in HOSTILE:
        yield part * (size // 4 // len(HOSTILE) // len(part) + 1)
    yield mutated(seed_text, random, size // 2)


def pieces_of(data, random):
    while data:
        size = random.choice((1, 7, 64, 512, 4096))
        yield data[:size]
        data = data[size:]


def feed(make, data):
    """Feed bytes in pieces; return the bytes of the frames that they came to."""
    translation, random, total = make(), Random(1), 0
    at_ns = 0
    for block in (data[at : at + 65_536] for at in range(0, len(data), 65_536)):
        for piece in pieces_of(block, random):
            at_ns += 1_000_000
            try:
                frames = translation.to_pc(piece, at_ns)
            except Exception as error:
                if "must count to 65535" not in str(error):  # what mutated numbers may look like
                    raise
                translation = make()
                continue
            total += len(frames)
            assert len(frames) <= (len(piece) + MORE_ITEMS) * 128
            for frame in filter(None, frames.split(b"\0")[-3:]):
                found = decode_piece(frame)
                assert isinstance(found, Junk) or parse(found) is not None
        assert len(translation.device._reader._rest) <= MAX_LINE
    return total


@pytest.mark.parametrize("decoder", DECODERS)
def test_a_device_may_say_anything(decoder):
    make, seed_text = DECODERS[decoder]
    for data in streams(seed_text, 60_000):
        feed(make, data)


@pytest.mark.slow
@pytest.mark.parametrize("decoder", DECODERS)
def test_ten_million_bytes_do_a_decoder_no_harm(decoder):
    make, seed_text = DECODERS[decoder]
    assert sum(len(data) for data in streams(seed_text, 10_200_000)) >= 10**7
    assert sum(feed(make, data) for data in streams(seed_text, 10_200_000)) > 0


@pytest.mark.parametrize("checksum", ["none", "sum8", "CRC-8/SMBUS", "CRC-32/ISO-HDLC"])
def test_records_with_any_checksum_may_be_anything(checksum):
    for data in streams(RECORDS, 20_000):
        feed(lambda: records(checksum), data)

"""The harness takes any bytes from a device or a file: bounded, told in words, never an exception.

The ordinary suite feeds what takes less than a second; `slow` feeds 10 000 000 bytes through each decoder.
"""

from functools import cache
from itertools import islice

import pytest
from test_testplans import recorded

from harness.bench.identify import check_identity, explain_silence
from harness.bench.protocol import DEVICES, Role
from harness.chance import stream
from harness.codec import Frame, Splitter, decode_piece, decode_stream, encode_frame, parse
from harness.codec import messages as m
from harness.codec.frames import MAX_FRAME, MAX_HELD
from harness.errors import PropsoffError, RecordingError
from harness.measure.tables import read_stream
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan
from harness.recording import Direction, Follower, PortPackets, parse_recording, parse_windows
from harness.running import judge_recording
from harness.verdict import Verdict

LINK = load_plan(shipped_plans()["first-look"]).link
EVERY = 10_000_000
SIZES = [pytest.param(300_000, id="some"), pytest.param(EVERY, id="ten million", marks=pytest.mark.slow)]
ODD = (
    b"\x1b]0;title\x07\x1b[2J\x1b[31m", b"[bold red]markup[/]", b"<script>alert(1)</script>",
    b"../../etc/passwd", b"\xff\xfe\xc3\x28\xed\xa0\x80", b"\0" * 40, b"\r\n" * 30, b"A" * 700,
    "\u202e\u0007é".encode(),
)  # fmt: skip


@cache
def real():
    """A whole recording, and the bytes that one device sent in it."""
    data = recorded("first-look")
    port = parse_recording(data, "x").ports[Role.RECEIVER]
    rows = zip(port.direction, port.data, strict=True)
    return data, [piece for way, piece in rows if way == Direction.TO_PC]


def _piece(chance, pieces):
    kind = chance.randrange(7)
    if kind == 0:
        return chance.randbytes(chance.randrange(1, 400))
    if kind == 1:
        return chance.choice(ODD)
    if kind == 2:  # a sound frame of any type with any payload
        payload = chance.randbytes(chance.randrange(120))
        return encode_frame(chance.randrange(256), chance.randrange(65_536), payload)
    piece = bytearray(chance.choice(pieces))
    if kind == 3:
        piece[chance.randrange(len(piece))] ^= 1 << chance.randrange(8)
    elif kind == 4:
        del piece[chance.randrange(len(piece)) :]
    elif kind == 5:
        piece *= 2
    return bytes(piece)


def hostile(seed, size):
    """Yield chunks of random and mutated bytes, `size` in all, cut anywhere."""
    chance, pieces = stream(seed, "hostile bytes"), real()[1]
    left = size
    while left > 0:
        block = b"".join(_piece(chance, pieces) for _ in range(200))[:left]
        left -= len(block)
        at = 0
        while at < len(block):
            step = chance.choice((1, 7, 62, 500, 4096))
            yield block[at : at + step]
            at += step


def damaged(seed, size):
    """Yield recordings with bytes flipped, cut out, doubled or made up, `size` in all."""
    chance, whole = stream(seed, "damaged recordings"), real()[0]
    left = size
    while left > 0:
        data = bytearray(whole)
        for _ in range(chance.choice((1, 3, 30))):
            at, size = chance.randrange(len(data)), chance.randrange(1, 200)
            kind = chance.randrange(5)
            if kind == 0:
                data[at] ^= 1 << chance.randrange(8)
            elif kind == 1:
                del data[at : at + size]
            elif kind == 2:
                data[at:at] = data[at : at + size]
            elif kind == 3:
                data[at : at + size] = chance.randbytes(size)
            else:
                del data[max(200, at) :]
        yield bytes(data)
        left -= len(data)


@pytest.mark.parametrize("size", SIZES)
def test_the_bench_protocol_is_read_from_any_bytes_with_bounded_memory(size):
    splitter, fed, given_out = Splitter(), 0, 0
    for chunk in hostile(1, size):
        fed += len(chunk)
        for piece in splitter.feed(chunk):
            given_out += len(piece)
            assert len(piece) <= MAX_FRAME
            item = decode_piece(piece.removesuffix(b"\0"))
            if isinstance(item, Frame):
                parse(item)
        assert len(splitter._rest) <= MAX_HELD
    assert fed == size == given_out + len(splitter.flush())


@pytest.mark.parametrize("size", SIZES)
def test_bytes_are_read_in_bulk_whatever_they_are(size):
    block, chunks = bytearray(), hostile(2, size)
    for chunk in chunks:
        block += chunk
        if len(block) > 1 << 20:
            decode_stream(bytes(block))
            block.clear()
    decode_stream(bytes(block))


@pytest.mark.parametrize("size", SIZES)
def test_a_port_is_measured_whatever_was_recorded_on_it(size):
    splitter, pieces = Splitter(), []

    def look():
        times = list(range(0, 10**6 * len(pieces), 10**6))
        read_stream(PortPackets(times, [Direction.TO_PC] * len(pieces), list(pieces)), Direction.TO_PC)
        pieces.clear()

    for chunk in hostile(3, size):
        pieces += splitter.feed(chunk)
        if len(pieces) > 20_000:
            look()
    look()


@pytest.mark.parametrize("size", SIZES)
def test_a_silence_is_explained_and_an_identity_checked_whatever_came(size):
    seen, told = b"", 0
    for chunk in hostile(4, size):
        seen += chunk
        if len(seen) < 4096:
            continue
        for role in DEVICES:
            words = explain_silence(seen[:4096], role, port="x", baud=9600)
            assert words.isprintable()
            assert len(words) < 1_000
        for piece in Splitter().feed(seen):
            item = decode_piece(piece.removesuffix(b"\0"))
            message = parse(item) if isinstance(item, Frame) else None
            if isinstance(message, m.Identity):
                told += 1
                check_identity(message, Role.RECEIVER, LINK)
        seen = b""


@pytest.mark.parametrize("size", SIZES)
def test_a_recording_is_read_or_refused_however_damaged(size):
    read = refused = 0
    for data in damaged(5, size):
        try:
            recording = parse_recording(data, "x")
            read += 1
        except RecordingError:
            refused += 1
            continue
        assert sum(len(port.data) for port in recording.ports.values()) <= len(data) // 16
        assert len(recording.problems) < 1_000
    assert read > refused or size < EVERY


@pytest.mark.parametrize("size", SIZES)
def test_a_recording_is_followed_and_cut_into_windows_however_damaged(size):
    chance = stream(6, "looks")
    for data in damaged(6, size):
        follower = Follower("x")
        try:
            whole = parse_recording(data, "x")
            for at in sorted(chance.randrange(len(data)) for _ in range(2)):
                follower.read(data[: max(4096, at)])
            followed = follower.read(data)
            rounds = list(parse_windows(data, "x"))
        except RecordingError:
            continue
        assert set(followed.ports) == set(whole.ports)
        assert rounds


@pytest.mark.parametrize(
    "count", [pytest.param(2, id="some"), pytest.param(30, id="more", marks=pytest.mark.slow)]
)
def test_a_damaged_recording_of_a_healthy_link_is_judged_and_fails_nothing(count):
    for data in islice(damaged(7, 10**9), count):
        try:
            judgement = judge_recording(parse_recording(data, "x")).judgement
        except PropsoffError:
            continue
        assert judgement.verdict is not Verdict.FAIL

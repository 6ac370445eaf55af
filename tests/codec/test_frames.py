"""The harness finds frames in any bytes, loses none, holds few, and is in step again within one frame."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from plain_codec import raw_frame

from harness.codec import Frame, Junk, Splitter, decode_piece, decode_stream, encode_frame, parse
from harness.codec.frames import MAX_FRAME, MAX_HELD, MAX_PAYLOAD, checked_bodies, find_body, frame_of

scraps = [b"\0", b"\x01", b"\n", b"\xff" * 254, b"text\r\n", encode_frame(2, 5, b"1234"), b"\x03\x02\x05"]
some_bytes = st.binary(max_size=700) | st.lists(st.sampled_from(scraps), max_size=40).map(b"".join)
no_delimiter = some_bytes.map(lambda data: data.replace(b"\0", b""))
frames = st.builds(encode_frame, st.integers(0, 255), st.integers(0, 0xFFFF), st.binary(max_size=MAX_PAYLOAD))
cuts = st.lists(st.integers(0, 700), max_size=20)
GOOD = encode_frame(3, 9, b"")
NEXT = encode_frame(4, 10, b"")


def fed(data: bytes, at: list[int]) -> list[bytes]:
    """The pieces of `data` when it comes in parts that end at each offset in `at`, the rest last."""
    splitter, pieces = Splitter(), []
    ends = sorted({min(end, len(data)) for end in at} | {len(data)})
    for start, end in zip([0, *ends], ends, strict=False):
        pieces += splitter.feed(data[start:end])
    return [*pieces, splitter.flush()]


@given(st.integers(0, 255), st.integers(0, 0xFFFF), st.binary(max_size=MAX_PAYLOAD))
def test_any_frame_comes_back_as_it_was_sent(kind: int, counter: int, payload: bytes) -> None:
    line = encode_frame(kind, counter, payload)
    assert line.index(b"\0") == len(line) - 1
    assert len(line) == len(payload) + 7 <= MAX_FRAME
    assert decode_piece(line) == decode_piece(line[:-1]) == Frame(kind, counter, payload)


def test_counter_wraps_at_65536() -> None:
    assert encode_frame(2, 65536 + 7, b"") == encode_frame(2, 7, b"")


def test_payload_above_120_bytes_is_refused() -> None:
    with pytest.raises(ValueError, match="121 bytes is above the 120 a frame holds"):
        encode_frame(2, 0, bytes(121))


@given(some_bytes, cuts)
@example(b"\xff" * (MAX_HELD + 1), [MAX_HELD])
@example(b"\xff" * (MAX_HELD - 1) + b"\0", [MAX_HELD - 1])
@example(b"\xff" * (2 * MAX_HELD), [MAX_FRAME, MAX_HELD])
def test_pieces_put_end_to_end_are_the_stream_however_it_was_cut(data: bytes, at: list[int]) -> None:
    pieces = fed(data, at)
    assert b"".join(pieces) == data
    assert all(len(piece) <= MAX_FRAME and b"\0" not in piece[:-1] for piece in pieces[:-1])
    whole = Splitter()
    assert [*whole.feed(data), whole.flush()] == pieces


@given(some_bytes, cuts)
def test_no_bytes_crash_the_codec(data: bytes, at: list[int]) -> None:
    for piece in fed(data, at):
        item = decode_piece(piece)
        if isinstance(item, Frame):
            parse(item)
    decode_piece(data)
    bodies, bad = decode_stream(data)
    assert bad >= 0
    assert all(body[0] == kind for kind, found in bodies.items() for body in found)


@given(st.lists(no_delimiter, max_size=30))
def test_splitter_never_holds_more_than_two_frames(parts: list[bytes]) -> None:
    splitter = Splitter()
    for part in parts:
        splitter.feed(part)
        held = splitter.flush()
        assert len(held) <= MAX_HELD
        splitter.feed(held)


@given(some_bytes, cuts)
def test_frame_after_junk_and_a_delimiter_is_always_taken(junk: bytes, at: list[int]) -> None:
    pieces = fed(junk + b"\0" + GOOD, at)
    assert decode_piece(pieces[-2]) == Frame(3, 9, b"")


@given(some_bytes, cuts)
def test_reader_is_in_step_again_within_one_frame_of_any_junk(junk: bytes, at: list[int]) -> None:
    pieces = fed(junk + GOOD + NEXT, at)
    assert decode_piece(pieces[-2]) == Frame(4, 10, b"")


@given(st.text(alphabet=st.characters(codec="ascii", exclude_characters="\0"), max_size=400), frames, cuts)
def test_frame_is_found_after_console_text_of_any_length(text: str, frame: bytes, at: list[int]) -> None:
    data = text.encode() + b"\r\n" + frame
    assert decode_piece(fed(data, at)[-2])[:3] == decode_piece(frame)[:3]


@given(frames)
def test_console_text_is_handed_over_beside_its_frame(frame: bytes) -> None:
    clean = decode_piece(frame)
    assert isinstance(clean, Frame)
    assert decode_piece(b"ready\r\n" + frame) == clean._replace(text=b"ready\r\n")


def test_body_of_a_frame_is_found_with_the_console_text_before_it() -> None:
    frame = encode_frame(0x43, 0x1234, b"abc")
    body, text = find_body(b"ready\r\n" + frame) or (b"", b"")
    assert (body[:3], text) == (b"\x43\x34\x12", b"ready\r\n")
    assert frame_of(body, text) == Frame(0x43, 0x1234, b"abc", b"ready\r\n")
    assert find_body(frame[1:]) is None


def test_idle_delimiter_is_no_bytes_of_junk() -> None:
    assert decode_piece(b"\0") == decode_piece(b"") == Junk(b"")


@given(st.lists(frames | some_bytes.map(lambda junk: junk + b"\0"), max_size=30).map(b"".join), some_bytes)
def test_stream_decoder_agrees_with_the_piecewise_decoder(data: bytes, tail: bytes) -> None:
    stream = data + tail
    *pieces, last = stream.split(b"\0")
    single = [item for item in map(decode_piece, pieces) if item != Junk(b"")]
    good = [item for item in single if isinstance(item, Frame) and not item.text]
    bodies, bad = decode_stream(stream)
    assert bad == len(single) - len(good) + (1 if last else 0)
    in_order = {kind: [item[1:3] for item in good if item.type == kind] for kind in bodies}
    assert {kind: [(b[1] | b[2] << 8, b[3:-2]) for b in found] for kind, found in bodies.items()} == in_order


@given(st.lists(frames.map(lambda frame: frame[:-1]) | no_delimiter, max_size=30))
def test_bulk_check_gives_one_answer_for_each_piece(pieces: list[bytes]) -> None:
    for piece, body in zip(pieces, checked_bodies(pieces), strict=True):
        item = decode_piece(piece)
        if body:
            assert item == Frame(body[0], body[1] | body[2] << 8, body[3:-2])
        else:
            assert isinstance(item, Junk) or item.text
            assert (body == b"") == (piece == b"")


def test_stream_decoder_joins_frames_across_its_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("harness.codec.frames.BLOCK", 10)
    line = [encode_frame(2, number, b"1234") for number in range(20)]
    bodies, bad = decode_stream(b"".join(line) + b"\xff" * 500 + b"\0" + GOOD)
    assert [body[1] for body in bodies[2]] == list(range(20))
    assert (len(bodies[3]), bad) == (1, 1)


def test_stream_decoder_counts_an_endless_run_as_one_bad_piece(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("harness.codec.frames.BLOCK", 100)
    assert decode_stream(b"\x7f" * 10_000) == ({}, 1)
    assert decode_stream(b"\x7f" * 10_000 + b"\0" + GOOD)[1] == 1


@pytest.mark.parametrize("block", [1, 2, 50, MAX_FRAME - 1, MAX_FRAME, MAX_FRAME + 1])
def test_stream_decoder_takes_the_longest_frame_wherever_its_blocks_end(
    block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.codec.frames.BLOCK", block)
    bodies, bad = decode_stream(encode_frame(2, 5, b"\xff" * MAX_PAYLOAD) * 5)
    assert (len(bodies[2]), bad) == (5, 0)


def test_body_of_the_wrong_size_is_bad_even_with_a_good_checksum() -> None:
    for body in (b"\x02\x05", b"\x02\x05" + bytes(range(122))):
        piece = raw_frame(body)[:-1]
        assert checked_bodies([piece]) == [None]
        assert decode_stream(piece + b"\0") == ({}, 1)
        assert decode_piece(piece) == Junk(piece)


def test_flushed_bytes_are_forgotten() -> None:
    splitter = Splitter()
    splitter.feed(b"half a fr")
    assert splitter.flush() == b"half a fr"
    assert splitter.flush() == b""
    assert splitter.feed(GOOD) == [GOOD]


def test_work_on_a_piece_full_of_line_ends_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    tries: list[bytes] = []
    monkeypatch.setattr("harness.codec.frames.decode_body", tries.append)
    decode_piece(b"\n" * 100_000)
    assert len(tries) <= MAX_FRAME + 1

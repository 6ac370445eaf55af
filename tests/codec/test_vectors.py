"""The harness reads and writes every golden frame, however it comes in, and agrees with a second codec."""

from __future__ import annotations

from typing import Any

import plain_codec
import pytest
from vectors import built, document, plain_fields, stream_bytes

from harness.codec import Frame, Junk, Splitter, decode_piece, decode_stream, encode, parse
from harness.codec.messages import BY_TYPE

MESSAGES = document()["messages"]
STREAMS = document()["streams"]
each_message = pytest.mark.parametrize("entry", MESSAGES, ids=[entry["name"] for entry in MESSAGES])
each_stream = pytest.mark.parametrize("entry", STREAMS, ids=[entry["name"] for entry in STREAMS])


def items(data: bytes, *, step: int) -> list[Frame | Junk]:
    """Everything the codec finds in `data`, fed `step` bytes at a time.

    Idle delimiters are left out, and junk that the splitter had to cut up is put together again.
    """
    splitter = Splitter()
    pieces = [piece for at in range(0, len(data), step) for piece in splitter.feed(data[at : at + step])]
    found: list[Frame | Junk] = []
    runs_on = False
    for piece in [*pieces, splitter.flush()]:
        item = decode_piece(piece)
        if runs_on and isinstance(item, Junk):
            before = found.pop()
            assert isinstance(before, Junk)
            item = Junk(before.data + item.data)
        if item != Junk(b""):
            found.append(item)
        runs_on = isinstance(item, Junk) and not piece.endswith(b"\0")
    return found


def told(item: Frame | Junk) -> list[dict[str, Any]]:
    """An item in the words of the vectors file."""
    if isinstance(item, Junk):
        return [{"junk": len(item.data)}]
    text = [{"text": len(item.text)}] if item.text else []
    message = parse(item)
    if message is None:
        why = "misfit" if item.type in BY_TYPE else "unknown"
        return [*text, {why: item.type, "counter": item.counter, "payload": item.payload.hex()}]
    return [*text, {"message": type(message).__name__, "counter": item.counter, "fields": message}]


def outcome(data: bytes, *, step: int) -> list[dict[str, Any]]:
    """All items in the words of the vectors file."""
    return [part for item in items(data, step=step) for part in told(item)]


def expected(entry: dict[str, Any]) -> list[dict[str, Any]]:
    return [{**part, "fields": built(part)} if "message" in part else part for part in entry["outcome"]]


@each_message
def test_message_encodes_to_its_golden_frame(entry: dict[str, Any]) -> None:
    assert encode(built(entry), entry["counter"]).hex() == entry["frame"]


@each_message
def test_golden_frame_decodes_to_its_message(entry: dict[str, Any]) -> None:
    frame = decode_piece(bytes.fromhex(entry["frame"]))
    assert isinstance(frame, Frame)
    assert (frame.counter, frame.text) == (entry["counter"], b"")
    assert parse(frame) == built(entry)


@each_message
def test_second_implementation_agrees_on_the_golden_frame(entry: dict[str, Any]) -> None:
    made = plain_codec.frame(entry["message"], entry["counter"], plain_fields(entry))
    assert made.hex() == entry["frame"]
    body = plain_codec.cobs_decode(made[:-1])
    assert body is not None
    assert plain_codec.crc16(body) == 0
    (bodies, bad) = decode_stream(made)
    assert (bodies, bad) == ({BY_TYPE[body[0]].TYPE: [body]}, 0)


@each_message
def test_golden_frame_names_its_direction(entry: dict[str, Any]) -> None:
    to_pc = plain_codec.tables()[entry["message"]][0] >= 0x40
    assert entry["direction"] == ("to PC" if to_pc else "to device")


@each_message
@pytest.mark.parametrize("step", [1, 1000], ids=["byte by byte", "whole"])
def test_golden_frame_is_found_between_junk(entry: dict[str, Any], step: int) -> None:
    frame = bytes.fromhex(entry["frame"])
    junk = b"\x07\xff\x01 noise"
    found = items(junk + b"\0" + frame + junk, step=step)
    assert found == [Junk(junk), decode_piece(frame), Junk(junk)]


def test_every_message_has_several_golden_frames() -> None:
    count = {kind.__name__: 0 for kind in BY_TYPE.values()}
    for entry in MESSAGES:
        count[entry["message"]] += 1
    assert all(count[name] >= (2 if rows else 1) for name, (_, rows) in plain_codec.tables().items()), count
    assert set(count) == set(plain_codec.tables())


def test_all_golden_frames_in_one_stream_come_out_in_order() -> None:
    stream = b"".join(bytes.fromhex(entry["frame"]) for entry in MESSAGES)
    for step in (1, 7, 64, len(stream)):
        found = [parse(item) for item in items(stream, step=step) if isinstance(item, Frame)]
        assert found == [built(entry) for entry in MESSAGES]


@each_stream
@pytest.mark.parametrize("step", [1, 3, 64, 100_000], ids=["byte by byte", "by threes", "by 64s", "whole"])
def test_hostile_stream_has_its_outcome(entry: dict[str, Any], step: int) -> None:
    data = stream_bytes(entry["bytes"])
    found, wanted = outcome(data, step=step), expected(entry)
    if wanted and "junk and text" in wanted[0]:
        before = sum(part.get("junk", 0) + part.get("text", 0) for part in found[:-1])
        assert before == wanted.pop(0)["junk and text"]
        found = found[-1:]
    assert found == wanted


@each_stream
def test_stream_decoder_takes_the_same_frames(entry: dict[str, Any]) -> None:
    data = stream_bytes(entry["bytes"])
    bodies, bad = decode_stream(data)
    single = [decode_piece(piece) for piece in data.split(b"\0")]
    frames = [item for item in single if isinstance(item, Frame) and not item.text]
    assert sum(map(len, bodies.values())) == len(frames)
    assert bad == sum(item != Junk(b"") for item in single) - len(frames)


def test_vectors_file_says_which_version_it_is() -> None:
    assert (document()["format"], document()["protocol"]) == (1, 1)

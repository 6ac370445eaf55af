"""The harness decodes frames in bulk exactly as it decodes them one by one."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from harness.codec.frames import Frame, decode_piece, encode_frame
from harness.measure import bodies as bulk

FRAMES = st.builds(encode_frame, st.integers(0, 255), st.integers(0, 65_535), st.binary(max_size=120))
PIECES = st.lists(
    st.one_of(FRAMES, st.binary(max_size=40), FRAMES.map(lambda data: data[:-1]), st.just(b"\0"))
)


def decoded(pieces):
    return bulk.decode(pieces, np.array([len(piece) for piece in pieces], dtype=np.int64))


def singly(pieces):
    """What each piece means by itself, for pieces that all end at a delimiter."""
    found = [decode_piece(piece) if piece else None for piece in pieces]
    return [(one.type, one.counter, one.payload) if isinstance(one, Frame) else None for one in found]


def in_bulk(pieces):
    found = decoded(pieces)
    bodies = iter(found.bodies.body(place) for place in range(len(found.bodies)))
    rows = [next(bodies) if good else None for good in found.good.tolist()]
    return [row and (row[0], row[1] | row[2] << 8, row[3:-2]) for row in rows]


@given(st.lists(FRAMES))
def test_good_frames_come_through_whole_and_in_order(frames):
    assert in_bulk(frames) == singly(frames)


@given(PIECES)
def test_pieces_that_are_no_frames_change_no_other(pieces):
    ended = [piece.replace(b"\0", b"\1") + b"\0" for piece in pieces]
    assert in_bulk(ended) == singly(ended)


@given(PIECES)
def test_no_pieces_make_it_raise_and_each_is_accounted_for(pieces):
    found = decoded(pieces)
    assert len(found.good) == len(pieces)
    assert int(found.good.sum()) == len(found.bodies)


def test_a_delimiter_inside_a_piece_is_not_taken_for_its_end():
    frame = encode_frame(1, 2, b"abc")
    assert in_bulk([frame[:-1], b"\0" + frame]) == [None, None]
    assert in_bulk([b"", frame + frame]) == [None, None]


def test_a_frame_behind_text_keeps_its_place(monkeypatch):
    monkeypatch.setattr(bulk, "AT_ONCE", 2)
    frames = [encode_frame(1, number, bytes([number])) for number in range(7)]
    frames[3] = b"boot banner\n" + frames[3]
    found = decoded(frames)
    assert [found.bodies.body(place)[1] for place in range(7)] == list(range(7))
    assert found.texts == [b"boot banner\n"]
    assert found.bad == 0


def test_rows_are_read_from_any_places():
    frames = [encode_frame(1, number, bytes([number, 0])) for number in range(5)]
    layout = np.dtype([("type", "u1"), ("counter", "<u2"), ("value", "<u2")])
    found = decoded(frames).bodies
    assert found.rows(np.array([4, 1]), layout)["value"].tolist() == [4, 1]
    assert len(found.rows(np.array([], dtype=np.int64), layout)) == 0

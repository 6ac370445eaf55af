"""A port's bytes as tables: every message, every loss, whatever else came."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.codec import encode, encode_frame
from harness.codec import messages as wire
from harness.measure.tables import BUFFERED, MANY, MAX_TEXT, read_stream, with_commands
from harness.recording.model import Direction, PortPackets


def port(*pieces, direction=Direction.TO_PC):
    """A port's packets 1 ms apart."""
    return PortPackets(
        [place * 1_000_000 for place in range(len(pieces))], [direction] * len(pieces), list(pieces)
    )


def heard(*pieces):
    return read_stream(port(*pieces), Direction.TO_PC)


def sent(number, counter):
    return encode(wire.Sent(number, 7, 1000 + number, 300, 2, wire.SENT_ACKED), counter)


def test_reads_each_type_into_its_table():
    stream = heard(
        sent(5, 0),
        encode(wire.Applied(5, 123, -70, (1000, 1500)), 1),
        encode(wire.Telemetry(5, 456, b"\x01\x02\x03"), 2),
        encode(wire.Pong(9, 789), 3),
        encode(wire.OutputChange(99, wire.OutputReason.FAILSAFE, (1000,)), 4),
        encode(wire.Counters(1, 2, 3, 4, 5, 6), 5),
    )
    row = stream.table(wire.Sent.TYPE).rows[0]
    assert [int(row[name]) for name in ("packet", "set_number", "at_us", "took_us", "attempts", "flags")] == [
        5, 7, 1005, 300, 2, 1,
    ]  # fmt: skip
    applied = stream.table(wire.Applied.TYPE)
    assert (int(applied.rows[0]["signal_dbm"]), applied.tail.tolist()) == (-70, [[1000, 1500]])
    assert stream.table(wire.Telemetry.TYPE).tail.tolist() == [[1, 2, 3]]
    assert int(stream.table(wire.Pong.TYPE).rows[0]["at_us"]) == 789
    assert stream.table(wire.OutputChange.TYPE).at_ns.tolist() == [4_000_000]
    assert [note.message for note in stream.others] == [wire.Counters(1, 2, 3, 4, 5, 6)]
    assert (stream.messages, stream.messages_lost, stream.bad_frames, stream.unreadable) == (6, 0, 0, 0)


def test_keeps_rows_of_different_lengths_in_order():
    """Receivers with 2 and 3 outputs by turns: one table, filled up with zeros, the count beside it."""
    pieces = [encode(wire.Applied(n, n, -60, (1000 + n,) * (2 + n % 2)), n) for n in range(6)]
    table = heard(*pieces).table(wire.Applied.TYPE)
    assert table.rows["packet"].tolist() == [0, 1, 2, 3, 4, 5]
    assert table.tail_count.tolist() == [2, 3, 2, 3, 2, 3]
    assert table.tail[2].tolist() == [1002, 1002, 0]


def test_reads_a_witness_s_pulses_two_columns_each():
    pieces = [
        encode(wire.Pulses(2**32 - 1, ((18_500, 10_000), (0, 0), (65_535, 65_535))), 0),
        encode(wire.Pulses(7, ()), 1),
        encode(wire.Pulses(8, ((1, 2),) * 16), 2),
        encode_frame(wire.Pulses.TYPE, 3, bytes(4) + b"\x02" + bytes(4)),  # says two, holds one
        encode_frame(wire.Pulses.TYPE, 4, bytes(4) + b"\x01" + bytes(2)),  # half a pulse
        encode_frame(wire.Pulses.TYPE, 5, bytes(4) + b"\x11" + bytes(68)),  # 17 inputs
    ]
    stream = heard(*pieces)
    table = stream.table(wire.Pulses.TYPE)
    assert table.rows["at_us"].tolist() == [2**32 - 1, 7, 8]
    assert table.tail_count.tolist() == [3, 0, 16]
    assert table.tail[0, :7].tolist() == [18_500, 10_000, 0, 0, 65_535, 65_535, 0]
    assert table.tail[2].tolist() == [1, 2] * 16
    assert stream.unreadable == 3


def test_ignores_the_other_direction():
    ports = PortPackets([1, 2], [Direction.TO_DEVICE, Direction.TO_PC], [encode(wire.Ping(1), 0), sent(1, 0)])
    assert read_stream(ports, Direction.TO_PC).messages == 1
    assert read_stream(ports, Direction.TO_DEVICE).table(wire.Ping.TYPE).at_ns.tolist() == [1]
    assert read_stream(None, Direction.TO_PC).messages == 0


@pytest.mark.parametrize(
    ("counters", "lost"),
    [((0, 1, 2), [0, 0, 0]), ((0, 1, 4), [0, 0, 2]), ((65534, 65535, 0, 1), [0, 0, 0, 0]),
     ((65534, 1), [0, 2]), ((7, 8), [0, 0])],
)  # fmt: skip
def test_counts_missing_messages_modulo_65536(counters, lost):
    """Serial-number arithmetic, RFC 1982 section 3.2."""
    stream = heard(*[sent(n, counter) for n, counter in enumerate(counters)])
    assert stream.lost.tolist() == lost
    assert stream.messages_lost == lost[-1]


def test_says_between_which_times_messages_are_missing():
    stream = heard(sent(0, 0), sent(1, 1), sent(2, 5), sent(3, 6), sent(4, 8))
    assert stream.gaps.tolist() == [[1_000_000, 2_000_000, 3], [3_000_000, 4_000_000, 1]]
    assert stream.lost_between(np.array([0, 1]), np.array([1, 3])).tolist() == [0, 3]


def test_begins_to_count_again_after_a_start():
    started = encode(wire.Started(wire.StartCause.WATCHDOG, 0), 0)
    stream = heard(sent(0, 40), started, sent(0, 1))
    assert (stream.messages_lost, stream.segment.tolist()) == (0, [0, 1, 1])


def test_takes_a_counter_that_goes_back_for_a_lost_start():
    stream = heard(sent(0, 400), sent(1, 1), sent(2, 2))
    assert (stream.messages_lost, stream.segment.tolist()) == (1, [0, 1, 1])
    assert stream.gaps.tolist() == [[0, 1_000_000, MANY]]


@pytest.mark.parametrize(("command_ns", "missing"), [(500_000, MANY), (1_500_000, MANY), (None, BUFFERED)])
def test_knows_which_restarts_were_commanded(command_ns, missing):
    """What a device still had to send when it restarted is missing: any number on command, else a few."""
    stream = heard(sent(0, 40), sent(1, 41), encode(wire.Started(wire.StartCause.COMMAND, 0), 0))
    told = [] if command_ns is None else [command_ns]
    commands = PortPackets(told, [Direction.TO_DEVICE] * len(told), [encode(wire.Restart(), 0)] * len(told))
    found = with_commands(stream, read_stream(commands, Direction.TO_DEVICE))
    assert found.restarts.tolist() == [[1_000_000, 2_000_000, missing]]


def test_counts_a_started_that_is_not_the_first():
    """Its counter says how many messages of the new life were missing before it."""
    stream = heard(sent(0, 9), encode(wire.Started(0, 0), 2))
    assert stream.messages_lost == 2


def test_counts_what_it_cannot_read():
    stream = heard(
        sent(0, 0),
        b"\x03\x04\x05\x00",
        encode_frame(0x7E, 1, b"?"),
        encode_frame(wire.Sent.TYPE, 2, b"short"),
        encode_frame(wire.Reply.TYPE, 3, b""),
        encode_frame(wire.Applied.TYPE, 4, wire.Applied.HEAD.pack(1, 2, 3) + b"\x09\x00\x00"),
        b"\x00",
    )
    assert (stream.messages, stream.bad_frames, dict(stream.unknown), stream.unreadable) == (
        5,
        1,
        {0x7E: 1},
        3,
    )
    assert stream.messages_lost == 0


def test_finds_a_frame_behind_console_text():
    stream = heard(b"boot 1.2\r\n" + sent(3, 0))
    assert stream.table(wire.Sent.TYPE).rows["packet"].tolist() == [3]
    assert (stream.text, stream.text_size, stream.bad_frames) == (b"boot 1.2\r\n", 10, 0)


def test_broken_bytes_are_no_text():
    stream = heard(b"\x03Q\x12\x02\x06|\xfd\x01\x00", b"hello there\x00")
    assert (stream.text, stream.bad_frames) == (b"hello there", 1)


def test_finds_a_frame_behind_a_text_that_was_cut_by_length():
    """A splitter gives out bytes that run on for 130 without a delimiter as they are."""
    line = b"x" * 140 + b"\n" + sent(3, 0)
    stream = heard(line[:130], line[130:])
    assert stream.table(wire.Sent.TYPE).rows["packet"].tolist() == [3]


def test_bounds_the_text_it_keeps():
    stream = heard(*[b"chatter " * 10 + b"\x00"] * 100)
    assert len(stream.text) == MAX_TEXT
    assert stream.text_size == 8000


PIECE = st.one_of(
    st.binary(max_size=60).map(lambda data: data + b"\0"),
    st.binary(min_size=1, max_size=140),
    st.builds(sent, st.integers(0, 65535), st.integers(0, 65535)),
    st.builds(
        encode_frame,
        st.sampled_from([*wire.BY_TYPE, 0x00, 0x7F, 0xFF]),
        st.integers(0, 65535),
        st.binary(max_size=40),
    ),
)


@given(st.lists(PIECE, max_size=40))
def test_no_bytes_upset_it(pieces):
    """Every piece is a message, bad, empty or text; nothing is counted twice, nothing raises."""
    stream = heard(*pieces)
    rows = sum(map(len, stream.tables.values())) + len(stream.others)
    skipped = sum(stream.unknown.values()) + stream.unreadable
    assert rows + skipped <= stream.messages <= len(pieces)
    assert stream.messages + stream.bad_frames <= len(pieces)
    assert len(stream.text) <= MAX_TEXT
    assert stream.size == sum(map(len, pieces))
    assert (np.diff(stream.lost) >= 0).all()
    assert (np.diff(stream.segment) >= 0).all()

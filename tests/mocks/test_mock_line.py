from collections.abc import Iterable
from fractions import Fraction
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench import Chunk, Role
from harness.clock import MS, US, S
from harness.codec.frames import MAX_FRAME, Splitter, encode_frame
from harness.errors import BenchError
from mocks.line import (
    MAX_BACKLOG_BYTES,
    USB_BATCH_BYTES,
    BatchedLineToPC,
    LineToDevice,
    LineToPC,
    Loss,
    Noise,
)

# Arithmetic of asynchronous framing, 8N1: one start, eight data and one stop bit are ten bits a byte.
THROUGHPUT = {
    9_600: (960.0, 1041.6667),
    57_600: (5_760.0, 173.6111),
    115_200: (11_520.0, 86.8056),
    230_400: (23_040.0, 43.4028),
    460_800: (46_080.0, 21.7014),
    921_600: (92_160.0, 10.8507),
    1_000_000: (100_000.0, 10.0),
}


def take(line: LineToPC, until_ns: int = 10**15) -> list[Chunk]:
    arrived: list[Chunk] = []
    line.take(Role.RECEIVER, until_ns, arrived)
    return arrived


@pytest.mark.parametrize("baud", THROUGHPUT)
def test_mock_line_takes_ten_bit_times_a_byte_both_ways(baud: int) -> None:
    bytes_per_s, us_per_byte = THROUGHPUT[baud]
    line = LineToPC(baud, 1024, None, None)
    line.write(b"x", 0)
    assert take(line)[0].at_ns / US == pytest.approx(us_per_byte, abs=0.001)
    one_second = b"x" * int(bytes_per_s)
    assert LineToDevice(Role.RECEIVER, baud, None).write(one_second, 0) == [(S, one_second)]


def test_mock_line_sends_one_message_after_the_other() -> None:
    line = LineToPC(100_000, 1024, None, None)
    for _ in range(2):
        line.write(b"0123456789", 500)
    assert line.due_ns() == 500 + MS
    assert line.drained_ns(0) == 500 + 2 * MS
    assert [chunk.at_ns for chunk in take(line, 500 + MS)] == [500 + MS]
    assert [chunk.at_ns for chunk in take(line)] == [500 + 2 * MS]
    assert line.due_ns() is None


def test_mock_line_drops_whole_messages_that_find_the_buffer_full() -> None:
    line = LineToPC(100_000, 25, None, None)
    for _ in range(3):
        line.write(b"0123456789", 0)
    assert line.dropped == 1
    line.write(b"abcdefghij", MS)
    assert [chunk.data for chunk in take(line)] == [b"0123456789", b"0123456789", b"abcdefghij"]


def test_mock_line_hands_the_device_each_piece_when_its_last_byte_arrived() -> None:
    line = LineToDevice(Role.RECEIVER, 100_000, None)
    assert line.write(b"ab\0c\0de", 0) == [(300 * US, b"ab\0"), (500 * US, b"c\0"), (700 * US, b"de")]
    assert line.write(b"\0", 0) == [(800 * US, b"\0")]
    assert line.backlog_bytes(300 * US) == 5


def test_mock_line_refuses_a_pc_that_is_hopelessly_ahead() -> None:
    line = LineToDevice(Role.RECEIVER, 115_200, None)
    line.write(b"x" * (MAX_BACKLOG_BYTES + 10), 0)
    with pytest.raises(BenchError, match="to the receiver is more than 65536 bytes behind"):
        line.write(b"x", 0)


def test_mock_line_loses_its_share_of_messages() -> None:
    loss = Loss(Fraction(1, 50), Random(1))
    lost = sum(loss.hits() for _ in range(20_000))
    assert lost == pytest.approx(400, abs=80)  # four standard deviations of a binomial count


@pytest.mark.parametrize("share", [Fraction(1, 1000), Fraction(1, 10), Fraction(1)])
def test_mock_line_flips_its_share_of_bits(share: Fraction) -> None:
    noise = Noise(share, Random(2))
    flipped = sum(byte.bit_count() for _ in range(500) for byte in noise.disturb(bytes(50)))
    bits = 500 * 50 * 8
    assert flipped == pytest.approx(bits * share, abs=4 * float(bits * share * (1 - share)) ** 0.5)


def test_mock_line_leaves_most_bytes_alone_at_a_low_error_rate() -> None:
    noise, data = Noise(Fraction(1, 10**9), Random(3)), b"as it was"
    assert noise.disturb(data) is data


def test_usb_adapter_hands_bytes_on_when_its_timer_is_up() -> None:
    line = BatchedLineToPC(100_000, 1024, None, None, 16 * MS)
    line.write(b"0123456789", 0)
    line.write(b"abc", 5 * MS)
    assert take(line, 16 * MS) == []
    assert line.due_ns() == 100 * US + 16 * MS
    assert take(line) == [(Role.RECEIVER, b"0123456789abc", 100 * US + 16 * MS)]


def test_usb_adapter_does_not_wait_once_a_packet_is_full() -> None:
    line = BatchedLineToPC(100_000, 1024, None, None, 16 * MS)
    line.write(bytes(100), 0)
    full, rest = take(line)
    assert (len(full.data), full.at_ns) == (USB_BATCH_BYTES, USB_BATCH_BYTES * 100 * US)
    assert (len(rest.data), rest.at_ns) == (38, 63 * 100 * US + 16 * MS)


def test_usb_adapter_hands_a_frame_over_whole_once_its_last_batch_has_gone() -> None:
    line = BatchedLineToPC(100_000, 1024, None, None, MS)
    frame = encode_frame(0x60, 1, bytes(range(1, 24)))  # 30 bytes
    line.write(frame, 0)
    line.write(frame, 0)
    assert take(line, 2200 * US) == [(Role.RECEIVER, frame[:22], 2200 * US)]
    assert take(line, 10 * MS) == [
        (Role.RECEIVER, frame[22:] + frame[:3], 3300 * US),
        (Role.RECEIVER, frame[3:], 6600 * US),
    ]


def test_usb_adapter_may_cut_bytes_that_are_no_frame() -> None:
    line = BatchedLineToPC(100_000, 1024, None, None, MS)
    line.write(bytes(range(30)), 0)
    assert [(len(chunk.data), chunk.at_ns) for chunk in take(line)] == [
        (11, 1100 * US),
        (11, 2200 * US),
        (8, 3300 * US),
    ]


@given(
    messages=st.lists(st.tuples(st.integers(0, 30 * MS), st.integers(1, 128)), max_size=30),
    baud=st.sampled_from([9_600, 57_600, 115_200, 1_000_000]),
    latency_ms=st.integers(1, 20),
)
def test_usb_adapter_delays_bytes_but_keeps_them_all_in_order(
    messages: list[tuple[int, int]], baud: int, latency_ms: int
) -> None:
    plain = LineToPC(baud, 65_536, None, None)
    batched = BatchedLineToPC(baud, 65_536, None, None, latency_ms * MS)
    now_ns = 0
    for number, (pause_ns, size) in enumerate(messages):
        now_ns += pause_ns
        for line in (plain, batched):
            line.write(bytes([number]) * size, now_ns)
    whole, cut = take(plain), take(batched)
    assert b"".join(chunk.data for chunk in cut) == b"".join(chunk.data for chunk in whole)
    assert [chunk.at_ns for chunk in cut] == sorted(chunk.at_ns for chunk in cut)
    assert all(len(chunk.data) <= USB_BATCH_BYTES for chunk in cut)
    if whole:
        assert whole[-1].at_ns <= cut[-1].at_ns <= whole[-1].at_ns + latency_ms * MS


def batches_by_the_byte(
    messages: list[tuple[int, bytes]], baud: int, latency_ns: int
) -> list[tuple[int, bytes]]:
    """When each batch goes, and its bytes, one byte at a time: the timer starts with a batch's first byte.

    `messages` are the end of each in ns, and its bytes.
    """
    byte_ns = 10 * S
    arrivals = [
        (end_ns - (len(data) - 1 - at) * byte_ns // baud, data[at : at + 1])
        for end_ns, data in messages
        for at in range(len(data))
    ]
    gone: list[tuple[int, bytes]] = []
    batch, up_ns = b"", 0
    for at_ns, byte in arrivals:
        if batch and at_ns > up_ns:
            gone.append((up_ns, batch))
            batch = b""
        if not batch:
            up_ns = at_ns + latency_ns
        batch += byte
        if len(batch) == USB_BATCH_BYTES:
            gone.append((at_ns, batch))
            batch = b""
    return [*gone, (up_ns, batch)] if batch else gone


FRAMES = st.binary(max_size=MAX_FRAME - 9).map(lambda payload: encode_frame(0x60, 7, payload))
JUNK = st.binary(max_size=60).map(lambda junk: junk + b"\0") | st.just(b"ready\r\n")


@given(
    messages=st.lists(st.tuples(st.integers(0, 20 * MS), FRAMES | JUNK), max_size=15),
    looks=st.lists(st.integers(0, 400 * MS), max_size=5).map(sorted),
    baud=st.sampled_from([57_600, 115_200, 123_457, 1_000_000]),
    latency_us=st.sampled_from([10, 1_000, 2_000, 16_000]),
)
def test_usb_adapter_gives_every_piece_the_time_of_the_batch_that_ends_it(
    messages: list[tuple[int, bytes]], looks: list[int], baud: int, latency_us: int
) -> None:
    line, sent, now_ns, free_ns = BatchedLineToPC(baud, 65_536, None, None, latency_us * US), [], 0, 0
    for pause_ns, data in messages:
        now_ns += pause_ns
        line.write(data, now_ns)
        free_ns = max(free_ns, now_ns) + len(data) * 10 * S // baud
        sent.append((free_ns, data))
    arrived = [chunk for look_ns in (*looks, 10**15) for chunk in take(line, look_ns)]
    expected = batches_by_the_byte(sent, baud, latency_us * US)
    assert pieces_of((chunk.at_ns, chunk.data) for chunk in arrived) == pieces_of(expected)


def pieces_of(chunks: Iterable[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
    """The pieces that chunks complete, with their times."""
    splitter = Splitter()
    return [(at_ns, piece) for at_ns, data in chunks for piece in splitter.feed(data)]

from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from mock_talk import RX, TX, Talk, virtual

from harness.bench.protocol import DEVICES, Bench, Chunk
from harness.clock import MS, S
from harness.codec import encode
from harness.codec import messages as m
from harness.errors import BenchError
from mocks.bench import open_virtual
from mocks.settings import MockSettings

ROUGH = MockSettings(
    loss=Fraction(1, 20),
    ack_loss=Fraction(1, 20),
    good_to_bad=Fraction(1, 100),
    bad_to_good=Fraction(1, 4),
    receiver_message_loss=Fraction(1, 100),
    bit_errors=Fraction(1, 20_000),
    usb_latency_ns=3 * MS,
    receiver_loop_ns=2 * MS,
)


def played(bench: Bench, slice_ns: int = 20 * MS, until_ns: int = 4 * S) -> list[Chunk]:
    """A short run that uses everything: sticks, a burst, a silence, an injection, a restart."""
    said = {0: (TX, m.Sticks(1, (1600,) * 6)), 25: (TX, m.Burst(8, 0)), 50: (TX, m.Silence(3_000, 700_000)),
            100: (RX, m.Inject(((0, 999),))), 120: (RX, m.Restart())}  # fmt: skip
    chunks: list[Chunk] = []
    for number in range(until_ns // (20 * MS)):
        if number in said:
            role, message = said[number]
            bench.send(role, encode(message, number))
        for at_ns in range(number * 20 * MS, (number + 1) * 20 * MS, slice_ns):
            chunks.extend(bench.advance(at_ns + slice_ns))
    return chunks


def test_virtual_bench_is_a_bench_that_starts_at_zero_and_has_no_control_lines() -> None:
    bench: Bench = open_virtual()
    assert (bench.is_virtual, bench.is_hardware, bench.now_ns()) == (True, False, 0)
    assert bench.baud == {TX: 115_200, RX: 115_200}
    assert not bench.control(TX, "dtr", level=True)
    assert bench.facts["mock"] == "ideal"
    assert bench.facts["defect"] == "none"
    assert bench.facts["receiver port"] == "virtual receiver"


def test_virtual_bench_refuses_everything_once_closed() -> None:
    bench = open_virtual()
    bench.close()
    bench.close()
    for call in (
        lambda: bench.send(RX, b"\0"),
        lambda: bench.advance(MS),
        lambda: bench.control(TX, "dtr", level=True),
    ):
        with pytest.raises(BenchError, match="closed"):
            call()


def test_virtual_bench_moves_time_only_when_told_and_never_back() -> None:
    bench = open_virtual()
    assert bench.send(TX, encode(m.Ping(1), 0)) == 0
    bench.advance(5 * MS)
    assert bench.send(TX, encode(m.Ping(2), 1)) == 5 * MS
    assert bench.advance(MS) == []
    assert bench.now_ns() == 5 * MS


def test_virtual_bench_returns_chunks_of_both_ports_in_order_of_arrival() -> None:
    bench = open_virtual()
    chunks = [chunk for _ in range(10) for chunk in bench.advance(bench.now_ns() + 100 * MS)]
    assert [chunk.at_ns for chunk in chunks] == sorted(chunk.at_ns for chunk in chunks)
    assert {chunk.role for chunk in chunks} == set(DEVICES)
    assert all(chunk.at_ns <= bench.now_ns() for chunk in chunks)


@pytest.mark.parametrize("settings", [MockSettings(), ROUGH], ids=["ideal", "rough"])
def test_virtual_bench_gives_the_same_bytes_for_the_same_seed(settings: MockSettings) -> None:
    first, again = (played(open_virtual(settings=settings, seed=7)) for _ in range(2))
    assert first == again
    other = played(open_virtual(settings=settings, seed=8))
    assert (other == first) is (settings == MockSettings())


@given(slice_ms=st.sampled_from([1, 2, 4, 5, 10, 20]))
def test_virtual_bench_gives_the_same_bytes_however_time_is_cut(slice_ms: int) -> None:
    whole = played(open_virtual(settings=ROUGH, seed=3), until_ns=S)
    cut = played(open_virtual(settings=ROUGH, seed=3), slice_ms * MS, until_ns=S)
    assert cut == whole


def test_a_fault_on_one_line_does_not_reshuffle_the_radio() -> None:
    radio = MockSettings(loss=Fraction(1, 5))
    lossy = MockSettings(loss=Fraction(1, 5), receiver_message_loss=Fraction(1, 5))
    sent = []
    for settings in (radio, lossy):
        talk, _ = virtual(settings=settings, seed=4)
        talk.run(10 * S)
        sent.append(talk.all(m.Sent))
    assert sent[0] == sent[1]


def test_virtual_bench_puts_each_device_behind_the_other_port_when_swapped() -> None:
    talk, bench = virtual(settings=MockSettings(swapped_ports=True))
    talk.tell(TX, m.Identify())
    talk.run(200 * MS)
    assert talk.all(m.Identity)[0].role == m.WireRole.RECEIVER
    assert {heard.role for heard in talk.heard if isinstance(heard.message, m.Sent)} == {RX}
    assert talk.all(m.Applied)
    assert bench.facts["mock"] == "swapped_ports=True"


def test_virtual_bench_says_when_a_line_is_hopelessly_behind() -> None:
    bench = open_virtual()
    bench.send(TX, bytes(70_000))
    with pytest.raises(BenchError, match="behind"):
        bench.send(TX, b"more")


def test_virtual_bench_delivers_nothing_readable_when_bits_are_random() -> None:
    talk, _ = virtual(settings=MockSettings(bit_errors=Fraction(1, 2)))
    talk.tell(TX, m.Identify())
    talk.run(2 * S)
    assert talk.heard == []
    assert talk.junk


def judged_by(check: Callable[[Talk], bool], settings: MockSettings) -> bool:
    talk, _ = virtual(settings=settings)
    talk.run(5 * S)
    return check(talk)


def test_serial_loss_is_told_apart_from_radio_loss_by_the_counters() -> None:
    def gaps(talk: Talk) -> bool:
        counters = [heard.counter for heard in talk.heard if heard.role is RX]
        return counters != list(range(len(counters)))

    def unacknowledged(talk: Talk) -> bool:
        return any(not part.flags & m.SENT_ACKED for part in talk.all(m.Sent))

    line, radio = (
        MockSettings(receiver_message_loss=Fraction(1, 10)),
        MockSettings(loss=Fraction(1, 3), retransmit_limit=0),
    )
    assert (judged_by(gaps, line), judged_by(unacknowledged, line)) == (True, False)
    assert (judged_by(gaps, radio), judged_by(unacknowledged, radio)) == (False, True)

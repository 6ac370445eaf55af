"""What the reference receiver and witness do with real edges, counted by the emulator cycle by cycle."""

from __future__ import annotations

import itertools
import struct

import pytest
from reference_board import Board

from harness.bench.protocol import Role
from harness.clock import MS, US, S
from harness.codec.messages import (
    Applied,
    Counters,
    Inject,
    MuteAcks,
    OutputChange,
    OutputReason,
    Pulses,
    Restart,
    Started,
)
from mocks.avr.module import ACKNOWLEDGE, ANSWER, PACKET, START

HALF_TICK_NS = 500
"""Timer 1 counts half microseconds."""
FRAME_NS = 20 * MS
SENT = (1234, 1001, 1999, 1300, 1850, 1777)
SHOWN = (1234, 1001, 1999, 1700, 1850, 1777)
"""The right elevon is reversed: 3000 less the pulse."""
SAFE = (1000, 1000, 1500, 1500, 1850, 1000)
AT_START = (1000, 1000, 1500, 1500, 1500, 1000)


@pytest.fixture
def receiver():
    board = Board(Role.RECEIVER)
    board.run(50 * MS)
    return board


def widths_us(board, since_ns):
    """Each pin's pulse widths since a moment, in whole us; they may be half a tick off."""
    return [{round(width / US) for at, width in board.pulses(bit) if at >= since_ns} for bit in range(6)]


def test_the_reference_receiver_drives_failsafe_pulses_before_the_first_packet(receiver):
    assert widths_us(receiver, 0) == [{us} for us in AT_START]
    (change,) = receiver.said(OutputChange)
    assert (change.reason, change.outputs_us) == (OutputReason.START, AT_START)


def test_the_reference_receiver_gives_pulses_that_are_right_to_half_a_microsecond(receiver):
    receiver.packet(0, SENT)
    receiver.run(400 * MS)
    for bit, shown_us in enumerate(SHOWN):
        late = [width for at, width in receiver.pulses(bit) if at > 80 * MS]
        assert len(late) > 10
        assert all(abs(width - shown_us * US) <= HALF_TICK_NS for width in late)


def test_the_reference_receiver_sends_its_pulses_one_after_the_other_every_20_ms(receiver):
    receiver.run(S)
    begins = [at for at, _ in receiver.pulses(0)]
    assert len(begins) > 45
    assert all(abs(b - a - FRAME_NS) <= HALF_TICK_NS for a, b in itertools.pairwise(begins))
    for bit in range(5):
        ends = [at + width for at, width in receiver.pulses(bit)]
        nexts = {at for at, _ in receiver.pulses(bit + 1)}
        assert set(ends[:40]) <= nexts


def test_the_reference_receiver_never_mixes_two_packets_in_one_servo_frame(receiver):
    for number in range(150):
        receiver.packet(number, (1100 + 700 * (number % 2),) * 6)
        receiver.run(7 * MS + 130 * US)
    rows = list(zip(*(receiver.pulses(bit)[5:45] for bit in (0, 1, 2, 4, 5)), strict=True))
    assert len(rows) == 40
    assert {len({round(width / US) for _, width in row}) for row in rows} == {1}


def test_the_reference_receiver_keeps_its_edges_while_both_serial_ports_are_busy(receiver):
    for number in range(100):
        receiver.packet(number, SENT)
        receiver.tell_bytes(b"\x07" * 60 + b"\0")
        receiver.run(5 * MS)
    for bit, shown_us in enumerate(SHOWN):
        assert all(abs(w - shown_us * US) <= HALF_TICK_NS for at, w in receiver.pulses(bit) if at > 100 * MS)


def test_the_reference_receiver_goes_to_failsafe_480_ms_after_the_last_packet(receiver):
    receiver.packet(0, SENT)
    receiver.run(700 * MS)
    (applied,) = receiver.said(Applied)
    change = receiver.said(OutputChange)[-1]
    assert applied.outputs_us == SHOWN
    assert (change.reason, change.outputs_us) == (OutputReason.FAILSAFE, SAFE)
    assert 480_000 <= change.at_us - applied.at_us <= 480_300
    assert widths_us(receiver, 600 * MS) == [{us} for us in SAFE]


def test_the_reference_receiver_leaves_failsafe_with_the_next_packet(receiver):
    receiver.packet(0, SENT)
    receiver.run(600 * MS)
    receiver.packet(1, SENT)
    receiver.run(60 * MS)
    assert widths_us(receiver, receiver.emulator.now_ns - 25 * MS)[0] == {1234}
    assert len(receiver.said(OutputChange)) == 2


@pytest.mark.parametrize("clock_us", [2**32 - 200_000, 2**32 - 60_000, 2**31 - 60_000])
def test_the_reference_receiver_times_failsafe_across_the_wrap_of_its_clock(clock_us):
    board = Board(Role.RECEIVER, {"CLOCK_START_US": clock_us})
    board.run(50 * MS)
    board.packet(0, SENT)
    board.run(S)
    (applied,) = board.said(Applied)
    change = board.said(OutputChange)[-1]
    assert 480_000 <= (change.at_us - applied.at_us) % 2**32 <= 480_300
    assert change.reason == OutputReason.FAILSAFE


def test_the_reference_receiver_drops_a_repeated_packet_and_counts_it(receiver):
    for number in (0, 1, 1, 2):
        receiver.packet(number, SENT)
        receiver.run(20 * MS)
    receiver.run(S)
    counters = receiver.said(Counters)[0]
    assert [applied.packet for applied in receiver.said(Applied)] == [0, 1, 2]
    assert (counters.packets, counters.duplicates, counters.bad_packets) == (3, 1, 0)


def test_the_reference_receiver_counts_a_packet_of_the_wrong_length_and_ignores_it(receiver):
    receiver.radio(PACKET, bytes(13))
    receiver.run(S)
    assert not receiver.said(Applied)
    assert receiver.said(Counters)[0].bad_packets == 1


def test_the_reference_receiver_finds_the_next_frame_after_noise_from_its_module(receiver):
    receiver.emulator.feed(receiver.core, 1, receiver.emulator.now_ns + 20 * US, 20 * US, b"\xb1\x0e\x01")
    receiver.run(30 * MS)
    receiver.packet(5, SENT)
    receiver.run(30 * MS)
    assert [applied.packet for applied in receiver.said(Applied)] == [5]


def test_the_reference_receiver_answers_with_its_sensors_in_the_bytes_of_the_table(receiver):
    for channel, millivolt in ((6, 1850), (7, 380), (0, 2500)):
        receiver.emulator.analog(receiver.core, channel, millivolt)
    receiver.run(S)
    receiver.packet(0, SENT)
    receiver.run(10 * MS)
    payload = receiver.told_module(ANSWER)[-1][1]
    packets, supply_mv, temperature_tenths, current_a = struct.unpack("<HHhf", payload)
    assert packets == 1
    assert supply_mv == pytest.approx(7_400, abs=20)
    assert temperature_tenths == pytest.approx(-120, abs=5)
    assert current_a == pytest.approx(25, abs=0.1)


def test_the_reference_receiver_answers_with_injected_values_from_the_next_packet_on(receiver):
    receiver.tell(Inject(((1, 7_401), (2, -105), (3, 0x3FC00000))))
    receiver.run(20 * MS)
    receiver.packet(0, SENT)
    receiver.run(20 * MS)
    # 1.5 is 0x3FC00000 in single precision (IEEE 754-2019)
    assert receiver.told_module(ANSWER)[-1][1] == bytes.fromhex("0100 e91c 97ff 0000c03f")


def test_the_reference_receiver_tells_its_module_when_to_acknowledge(receiver):
    receiver.tell(MuteAcks(50_000, 200_000))
    begin_ns = receiver.emulator.now_ns
    receiver.run(400 * MS)
    (off_ns, off), (on_ns, on) = receiver.told_module(ACKNOWLEDGE)
    assert (off, on) == (b"\0", b"\1")
    assert 50 * MS <= off_ns - begin_ns <= 65 * MS
    assert 250 * MS <= on_ns - begin_ns <= 265 * MS


def test_the_reference_receiver_starts_its_module_again_until_it_answers():
    board = Board(Role.RECEIVER, wakes=False)
    board.run(180 * MS)
    assert [payload for _, payload in board.told_module(START)] == [b"\x02"] * 4


def test_the_reference_receiver_ends_its_pulses_whole_before_a_restart(receiver):
    for _ in range(3):
        receiver.tell(Restart())
        receiver.run(173 * MS)
    assert receiver.resets == ["power", "watchdog", "watchdog", "watchdog"]
    assert [started.cause for started in receiver.said(Started)] == [0, 1, 1, 1]
    assert widths_us(receiver, 0) == [{us} for us in AT_START]


@pytest.mark.parametrize(
    ("defines", "shown"),
    [
        ({"FAULT_PIN_OFFSET_TICKS": 40}, tuple(us + 20 for us in SHOWN)),
        ({"FAULT_PIN_OFFSET_TICKS": 2}, tuple(us + 1 for us in SHOWN)),
        ({"FAULT_PINS_SWAPPED": 1}, (1234, 1001, 1700, 1999, 1850, 1777)),
        ({"FAULT_REPORT_COPIES": 1}, SHOWN),
    ],
    ids=["pins 20 us long", "pins 1 us long", "pins swapped", "report copies"],
)
def test_a_fault_of_the_pins_shows_at_the_pins_and_nowhere_else(defines, shown):
    board = Board(Role.RECEIVER, defines)
    board.run(50 * MS)
    board.packet(0, SENT)
    board.run(100 * MS)
    said = SENT if "FAULT_REPORT_COPIES" in defines else SHOWN
    assert board.said(Applied)[0].outputs_us == said
    assert widths_us(board, 80 * MS) == [{us} for us in shown]


def test_a_receiver_that_holds_its_pins_reports_failsafe_all_the_same():
    board = Board(Role.RECEIVER, {"FAULT_PINS_HOLD": 1})
    board.run(50 * MS)
    board.packet(0, SENT)
    board.run(700 * MS)
    assert board.said(OutputChange)[-1].outputs_us == SAFE
    assert widths_us(board, 600 * MS) == [{us} for us in SHOWN]


def test_the_reference_witness_measures_every_pulse_to_a_few_microseconds():
    board = Board(Role.RECEIVER, witnessed=True)
    board.run(100 * MS)
    board.packet(0, SENT)
    board.run(S)
    sets = [one.pulses for one in board.said(Pulses)]
    assert len(sets) > 45
    for bit, shown_us in enumerate(SHOWN):
        assert all(abs(pulses[bit][1] - 10 * shown_us) <= 30 for pulses in sets[10:24])


def test_the_reference_witness_says_when_each_pulse_ended():
    board = Board(Role.RECEIVER, witnessed=True)
    board.run(300 * MS)
    sets = board.said(Pulses)
    assert len(sets) > 10
    for one in sets[2:]:
        ends = [ended for ended, _ in one.pulses]
        assert all(abs(a - b - us) < 10 for a, b, us in zip(ends, ends[1:], AT_START[1:], strict=False))


def test_the_reference_witness_sends_empty_sets_without_pulses():
    board = Board(Role.WITNESS)
    board.run(550 * MS)
    assert [one.pulses for one in board.said(Pulses)] == [((0, 0),) * 6] * 5


def test_the_reference_witness_closes_the_last_set_when_the_pulses_end():
    board = Board(Role.RECEIVER, witnessed=True)
    board.run(300 * MS)
    last = max(at + width for at, width in board.pulses(5))
    board.emulator.power(board.core, on=False)
    board.run(200 * MS)
    full = [at for at, one in board.said_at(Pulses) if all(width for _, width in one.pulses)]
    assert full[-1] - last < 30 * MS
    assert board.said(Pulses)[-1].pulses == ((0, 0),) * 6

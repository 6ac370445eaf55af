"""What the reference receiver and witness do with real edges, counted by the emulator cycle by cycle."""

from __future__ import annotations

import itertools
import struct

import pytest
from reference_board import BENCH_BYTE_NS, Board

from harness.bench.protocol import Role
from harness.chance import stream
from harness.clock import MS, US, S
from harness.codec.frames import encode_frame
from harness.codec.messages import (
    Applied,
    Counters,
    Inject,
    MuteAcks,
    OutputChange,
    OutputReason,
    Ping,
    Pong,
    Pulses,
    Restart,
    Started,
)
from mocks.avr.builds import build_role
from mocks.avr.emulator import FREQUENCY_HZ, Emulator
from mocks.avr.module import ACKNOWLEDGE, ANSWER, PACKET, START
from mocks.avr.toolchain import build_firmware

HALF_TICK_NS = 500
"""Timer 1 counts half microseconds."""
FRAME_NS = 20 * MS
SENT = (1234, 1001, 1999, 1300, 1850, 1777)
SHOWN = (1234, 1001, 1999, 1700, 1850, 1777)
"""The right elevon is reversed: 3000 less the pulse."""
SAFE = (950, 950, 1500, 1500, 1850, 1000)
AT_START = (950, 950, 1500, 1500, 1500, 1000)


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
        late = [width for at, width in receiver.pulses(bit) if at > 100 * MS]
        assert len(late) > 20
        assert all(abs(width - shown_us * US) <= HALF_TICK_NS for width in late)


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


def test_the_reference_receiver_reports_the_pulses_that_its_pins_can_give(receiver):
    receiver.packet(0, (100, 499, 2501, 4000, 2500, 500))
    receiver.run(60 * MS)
    possible = (500, 500, 2500, 500, 2500, 500)  # the right elevon is reversed: below 0 at 4000 us
    assert receiver.said(Applied)[0].outputs_us == possible
    assert widths_us(receiver, receiver.emulator.now_ns - 25 * MS) == [{us} for us in possible]


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


def ask_at_random(board, core, chance, for_ms):
    """The PC's traffic: pings that fall anywhere among the edges. Packets keep coming, too."""
    free_ns = 0
    for ms in range(for_ms):
        now_ns = board.emulator.now_ns
        if ms % 20 == 0:
            board.packet(1 + ms // 20, SENT)
        if free_ns <= now_ns and chance.random() < 0.5:
            data = encode_frame(Ping.TYPE, ms % 256, Ping(ms).pack())
            begin_ns = now_ns + chance.randrange(MS)
            board.emulator.feed(core, 0, begin_ns + BENCH_BYTE_NS, BENCH_BYTE_NS, data)
            free_ns = begin_ns + len(data) * BENCH_BYTE_NS
        board.run(MS)


@pytest.mark.parametrize("skew_ppm", [0, 300, -300])
def test_the_reference_witness_measures_every_pulse_to_2_microseconds_while_the_pc_asks(skew_ppm):
    board = Board(Role.RECEIVER)
    skewed_hz = FREQUENCY_HZ + FREQUENCY_HZ * skew_ppm // 1_000_000
    witness = board.emulator.add_core(build_role(Role.WITNESS, {}), frequency_hz=skewed_hz, seed=3)
    for bit in range(6):
        board.emulator.wire(board.core, "B", bit, witness, "C", bit)
    board.run(100 * MS)
    board.packet(0, SENT)
    board.run(60 * MS)
    board.heard.clear()
    ask_at_random(board, witness, stream(8, "pings"), 1000)
    sets = [one.pulses for one in board.said(Pulses)][1:]
    assert len(sets) > 45
    assert len(board.said(Pong)) > 100
    for bit, shown_us in enumerate(SHOWN):
        right = 10 * shown_us * (1 + skew_ppm / 1_000_000)
        assert all(abs(pulses[bit][1] - right) <= 20 for pulses in sets)


def test_the_reference_witness_switches_off_the_debug_port_on_its_inputs():
    """The emulator has no JTAG: look for two equal writes in a row (out 0x35: AVR instruction set manual)."""
    image = build_role(Role.WITNESS, {})
    words = struct.unpack(f"<{len(image) // 2}H", image[: len(image) // 2 * 2])
    assert any(a == b and a & 0xFE0F == 0xBE05 for a, b in itertools.pairwise(words))


FLUTTER = """
#include <avr/io.h>
#include <util/delay.h>

int main(void)
{
    DDRB = 0x3F;
    for (;;) {
        PORTB |= 1; _delay_us(1500); PORTB &= ~1; _delay_ms(60);
        PORTB |= 1; _delay_us(500);
        for (int i = 0; i < 400; i++) {
            if (i == 150) PORTB &= ~1;
            if (i == 250) PORTB |= 1;
            PORTB ^= 2; _delay_us(4);
        }
        _delay_us(500); PORTB &= ~1; _delay_ms(60);
    }
}
"""
"""A pulse of 1500 us; then two, the first's end and the second's begin lost in a burst of edges."""


def test_the_reference_witness_loses_widths_but_never_makes_them_up_when_edges_come_too_fast(tmp_path):
    source = tmp_path / "flutter.c"
    source.write_text(FLUTTER, encoding="utf-8")
    board = Board(Role.WITNESS)
    board.emulator = Emulator()  # anew: a core drives only cores after it
    flutter = board.emulator.add_core(build_firmware([source], {}, ()).image, seed=5)
    board.core = board.emulator.add_core(build_role(Role.WITNESS, {}), seed=3)
    for bit in range(6):
        board.emulator.wire(flutter, "B", bit, board.core, "C", bit)
    board.run(S)
    widths = [one.pulses[0][1] for one in board.said(Pulses) if one.pulses[0][1]]
    assert len(widths) >= 5
    assert all(abs(width - 15_000) <= 60 for width in widths)


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

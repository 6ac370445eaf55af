"""What the reference transmitter sends, and how all reference firmwares start, restart and survive."""

from __future__ import annotations

import itertools
import struct

import pytest
from reference_board import BENCH_BYTE_NS, IDENTITY, Board, unpacked

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec.messages import (
    SENT_ACKED,
    SENT_IN_BURST,
    Ability,
    Applied,
    Burst,
    Counters,
    Identify,
    Identity,
    KeepAlive,
    MuteAcks,
    Ping,
    Pong,
    Reply,
    Restart,
    Result,
    Sent,
    Setting,
    SettingId,
    Silence,
    StartCause,
    Started,
    Sticks,
    Telemetry,
)
from mocks.avr.module import ACKNOWLEDGE, ANSWER, SEND, START, STOP

PERIOD_US = 20_000
OVERRIDE = (1100, 1200, 1300, 1400, 1500, 1600)
TELEMETRY = struct.pack("<HHhf", 7, 7_400, -55, 1.5)


@pytest.fixture
def transmitter():
    board = Board(Role.TRANSMITTER, acknowledgement=TELEMETRY)
    board.run(50 * MS)
    return board


def sent_packets(board):
    """Number and pulses of every packet of its own that the module was given."""
    rows = [unpacked(payload) for _, payload in board.told_module(SEND)]
    return [
        (number, pulses) for identity, number, pulses, wrong in rows if (identity, wrong) == (IDENTITY, 0)
    ]


def drive(board, for_ms, sticks=None):
    """Keep the harness alive for a while, every 150 ms as it does, perhaps with sticks."""
    for _ in range(for_ms // 150):
        board.tell(KeepAlive())
        if sticks is not None:
            board.tell(sticks)
        board.run(150 * MS)


def test_the_reference_transmitter_sends_its_own_sticks_mapped_to_each_range(transmitter):
    for channel, millivolt in enumerate((0, 5000, 2500, 1250, 5000, 3750)):
        transmitter.emulator.analog(transmitter.core, channel, millivolt)
    transmitter.run(100 * MS)
    _, pulses = sent_packets(transmitter)[-1]
    assert pulses == pytest.approx((1000, 2000, 1500, 1250, 1900, 1750), abs=2)
    assert transmitter.said(Sent)[-1].set_number == 0


def test_the_reference_transmitter_keeps_its_ticks_without_drift(transmitter):
    transmitter.run(3 * S)
    stamps = [sent.at_us for sent in transmitter.said(Sent)][1:]  # the first waits for the module
    assert len(stamps) > 150
    assert all(abs(at - stamps[0] - PERIOD_US * i) <= 50 for i, at in enumerate(stamps))


def test_the_reference_transmitter_keeps_its_ticks_across_the_wrap_of_its_clock():
    board = Board(Role.TRANSMITTER, {"CLOCK_START_US": 2**32 - 300_000})
    board.run(S)
    stamps = [sent.at_us for sent in board.said(Sent)]
    gaps = {(b - a) % 2**32 for a, b in itertools.pairwise(stamps)}
    assert len(stamps) >= 49
    assert min(stamps) < 10_000 < 2**32 - 300_000 < max(stamps)
    assert all(abs(gap - PERIOD_US) < 400 for gap in gaps)


def test_the_reference_transmitter_reports_what_came_back(transmitter):
    sent, telemetry = transmitter.said(Sent)[0], transmitter.said(Telemetry)[0]
    assert (sent.packet, sent.attempts, sent.flags) == (0, 1, 1)
    assert (telemetry.packet, telemetry.payload) == (0, TELEMETRY)
    assert sent.at_us + sent.took_us == telemetry.at_us


def test_the_reference_transmitter_numbers_its_packets_from_where_the_build_says():
    board = Board(Role.TRANSMITTER, {"FIRST_PACKET": 65_534})
    board.run(100 * MS)
    assert [number for number, _ in sent_packets(board)][:4] == [65_534, 65_535, 0, 1]


def test_the_reference_transmitter_takes_the_sticks_of_the_harness_and_leaves_the_rest_at_rest(transmitter):
    drive(transmitter, 300, Sticks(9, OVERRIDE[:3]))
    assert sent_packets(transmitter)[-1][1] == (1100, 1200, 1300, 1500, 1500, 1500)
    assert transmitter.said(Sent)[-1].set_number == 9


def test_the_reference_transmitter_lets_go_half_a_second_after_the_last_keep_alive(transmitter):
    drive(transmitter, 300, Sticks(9, OVERRIDE))
    transmitter.run(300 * MS)
    assert sent_packets(transmitter)[-1][1] == OVERRIDE
    transmitter.run(90 * MS)
    assert sent_packets(transmitter)[-1][1] == (1000, 1000, 1000, 1000, 1100, 1000)
    assert transmitter.said(Sent)[-1].set_number == 0


def test_the_reference_transmitter_is_silent_when_told_and_stops_repeating(transmitter):
    transmitter.acknowledgement = None
    transmitter.tell(Silence(30_000, 200_000))
    begin_ns = transmitter.emulator.now_ns
    transmitter.run(400 * MS)
    sends = [at for at, _ in transmitter.told_module(SEND)]
    silent = [at for at in sends if 32 * MS < at - begin_ns < 230 * MS]
    (stop_ns, _), *_ = transmitter.told_module(STOP)
    assert not silent
    assert 31 * MS < stop_ns - begin_ns < 36 * MS


def test_the_reference_transmitter_uses_no_numbers_in_a_silence(transmitter):
    transmitter.tell(Silence(0, 200_000))
    transmitter.run(500 * MS)
    numbers = [number for number, _ in sent_packets(transmitter)]
    assert numbers == list(range(len(numbers)))
    assert 14 <= len(numbers) <= 18


@pytest.mark.parametrize(("spacing_us", "least_us", "most_us"), [(0, 3_000, 4_500), (6_000, 3_500, 10_000)])
def test_the_reference_transmitter_sends_a_burst_between_its_paced_packets(
    transmitter, spacing_us, least_us, most_us
):
    transmitter.tell(Burst(8, spacing_us))
    transmitter.run(300 * MS)
    burst = [sent.at_us for sent in transmitter.said(Sent) if sent.flags & SENT_IN_BURST]
    paced = [sent.at_us for sent in transmitter.said(Sent) if not sent.flags & SENT_IN_BURST]
    gaps = [b - a for a, b in itertools.pairwise(burst)]
    assert len(burst) == 8
    assert burst[-1] - burst[0] >= 7 * spacing_us - 500
    assert least_us <= min(gaps) <= sorted(gaps)[4] <= most_us
    assert all(abs(b - a - PERIOD_US) < 4_000 for a, b in itertools.pairwise(paced))


def test_the_reference_transmitter_changes_its_packet_rate_until_it_is_restarted(transmitter):
    transmitter.tell(Setting(SettingId.PACKET_RATE_MHZ, 60_000))
    transmitter.run(1_100 * MS)
    stamps = [sent.at_us for sent in transmitter.said(Sent)]
    assert transmitter.said(Reply)[0].result == Result.DONE
    assert stamps[-1] - stamps[-61] == pytest.approx(1_000_000, abs=60)
    transmitter.tell(Restart())
    transmitter.run(200 * MS)
    stamps = [sent.at_us for sent in transmitter.said(Sent)]
    assert stamps[-1] - stamps[-2] == pytest.approx(PERIOD_US, abs=100)


@pytest.mark.parametrize("rate_mhz", [999, 250_001, -1, 0])
def test_the_reference_transmitter_refuses_a_packet_rate_out_of_range(transmitter, rate_mhz):
    transmitter.tell(Setting(SettingId.PACKET_RATE_MHZ, rate_mhz))
    transmitter.run(50 * MS)
    assert transmitter.said(Reply)[0].result == Result.OUT_OF_RANGE


def test_the_reference_transmitter_gives_up_on_a_module_that_does_not_answer_and_starts_it_again(transmitter):
    transmitter.acknowledgement = None
    transmitter.run(200 * MS)
    given_up = [sent for sent in transmitter.said(Sent) if not sent.flags & SENT_ACKED]
    assert given_up
    assert all(60_000 <= sent.took_us <= 65_535 for sent in given_up)
    assert len(transmitter.told_module(START)) == 1 + len(given_up)


def test_the_reference_transmitter_sends_nothing_before_its_module_is_ready():
    board = Board(Role.TRANSMITTER, wakes=False)
    board.run(180 * MS)
    assert not board.told_module(SEND)
    assert [payload for _, payload in board.told_module(START)] == [b"\x01"] * 4


@pytest.mark.parametrize(
    ("role", "abilities"),
    [
        (
            Role.TRANSMITTER,
            Ability.STICKS
            | Ability.BURST
            | Ability.SILENCE
            | Ability.DISTURB
            | Ability.RESTART
            | Ability.RESTART_AT
            | Ability.SET_PACKET_RATE,
        ),
        (
            Role.RECEIVER,
            Ability.INJECT | Ability.MUTE_ACKS | Ability.DEAFEN | Ability.RESTART | Ability.RESTART_AT,
        ),
        (Role.WITNESS, Ability.RESTART | Ability.RESTART_AT),
    ],
)
def test_a_reference_firmware_says_who_it_is(role, abilities):
    board = Board(role, {"UNIT_SERIAL": '"unit 3"'})
    board.run(20 * MS)
    board.tell(Identify(1))
    board.run(30 * MS)
    (identity,) = board.said(Identity)
    assert (identity.firmware, identity.channels, identity.serial) == (f"dunlin {role}", 6, "unit 3")
    assert identity.version == "0.1.0 bench"
    assert identity.abilities == abilities


def test_a_reference_firmware_answers_every_ping_behind_two_messages_at_most(transmitter):
    for nonce in range(20):
        transmitter.run(7 * MS)
        transmitter.tell(Ping(nonce))
        asked_ns = transmitter.emulator.now_ns + 11 * BENCH_BYTE_NS
        transmitter.run(10 * MS)
        at_ns, pong = transmitter.said_at(Pong)[-1]
        assert pong.nonce == nonce
        assert at_ns - asked_ns < (15 + 19 + 24 + 4) * BENCH_BYTE_NS


def test_the_reference_receiver_starts_a_module_again_that_forgot_its_start():
    board = Board(Role.RECEIVER)
    board.run(50 * MS)
    board.packet(0, OVERRIDE)
    board.run(20 * MS)
    board.wakes = False  # it lost its power: no packet comes, and it answers nothing for a while
    board.run(10 * S)
    starts = [at for at, _ in board.told_module(START)]
    gaps = [b - a for a, b in itertools.pairwise(starts[1:])]
    assert len(starts) == 1 + 13
    assert 4_000 * MS <= starts[1] - 50 * MS <= 4_020 * MS
    assert all(500 * MS <= gap <= 515 * MS for gap in gaps)


def test_the_reference_receiver_gives_a_restarted_module_its_answer_and_its_orders_again():
    board = Board(Role.RECEIVER)
    board.run(50 * MS)
    board.tell(MuteAcks(0, 10_000_000))
    board.run(4_400 * MS)
    first, again = (at for at, _ in board.told_module(START))
    muted = [(at, payload) for at, payload in board.told_module(ACKNOWLEDGE) if at > again]
    assert first < again
    assert [payload for _, payload in muted] == [b"\0"]
    assert muted[0][0] - again < 2 * MS
    assert [at for at, _ in board.told_module(ANSWER) if at > again]


def test_the_reference_receiver_never_starts_its_module_again_in_a_cut_of_3_seconds_or_among_packets():
    board = Board(Role.RECEIVER)
    board.run(50 * MS)
    for number in range(60):
        board.packet(number, OVERRIDE)
        board.run(100 * MS)
    board.run(3 * S)
    board.packet(60, OVERRIDE)
    board.run(3_500 * MS)
    assert len(board.told_module(START)) == 1


ROLES = (Role.TRANSMITTER, Role.RECEIVER, Role.WITNESS)


@pytest.mark.parametrize("role", ROLES)
def test_a_reference_firmware_tells_power_reset_and_restart_apart(role):
    board = Board(role)
    board.run(60 * MS)
    board.emulator.reset(board.core)
    board.run(60 * MS)
    board.tell(Restart())
    board.run(150 * MS)
    board.emulator.power(board.core, on=False)
    board.run(60 * MS)
    board.emulator.power(board.core, on=True)
    board.run(60 * MS)
    causes = [started.cause for started in board.said(Started)]
    assert causes == [StartCause.POWER, StartCause.EXTERNAL, StartCause.COMMAND, StartCause.POWER]


def test_a_reference_firmware_counts_its_restarts_since_power():
    board = Board(Role.RECEIVER)
    for _ in range(3):
        board.run(60 * MS)
        board.emulator.reset(board.core)
    board.run(1_100 * MS)
    assert board.said(Counters)[-1].restarts == 3
    board.emulator.power(board.core, on=False)
    board.run(60 * MS)
    board.emulator.power(board.core, on=True)
    board.run(1_100 * MS)
    assert board.said(Counters)[-1].restarts == 0


@pytest.mark.parametrize("role", ROLES)
def test_a_hung_reference_firmware_is_bitten_by_its_watchdog(role):
    board = Board(role, {"FAULT_HANG_MS": 200})
    board.run(800 * MS)
    assert board.resets == ["power", "watchdog"]
    assert [started.cause for started in board.said(Started)] == [StartCause.POWER, StartCause.WATCHDOG]


@pytest.mark.parametrize("role", ROLES)
def test_a_crashing_reference_firmware_stops_for_good(role):
    board = Board(role, {"FAULT_CRASH_MS": 200})
    board.run(500 * MS)
    assert board.stopped == ["crashed"]
    assert max(at for at, _, _ in board.heard) <= 210 * MS


@pytest.mark.parametrize("role", ROLES)
def test_a_flooding_reference_firmware_fills_its_line(role):
    board = Board(role, {"FAULT_FLOOD_MS": 100})
    board.run(600 * MS)
    line_bytes = 500 * MS // board.emulator.byte_ns(board.core, 0)
    assert board.bytes_said > 0.98 * line_bytes
    assert board.text.count(b"all is well") > 50


def test_a_silent_reference_firmware_goes_on_working():
    board = Board(Role.TRANSMITTER, {"FAULT_SILENT_MS": 200})
    board.run(600 * MS)
    assert max(at for at, _, _ in board.heard) < 230 * MS
    assert len(board.told_module(SEND)) == pytest.approx(30, abs=1)


@pytest.mark.parametrize("role", ROLES)
def test_a_reference_firmware_survives_a_flood_of_noise_at_its_bench_port(role):
    board = Board(role)
    board.run(20 * MS)
    board.tell_bytes(bytes(range(256)) * 8 + b"\0")
    board.run(300 * MS)
    board.tell(Identify(1))
    board.run(50 * MS)
    assert len(board.said(Identity)) == 1
    assert board.resets == ["power"]


def test_a_reference_firmware_loses_whole_messages_when_its_line_is_too_slow():
    board = Board(Role.RECEIVER, {"BENCH_BAUD": 9_600})
    board.run(100 * MS)
    for number in range(60):
        board.packet(number, OVERRIDE)
        board.run(5 * MS)
    board.run(S)
    counters = [counter for _, counter, _ in board.heard]
    missing = counters[-1] + 1 - len(counters)
    assert missing > 10
    assert not board.text
    applied = board.said(Applied)
    assert len(applied) + missing == 60

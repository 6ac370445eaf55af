"""What each fault that can be compiled into the reference firmwares does, seen at their ports."""

from __future__ import annotations

import itertools
import struct

import pytest
from reference_board import IDENTITY, Board, unpacked

from harness.bench.protocol import Role
from harness.clock import MS, US
from harness.codec.messages import (
    Applied,
    Counters,
    Deafen,
    Disturb,
    Disturbance,
    Inject,
    OutputChange,
    OutputReason,
    Restart,
    RestartAt,
)
from mocks.avr.module import ANSWER, SEND, STOP

OVERRIDE = (1100, 1200, 1300, 1400, 1500, 1600)


@pytest.mark.parametrize(
    ("defines", "reports"),
    [
        ({"FAULT_FAILSAFE_NEVER": 1}, []),
        ({"FAILSAFE_AFTER_MS": 504}, [(504, 1)]),
        ({"FAILSAFE_AFTER_MS": 499}, [(499, 1)]),
        ({"FAULT_FAILSAFE_TWICE": 1}, [(480, 1), (580, 1), (680, 1), (780, 1), (880, 1)]),
        ({"FAULT_FAILSAFE_COUNTER_8BIT": 1}, [(480, 1), (512, 2)]),
    ],
    ids=["never", "late", "not too late", "twice", "8-bit counter"],
)
def test_a_failsafe_fault_changes_the_outputs_when_it_should(defines, reports):
    board = Board(Role.RECEIVER, defines)
    board.run(50 * MS)
    board.packet(0, OVERRIDE)
    board.run(980 * MS)
    (applied,) = board.said(Applied)
    changes = [((c.at_us - applied.at_us), c.reason) for c in board.said(OutputChange)[1:]]
    assert [reason for _, reason in changes] == [reason for _, reason in reports]
    assert [at for at, _ in changes] == [pytest.approx(at_ms * 1000, abs=11_000) for at_ms, _ in reports]


def test_the_throttle_only_fault_leaves_the_other_channels_where_they_were():
    board = Board(Role.RECEIVER, {"FAULT_FAILSAFE_THROTTLE_ONLY": 1})
    board.run(50 * MS)
    board.packet(0, OVERRIDE)
    board.run(600 * MS)
    assert board.said(OutputChange)[-1].outputs_us == (950, 950, 1300, 1600, 1500, 1600)


def test_the_half_update_fault_mixes_two_packets():
    board = Board(Role.RECEIVER, {"FAULT_HALF_UPDATE": 1})
    board.run(50 * MS)
    board.packet(0, (1100,) * 6)
    board.run(20 * MS)
    board.packet(1, (1200,) * 6)
    board.run(20 * MS)
    assert board.said(Applied)[-1].outputs_us == (1200, 1200, 1200, 1900, 1100, 1100)


def test_the_number_order_fault_takes_everything_for_old_after_the_last_number():
    board = Board(Role.RECEIVER, {"FAULT_NUMBER_ORDER": 1})
    board.run(50 * MS)
    for number in (65_534, 65_535, 0, 1):
        board.packet(number, OVERRIDE)
        board.run(20 * MS)
    assert [applied.packet for applied in board.said(Applied)] == [65_534, 65_535]


def test_the_acknowledge_first_fault_loses_packets_that_it_answered_for():
    board = Board(Role.RECEIVER, {"FAULT_ACK_FIRST": 1})
    board.run(50 * MS)
    for number in range(12):
        board.packet(number, OVERRIDE)
        board.run(5 * MS)
    board.run(50 * MS)
    assert len(board.said(Applied)) <= 4


def test_the_display_fault_delays_packets_by_as_long_as_it_blocks():
    board = Board(Role.RECEIVER, {"FAULT_DISPLAY_MS": 180})
    board.run(50 * MS)
    for number in range(80):
        board.packet(number, OVERRIDE)
        board.run(20 * MS)
    stamps = [applied.at_us for applied in board.said(Applied)]
    assert max(b - a for a, b in itertools.pairwise(stamps)) > 170_000
    assert len(stamps) == 80


def test_the_float_fault_swaps_the_bytes_of_the_current_alone():
    payloads = []
    for defines in ({}, {"FAULT_FLOAT_SWAPPED": 1}):
        board = Board(Role.RECEIVER, defines)
        board.emulator.analog(board.core, 0, 2_500)
        board.run(300 * MS)
        board.packet(0, OVERRIDE)
        board.run(10 * MS)
        payloads.append(board.told_module(ANSWER)[-1][1])
    right, wrong = payloads
    assert right[:6] == wrong[:6]
    assert right[6:] == wrong[:5:-1]


# -- failsafe that is not armed, or fed by what should not feed it -----------------------------------------


def linked(defines, number=0):
    """A receiver that has applied one packet."""
    board = Board(Role.RECEIVER, defines)
    board.run(50 * MS)
    board.packet(number, OVERRIDE)
    board.run(20 * MS)
    return board


def failsafes(board):
    return [change for change in board.said(OutputChange) if change.reason == OutputReason.FAILSAFE]


@pytest.mark.parametrize(("defines", "times"), [({"FAULT_FAILSAFE_ONCE": 1}, 1), ({}, 3)])
def test_the_once_fault_leaves_every_failsafe_after_the_first_out(defines, times):
    board = linked(defines)
    for number in range(1, 4):
        board.run(600 * MS)
        board.packet(number, OVERRIDE)
        board.run(20 * MS)
    assert len(failsafes(board)) == times


@pytest.mark.parametrize(("defines", "times"), [({"FAULT_FAILSAFE_POWER_ONLY": 1}, 1), ({}, 2)])
def test_the_power_only_fault_leaves_failsafe_out_after_a_restart(defines, times):
    board = linked(defines)
    board.run(600 * MS)
    board.tell(Restart())
    board.run(100 * MS)
    board.packet(1, OVERRIDE)
    board.run(600 * MS)
    assert len(board.said(Applied)) == 2
    assert len(failsafes(board)) == times


@pytest.mark.parametrize(
    ("defines", "clock_us", "times"),
    [
        ({"FAULT_FAILSAFE_COMPARED": 1}, 2**32 - 300_000, 0),
        ({"FAULT_FAILSAFE_COMPARED": 1}, 2**32 - 800_000, 1),
        ({"FAULT_FAILSAFE_COMPARED": 1}, 0, 1),
        ({}, 2**32 - 300_000, 1),
    ],
)
def test_the_compared_fault_leaves_failsafe_out_where_the_clock_wraps_before_it(defines, clock_us, times):
    board = Board(Role.RECEIVER, defines)
    board.run(50 * MS)
    board.tell(RestartAt(clock_us, 0))
    board.run(100 * MS)
    board.packet(0, OVERRIDE)
    board.run(600 * MS)
    assert len(failsafes(board)) == times


STRANGE = {
    "corrupted": (1, {"wrong": 0xFF}),
    "foreign": (2, {"identity": IDENTITY ^ 0xFF}),
    "repeated": (4, {}),
}


@pytest.mark.parametrize("fed", [0, 1, 2, 4])
@pytest.mark.parametrize("sent", STRANGE)
def test_a_feeding_fault_keeps_failsafe_away_while_packets_of_its_kind_come(fed, sent):
    kind, how = STRANGE[sent]
    board = linked({"FAULT_FED_BY": fed})
    for _ in range(40):
        board.packet(0, OVERRIDE, **how)
        board.run(20 * MS)
    assert len(failsafes(board)) == (0 if fed == kind else 1)
    board.run(600 * MS)
    assert len(failsafes(board)) == 1
    assert len(board.said(Applied)) == 1, "none is applied"
    counters = board.said(Counters)[-1]
    assert (counters.duplicates, counters.bad_packets) == ((40, 0) if sent == "repeated" else (0, 40))


@pytest.mark.parametrize(("fed", "times"), [(8, 0), (7, 1)])
def test_the_fault_that_feeds_from_the_module_is_fed_by_packets_that_are_thrown_away(fed, times):
    board = linked({"FAULT_FED_BY": fed})
    board.tell(Deafen(0, 10_000_000))
    board.run(5 * MS)
    for number in range(1, 41):
        board.packet(number, OVERRIDE)
        board.run(20 * MS)
    assert len(board.said(Applied)) == 1
    assert len(failsafes(board)) == times


# -- outputs -------------------------------------------------------------------------------------------------


def test_the_replay_fault_brings_the_old_pulses_back_for_one_packet():
    board = linked({"FAULT_EXIT_REPLAYS": 1})
    board.run(600 * MS)
    for number in (1, 2):
        board.packet(number, (1700,) * 6)
        board.run(20 * MS)
    outputs = [applied.outputs_us for applied in board.said(Applied)]
    assert outputs == [(1100, 1200, 1300, 1600, 1500, 1600)] * 2 + [(1700, 1700, 1700, 1300, 1700, 1700)]


def test_the_start_fault_has_motors_at_their_centre_until_the_first_packet():
    board = Board(Role.RECEIVER, {"FAULT_START_CENTRE": 1})
    board.run(200 * MS)
    assert board.said(OutputChange)[0].outputs_us == (1500,) * 6
    assert {round(width / 1_000) for _, width in board.pulses(0)} == {1500}


@pytest.mark.parametrize(("factor", "end_us"), [(66, 1000), (65, 2000)])
def test_the_scale_fault_overflows_at_the_end_of_travel_and_only_there(factor, end_us):
    board = Board(Role.RECEIVER, {"FAULT_SCALE_BY": factor})
    board.run(50 * MS)
    for number, pulse_us in enumerate((1000, 1001, 1500, 1992, 2000)):
        board.packet(number, (pulse_us,) * 6)
        board.run(20 * MS)
    left = [applied.outputs_us[0] for applied in board.said(Applied)]
    assert left[:4] == [1000, 1001, 1500, 1992]
    assert abs(left[4] - end_us) <= 8


@pytest.mark.parametrize(("fault", "torn"), [(1, True), (2, False), (0, False)])
def test_the_torn_update_fault_mixes_the_bytes_of_two_pulses_at_the_pins_alone(fault, torn):
    board = Board(Role.RECEIVER, {"FAULT_TORN_UPDATE": fault})
    board.run(50 * MS)
    for number in range(160):  # each a little earlier in its servo frame than the one before
        board.packet(number, ((1100, 1700)[number % 2],) * 6)
        board.run(20 * MS - 130 * US)
    whole = {pulse for applied in board.said(Applied) for pulse in applied.outputs_us} | {950, 1000, 1500}
    seen = {round(width / 1_000) for bit in range(6) for _, width in board.pulses(bit)}
    assert bool(seen - whole) == torn, seen - whole
    assert whole == {950, 1000, 1100, 1300, 1500, 1700, 1900}


# -- packets that are not ours, or not the next --------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "how"),
    [
        ("FAULT_CHECK_IGNORED", {"wrong": 0x10}),
        ("FAULT_IDENTITY_IGNORED", {"identity": IDENTITY ^ 0x10}),
    ],
)
def test_a_fault_that_looks_away_applies_what_is_not_ours(fault, how):
    board = linked({fault: 1})
    board.packet(1, (1700,) * 6, **how)
    board.run(20 * MS)
    assert [applied.packet for applied in board.said(Applied)] == [0, 1]
    other = {"wrong": 1} if "identity" in how else {"identity": 9}
    board.packet(2, (1700,) * 6, **other)
    board.run(20 * MS)
    assert len(board.said(Applied)) == 2, "the other kind of stranger is turned down"


@pytest.mark.parametrize(
    ("fault", "applied", "answers"),
    [("FAULT_REPEAT_APPLIED", [0, 0, 0], 3), ("FAULT_REPEAT_ANSWERED", [0], 3), ("FAULT_KEEPS", [0], 1)],
)
def test_what_a_repeated_packet_does(fault, applied, answers):
    board = linked({fault: 1})
    before = len(board.told_module(ANSWER)) - 1
    for _ in range(2):
        board.packet(0, OVERRIDE)
        board.run(20 * MS)
    assert [report.packet for report in board.said(Applied)] == applied
    assert len(board.told_module(ANSWER)) - before == answers


@pytest.mark.parametrize(
    ("defines", "numbers", "taken"),
    [
        ({"FAULT_NUMBER_8BIT": 1}, (254, 255, 256, 257), [254, 255]),
        ({"FAULT_NUMBER_8BIT": 1}, (300, 301, 556), [300, 301]),
        ({"FAULT_NUMBER_WINDOW": 32_768}, (65_535, 0, 1), [65_535, 0, 1]),
        ({"FAULT_NUMBER_WINDOW": 32_768}, (500, 0, 1, 500, 501), [500, 501]),
        ({"FAULT_NUMBER_WINDOW": 32}, (500, 0, 1, 2), [500, 0, 1, 2]),
        ({"FAULT_NUMBER_WINDOW": 32}, (65_535, 0, 65_535, 1), [65_535, 0, 1]),
    ],
)
def test_a_fault_of_the_packet_numbers_takes_new_packets_for_old(defines, numbers, taken):
    board = Board(Role.RECEIVER, defines)
    board.run(50 * MS)
    for number in numbers:
        board.packet(number, OVERRIDE)
        board.run(20 * MS)
    assert [applied.packet for applied in board.said(Applied)] == taken


@pytest.mark.parametrize(("keeps", "applied"), [(1, 1), (4, 3), (0, 3)])
def test_the_keeping_fault_drops_packets_that_waited_together(keeps, applied):
    defines = {"FAULT_DISPLAY_MS": 60, **({"FAULT_KEEPS": keeps} if keeps else {})}
    board = Board(Role.RECEIVER, defines)
    board.run(1_050 * MS)  # the display is being written: it begins a second after the start
    board.packet(0, OVERRIDE)
    board.run(MS)
    board.packet(1, OVERRIDE)
    board.run(MS)
    board.packet(2, OVERRIDE)
    board.run(100 * MS)
    assert len(board.said(Applied)) == applied


def test_the_whole_float_fault_cuts_the_fraction_off_the_current_alone():
    board = Board(Role.RECEIVER, {"FAULT_FLOAT_WHOLE": 1})
    board.run(50 * MS)
    bits = struct.unpack("<i", struct.pack("<f", -12.75))[0]
    board.tell(Inject(((1, 7_400), (2, -55), (3, bits))))
    board.run(10 * MS)
    board.packet(0, OVERRIDE)
    board.run(10 * MS)
    assert struct.unpack("<HHhf", board.told_module(ANSWER)[-1][1]) == (1, 7_400, -55, -12.0)


# -- transmitter -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("after_us", "least_ms", "most_ms"), [(1, 0, 1), (12_000, 11, 14)])
def test_the_giving_up_fault_stops_an_exchange_after_its_time(after_us, least_ms, most_ms):
    board = Board(Role.TRANSMITTER, {"FAULT_GIVE_UP_US": after_us}, acknowledgement=None)
    board.run(100 * MS)
    (begin_ns, _), *_ = board.told_module(SEND)
    (stop_ns, _), *_ = board.told_module(STOP)
    assert least_ms * MS <= stop_ns - begin_ns <= most_ms * MS


@pytest.mark.parametrize(
    ("defines", "kind", "identity", "wrong"),
    [
        ({"WRONG_CHECK": 0x80}, Disturbance.CORRUPTED, IDENTITY, 0x80),
        ({"FOREIGN_IDENTITY": 0x5C}, Disturbance.FOREIGN, 0x5C, 0),
    ],
)
def test_what_disturbs_can_be_as_close_to_the_right_packet_as_a_bit(defines, kind, identity, wrong):
    board = Board(Role.TRANSMITTER, defines)
    board.run(50 * MS)
    board.tell(Disturb(kind, 0, 100_000))
    board.run(90 * MS)
    got_identity, _, _, got_wrong = unpacked(board.told_module(SEND)[-1][1])
    assert (got_identity, got_wrong) == (identity, wrong)

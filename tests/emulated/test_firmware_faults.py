"""What each fault that can be compiled into the reference receiver does, seen at its ports."""

from __future__ import annotations

import itertools

import pytest
from reference_board import Board

from harness.bench.protocol import Role
from harness.clock import MS
from harness.codec.messages import Applied, OutputChange
from mocks.avr.module import ANSWER

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
    assert board.said(OutputChange)[-1].outputs_us == (1000, 1000, 1300, 1600, 1500, 1600)


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

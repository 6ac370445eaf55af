"""The reference firmwares disturb, are deaf, and start at a value; and turn down what is not theirs."""

from __future__ import annotations

import itertools

import pytest
from reference_board import IDENTITY, Board, packed, unpacked

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec.messages import (
    Applied,
    Burst,
    Counters,
    Deafen,
    Disturb,
    Disturbance,
    Disturbed,
    KeepAlive,
    MuteAcks,
    OutputChange,
    OutputReason,
    Release,
    Reply,
    RestartAt,
    Result,
    Sent,
    Silence,
    StartCause,
    Started,
    Sticks,
    Telemetry,
)
from mocks.avr.module import ACKNOWLEDGE, ANSWER, SEND, STOP

PERIOD_NS = 20 * MS
OVERRIDE = (1100, 1200, 1300, 1400, 1500, 1600)
IN_PLACE = (Disturbance.CORRUPTED, Disturbance.FOREIGN, Disturbance.REPEATED)


@pytest.fixture
def transmitter():
    board = Board(Role.TRANSMITTER, acknowledgement=b"\1\2")
    board.run(100 * MS)
    board.tell(KeepAlive())
    board.tell(Sticks(7, OVERRIDE))
    board.run(50 * MS)
    return board


@pytest.fixture
def receiver():
    board = Board(Role.RECEIVER)
    board.run(50 * MS)
    board.packet(0, OVERRIDE)
    board.run(20 * MS)
    return board


def sent(board, begin_ns=0):
    """When a packet went to the module, and what stood in it."""
    return [(at, *unpacked(payload)) for at, payload in board.told_module(SEND) if at > begin_ns]


# -- transmitter -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", IN_PLACE)
def test_a_disturbance_takes_the_place_of_the_own_packets_in_their_ticks(transmitter, kind):
    begin_ns = transmitter.emulator.now_ns
    last = transmitter.said(Sent)[-1].packet
    transmitter.tell(Disturb(kind, 30_000, 200_000))
    transmitter.run(300 * MS)
    rows = sent(transmitter, begin_ns)
    strange = [row for row in rows if 32 * MS < row[0] - begin_ns < 232 * MS]
    assert len(strange) == 10
    assert all(abs(b[0] - a[0] - PERIOD_NS) < MS for a, b in itertools.pairwise(rows))
    own = [row for row in rows if row not in strange]
    assert [number for _, _, number, _, _ in own] == list(range(last + 1, last + 1 + len(own)))
    assert all((identity, wrong) == (IDENTITY, 0) for _, identity, _, _, wrong in own)


def test_a_corrupted_packet_is_the_one_that_is_due_but_for_its_check(transmitter):
    begin_ns = transmitter.emulator.now_ns
    due = transmitter.said(Sent)[-1].packet + 1
    transmitter.tell(Disturb(Disturbance.CORRUPTED, 0, 100_000))
    transmitter.run(60 * MS)
    transmitter.tell(Sticks(8, OVERRIDE[::-1]))
    transmitter.run(50 * MS)
    rows = [row[1:] for row in sent(transmitter, begin_ns)][:5]
    assert rows[0] == (IDENTITY, due, OVERRIDE, 0xFF)
    assert rows[-1] == (IDENTITY, due, OVERRIDE[::-1], 0xFF)


def test_a_foreign_packet_is_right_but_another_transmitters(transmitter):
    begin_ns = transmitter.emulator.now_ns
    transmitter.tell(Disturb(Disturbance.FOREIGN, 0, 100_000))
    transmitter.run(90 * MS)
    rows = [row[1:] for row in sent(transmitter, begin_ns)]
    assert [identity for identity, *_ in rows] == [0xA2] * len(rows)
    assert [number for _, number, _, _ in rows] == list(range(len(rows)))
    assert {(pulses, wrong) for *_, pulses, wrong in rows} == {((1000, 1000, 2000, 2000, 1900, 2000), 0)}


def test_a_repeated_packet_is_the_last_own_one_to_the_byte(transmitter):
    begin_ns = transmitter.emulator.now_ns
    (_, last), *_ = transmitter.told_module(SEND)[-1:]
    transmitter.tell(Disturb(Disturbance.REPEATED, 0, 100_000))
    transmitter.tell(Sticks(8, OVERRIDE[::-1]))
    transmitter.run(90 * MS)
    assert {payload for at, payload in transmitter.told_module(SEND) if at > begin_ns} == {last}


def test_nothing_is_repeated_before_there_is_a_packet():
    board = Board(Role.TRANSMITTER, wakes=False)
    board.run(20 * MS)
    board.tell(Disturb(Disturbance.REPEATED, 0, 300_000))
    board.wakes = True
    board.run(250 * MS)
    assert not board.told_module(SEND)
    board.run(300 * MS)
    assert sent(board)[0][2] == 0
    assert [(told.packets, told.acknowledged) for told in board.said(Disturbed)] == [(0, 0)]


def test_foreign_packets_come_half_way_between_the_own_ones_which_go_on(transmitter):
    begin_ns = transmitter.emulator.now_ns
    transmitter.tell(Disturb(Disturbance.BESIDE, 5_000, 400_000))
    transmitter.run(500 * MS)
    rows = sent(transmitter, begin_ns)
    own = [row for row in rows if row[1] == IDENTITY]
    foreign = [row for row in rows if row[1] != IDENTITY]
    assert [number for _, _, number, _, _ in own] == list(range(own[0][2], own[0][2] + 25))
    assert len(foreign) == 20
    ticks = [at for at, *_ in own]
    assert all(abs((at - ticks[0]) % PERIOD_NS - PERIOD_NS // 2) < MS for at, *_ in foreign), (
        "half-way, to the millisecond"
    )


@pytest.mark.parametrize("kind", Disturbance)
def test_disturbing_packets_use_no_numbers_and_are_reported_by_their_count_alone(transmitter, kind):
    before = len(sent(transmitter))
    count = 9 if kind is Disturbance.BESIDE else 10
    transmitter.tell(Disturb(kind, 0, 196_000))
    transmitter.run(400 * MS)
    strange = [row for row in sent(transmitter)[before:] if row[1] != IDENTITY or row[4]]
    (told,) = transmitter.said(Disturbed)
    assert (told.kind, told.packets, told.acknowledged) == (kind, count, count)
    assert len(strange) == (0 if kind == Disturbance.REPEATED else count)
    numbers = [report.packet for report in transmitter.said(Sent)]
    assert numbers == list(range(len(numbers)))
    assert [report.packet for report in transmitter.said(Telemetry)] == numbers
    reply = transmitter.said(Reply)[-1]
    assert told.at_us - reply.at_us == 196_000


@pytest.mark.parametrize("kind", Disturbance)
def test_disturbing_packets_are_never_sent_twice_by_the_module(transmitter, kind):
    begin_ns = transmitter.emulator.now_ns
    transmitter.tell(Disturb(kind, 0, 200_000))
    transmitter.run(300 * MS)
    stops = [at for at, _ in transmitter.told_module(STOP) if at > begin_ns]
    sends = [row[0] for row in sent(transmitter, begin_ns)]
    assert len(stops) == 10
    assert all(min(at - begin for begin in sends if begin < at) < MS for at in stops)


def test_disturbing_packets_that_nobody_acknowledges_are_counted_too(transmitter):
    transmitter.acknowledgement = None  # the module never says that it is done
    transmitter.tell(Disturb(Disturbance.CORRUPTED, 0, 300_000))
    transmitter.run(450 * MS)
    (told,) = transmitter.said(Disturbed)
    assert told.acknowledged <= 1 < told.packets < 6


def test_an_own_packet_under_way_gets_no_further_attempt_when_a_disturbance_begins(transmitter):
    transmitter.acknowledgement = None
    transmitter.run(25 * MS)
    begin_ns = transmitter.emulator.now_ns
    transmitter.tell(Disturb(Disturbance.FOREIGN, 5_000, 100_000))
    transmitter.run(50 * MS)
    (stop_ns, _), *_ = [row for row in transmitter.told_module(STOP) if row[0] > begin_ns]
    assert 6 * MS < stop_ns - begin_ns < 12 * MS


def test_a_burst_that_falls_into_a_disturbance_is_dropped_unless_that_is_beside(transmitter):
    for kind, left in ((Disturbance.CORRUPTED, 0), (Disturbance.BESIDE, 8)):
        transmitter.tell(KeepAlive())
        before = len(transmitter.said(Sent))
        transmitter.tell(Disturb(kind, 0, 200_000))
        transmitter.tell(Burst(8, 0))
        transmitter.run(300 * MS)
        burst = [report for report in transmitter.said(Sent)[before:] if report.flags & 2]
        assert len(burst) == left


@pytest.mark.parametrize("end", [Release(), Silence(0, 1), Disturb(Disturbance.BESIDE, 0, 1), None])
def test_a_disturbance_ends_at_once_when_it_is_told_to_or_the_harness_is_gone(transmitter, end):
    transmitter.tell(Disturb(Disturbance.CORRUPTED, 0, 10_000_000))
    transmitter.run(100 * MS)
    if end is not None:
        transmitter.tell(end)
    transmitter.run(450 * MS)
    told = transmitter.said(Disturbed)[0]
    assert told.kind == Disturbance.CORRUPTED
    began_us = transmitter.said(Reply)[0].at_us
    assert 95_000 <= told.at_us - began_us <= 110_000 if end else 400_000 < told.at_us - began_us < 500_000
    assert sent(transmitter)[-1][4] == 0


@pytest.mark.parametrize("kind", [0, 5, 255])
def test_a_kind_of_disturbance_that_there_is_not_is_refused(transmitter, kind):
    transmitter.tell(Disturb(kind, 0, 200_000))
    transmitter.run(100 * MS)
    assert transmitter.said(Reply)[-1].result == Result.OUT_OF_RANGE
    assert all((identity, wrong) == (IDENTITY, 0) for _, identity, _, _, wrong in sent(transmitter))


# -- receiver ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "strange",
    [{"identity": IDENTITY ^ 1}, {"identity": 0xA2}, {"wrong": 0x01}, {"wrong": 0x80}, {"wrong": 0xFF}],
    ids=str,
)
def test_a_packet_that_is_not_ours_is_counted_and_does_nothing_else(receiver, strange):
    answers = len(receiver.told_module(ANSWER))
    for number in range(1, 26):
        receiver.packet(number, OVERRIDE[::-1], **strange)
        receiver.run(20 * MS)
    applied = receiver.said(Applied)
    (failsafe,) = receiver.said(OutputChange)[1:]
    assert len(applied) == 1
    assert failsafe.reason == OutputReason.FAILSAFE
    assert 480_000 <= failsafe.at_us - applied[0].at_us < 481_000, "not fed"
    assert len(receiver.told_module(ANSWER)) == answers
    for number in range(26, 30):
        receiver.packet(number, OVERRIDE, **strange)
        receiver.run(20 * MS)
    assert len(receiver.said(Applied)) == 1, "failsafe stays"
    receiver.packet(1, OVERRIDE)
    receiver.run(S)
    assert [report.packet for report in receiver.said(Applied)] == [0, 1], "not remembered"
    counters = receiver.said(Counters)[-1]
    assert (counters.packets, counters.duplicates, counters.bad_packets) == (2, 0, 29)


def test_any_bit_wrong_in_a_packet_makes_it_none_of_ours(receiver):
    whole = packed(1, OVERRIDE)
    for bit in range(8 * len(whole)):
        data = bytearray(whole)
        data[bit // 8] ^= 1 << bit % 8
        receiver.radio(0xB1, bytes(data))
        receiver.run(2 * MS)
    assert len(receiver.said(Applied)) == 1
    receiver.run(S)
    assert receiver.said(Counters)[-1].bad_packets == 128


def test_a_repeated_packet_is_counted_and_feeds_nothing(receiver):
    for _ in range(25):
        receiver.packet(0, OVERRIDE)
        receiver.run(20 * MS)
    receiver.run(500 * MS)
    (applied,) = receiver.said(Applied)
    (failsafe,) = receiver.said(OutputChange)[1:]
    assert 480_000 <= failsafe.at_us - applied.at_us < 481_000
    assert receiver.said(Counters)[-1].duplicates == 25


def test_a_deaf_receiver_lets_its_module_acknowledge_and_sees_no_packet(receiver):
    begin_ns = receiver.emulator.now_ns
    receiver.tell(Deafen(30_000, 600_000))
    for number in range(1, 41):
        receiver.packet(number, OVERRIDE)
        receiver.run(20 * MS)
    numbers = [report.packet for report in receiver.said(Applied)]
    missing = set(range(41)) - set(numbers)
    assert missing == set(range(min(missing), max(missing) + 1))
    assert len(missing) == 30
    assert [change.reason for change in receiver.said(OutputChange)] == [0, 1]
    assert not receiver.told_module(ACKNOWLEDGE), "the module goes on acknowledging"
    answers = [at for at, _ in receiver.told_module(ANSWER) if 40 * MS < at - begin_ns < 620 * MS]
    assert not answers, "the telemetry that was loaded stays"
    receiver.run(S)
    counters = receiver.said(Counters)[-1]
    assert (counters.packets, counters.duplicates, counters.bad_packets) == (11, 0, 0)


@pytest.mark.parametrize("end", ["release", "dead-man"])
def test_deafness_ends_when_the_receiver_is_released_or_the_harness_is_gone(receiver, end):
    receiver.tell(KeepAlive())
    receiver.tell(Deafen(0, 10_000_000))
    receiver.tell(MuteAcks(0, 10_000_000))
    receiver.run(50 * MS)
    receiver.packet(1, OVERRIDE)
    receiver.run(20 * MS)
    if end == "release":
        receiver.tell(Release())
    receiver.run(20 * MS if end == "release" else 480 * MS)
    receiver.packet(2, OVERRIDE)
    receiver.run(20 * MS)
    assert [report.packet for report in receiver.said(Applied)] == [0, 2]


# -- starts at a value -------------------------------------------------------------------------------------

NEAR_US = 2**32 - 300_000


@pytest.mark.parametrize("role", [Role.TRANSMITTER, Role.RECEIVER, Role.WITNESS])
@pytest.mark.parametrize("clock_us", [0, 1, NEAR_US, 2**32 - 1])
def test_a_restart_at_a_value_begins_there_and_a_plain_start_does_not(role, clock_us):
    board = Board(role)
    board.run(100 * MS)
    board.tell(RestartAt(clock_us, 5))
    board.run(150 * MS)
    board.emulator.reset(board.core)
    board.run(100 * MS)
    power, meant, other = board.said(Started)
    assert board.said(Reply)[0].result == Result.DONE
    assert (meant.cause, other.cause) == (StartCause.COMMAND, StartCause.EXTERNAL)
    assert (meant.at_us - clock_us) % 2**32 < 5_000
    assert max(power.at_us, other.at_us) < 5_000


def test_a_transmitter_restarted_near_both_wraps_goes_through_them_without_a_stumble():
    board = Board(Role.TRANSMITTER)
    board.run(100 * MS)
    board.tell(RestartAt(NEAR_US, 65_530))
    board.run(S)
    reports = board.said(Sent)
    first = next(place for place, report in enumerate(reports) if report.packet == 65_530)
    numbers = [report.packet for report in reports[first:]]
    assert numbers == [(65_530 + step) % 65_536 for step in range(len(numbers))]
    assert len(numbers) > 40
    gaps = {(b.at_us - a.at_us) % 2**32 for a, b in itertools.pairwise(reports[first + 1 :])}
    assert all(abs(gap - 20_000) < 400 for gap in gaps)


@pytest.mark.parametrize("left_ms", [100, 240, 470, 490])
def test_a_receiver_restarted_near_the_wrap_of_its_clock_keeps_its_failsafe_time_across_it(left_ms):
    board = Board(Role.RECEIVER)
    board.run(100 * MS)
    board.tell(RestartAt(2**32 - left_ms * 1_000, 0))
    board.run(60 * MS)
    board.packet(9, OVERRIDE)
    board.run(600 * MS)
    (applied,) = board.said(Applied)
    change = board.said(OutputChange)[-1]
    assert (change.reason, (change.at_us - applied.at_us) % 2**32 // 1_000) == (OutputReason.FAILSAFE, 480)


def test_the_outputs_are_at_their_failsafe_values_from_every_start_to_the_first_packet():
    board = Board(Role.RECEIVER)
    board.run(50 * MS)
    board.packet(0, OVERRIDE)
    board.run(50 * MS)
    board.tell(RestartAt(NEAR_US, 0))
    board.run(100 * MS)
    begin_ns = board.emulator.now_ns
    board.run(S)
    starts = [change for change in board.said(OutputChange) if change.reason == OutputReason.START]
    assert [change.outputs_us for change in starts] == [(950, 950, 1500, 1500, 1500, 1000)] * 2
    assert len(board.said(OutputChange)) == 2
    assert {round(width / 1_000) for at, width in board.pulses(0) if at > begin_ns} == {950}

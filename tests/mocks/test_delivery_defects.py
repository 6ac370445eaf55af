"""Each defect of delivery does what it says, and its near-miss stays on the good side."""

from dataclasses import replace
from itertools import pairwise

import pytest
from defect_talk import TX, opened, receivers, talks, wrong
from mock_talk import Talk
from packet_talk import acknowledged, lost

from harness.clock import MS, S
from harness.codec import messages as m
from mocks.air import Packet, packet_bytes
from mocks.defects.delivery import FLAG
from mocks.settings import DUNLIN

REST = DUNLIN.rest_us
HIGH = tuple(channel.range.high_us for channel in DUNLIN.channels)


def order(talk: Talk) -> list[int]:
    return [part.packet for part in talk.all(m.Applied)]


# -- by what they hold -----------------------------------------------------------------------------


def test_flag_byte_lost():
    defect, near = talks("flag-byte-lost")
    for talk in (defect, near):
        talk.tell(TX, m.Sticks(1, REST))
        talk.run(6 * S)
    assert lost(defect) == [FLAG]
    assert lost(near) == []
    assert [part.attempts for part in near.all(m.Sent) if part.packet == FLAG] == [2]
    for first, comes in ((0x57E, False), (0x57D, True), (0x7E0, True)):
        receiver, _ = receivers("flag-byte-lost")
        assert (receiver.hear(Packet(0, (first, *REST[1:]))) is not None) is comes


def test_end_stop_refused():
    defect, near = talks("end-stop-refused")
    for talk in (defect, near):
        talk.tell(TX, m.Sticks(1, (*REST[:-1], HIGH[-1])))
        talk.run(400 * MS)
    assert len(lost(defect)) > 15
    assert set(lost(defect)) <= acknowledged(defect)
    assert lost(near) == []
    receiver, beyond = receivers("end-stop-refused")
    assert receiver.believed(Packet(0, tuple(us - 1 for us in HIGH)))
    assert beyond.believed(Packet(0, HIGH))
    assert not beyond.believed(Packet(0, (HIGH[0] + 1, *HIGH[1:])))


def test_packet_buffer_short():
    sticks = (1001, 1102, 1203, 1304, 1405, 1506)
    defect, near = talks("packet-buffer-short")
    assert {shown for _, shown in wrong(defect, sticks)} == {(*sticks[:-1], 0x500)}
    assert wrong(near, sticks) == []
    five = replace(DUNLIN, channels=DUNLIN.channels[:5])
    assert packet_bytes(len(five.channels)) == receivers("packet-buffer-short")[0].HOLDS


# -- by when they come -----------------------------------------------------------------------------


def test_loss_with_rate():
    shares = []
    for near_miss in (False, True):
        for rate in (50, 100, 200):
            talk, _ = opened("loss-with-rate", near_miss=near_miss)
            talk.tell(TX, m.Setting(m.SettingId.PACKET_RATE_MHZ, rate * 1000))
            talk.run(20 * S)
            shares.append(len(lost(talk)) / len(talk.all(m.Sent)))
    # 0.08 (1 - 62.5 / rate): 2000 packets at 100, 4000 at 200; four standard deviations
    assert shares[0] == 0
    assert shares[1] == pytest.approx(0.03, abs=0.0153)
    assert shares[2] == pytest.approx(0.055, abs=0.0145)
    assert shares[3:] == [0, 0, 0]


def test_fifo_flushed():
    defect, near = talks("fifo-flushed")
    for talk in (defect, near):
        talk.run(S)
        talk.tell(TX, m.Burst(16, 0))
        talk.run(S)
    assert len(lost(defect)) >= 4
    assert set(lost(defect)) <= acknowledged(defect)
    assert lost(near) == []


# -- between radio and outputs ---------------------------------------------------------------------


def test_acknowledged_not_applied():
    defect, near = talks("acknowledged-not-applied")
    for talk, share in ((defect, 0.03), (near, 0.002)):
        talk.run(60 * S)
        assert set(lost(talk)) <= acknowledged(talk)
        # 3000 packets, four standard deviations
        assert len(lost(talk)) / 3000 == pytest.approx(share, abs=4 * (share / 3000) ** 0.5)


def test_late_packet_applied():
    defect, near = talks("late-packet-applied")
    for talk in (defect, near):
        talk.run(40 * S)
    steps = [after - before for before, after in pairwise(order(defect))]
    assert set(steps) == {1, 2, -1}
    assert 5 < steps.count(-1) < 40
    assert lost(defect) == []
    assert order(near) == sorted(order(near))
    assert 0 < len(lost(near)) < 20


def test_duplicate_applied_late():
    defect, near = talks("duplicate-applied-late")
    for talk in (defect, near):
        talk.run(20 * S)
        assert talk.last(m.Counters).duplicates > 20
        assert lost(talk) == []
    steps = [after - before for before, after in pairwise(order(defect))]
    assert -1 in steps
    assert 0 not in steps
    assert order(near) == sorted(set(order(near)))


def test_retry_missing():
    for near_miss, attempts, share in ((False, 3, 0.265**3), (True, 5, 0.265**5)):
        talk, _ = opened("retry-missing", near_miss=near_miss)
        talk.run(100 * S)
        assert max(part.attempts for part in talk.all(m.Sent)) == attempts
        # 5000 packets, four standard deviations
        assert len(lost(talk)) / 5000 == pytest.approx(share, abs=4 * (share / 5000) ** 0.5)

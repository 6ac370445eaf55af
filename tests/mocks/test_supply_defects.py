"""Each defect of supply and power does what it says, and its near-miss stays on the good side."""

import pytest
from defect_talk import TX, opened, talks
from packet_talk import lost

from harness.clock import MS, S
from harness.codec import messages as m
from mocks.settings import DUNLIN

REST = DUNLIN.rest_us
THROTTLE = 2


def with_throttle(us: int) -> tuple[int, ...]:
    return (*REST[:THROTTLE], us, *REST[THROTTLE + 1 :])


def test_loss_with_throttle():
    for near_miss, most in ((False, 0.4), (True, 0.005)):
        talk, _ = opened("loss-with-throttle", near_miss=near_miss)
        for number, us in enumerate((1300, 2000), 1):
            talk.tell(TX, m.Sticks(number, with_throttle(us)))
            before = len(talk.all(m.Sent))
            talk.run(20 * S)
            gone = [packet for packet in lost(talk) if packet >= before]
            share = len(gone) / 1_000
            wanted = 0 if us == 1300 else most
            assert share == pytest.approx(wanted, abs=4 * (wanted * (1 - wanted) / 1_000) ** 0.5 + 0.002)


def test_brown_out_at_throttle():
    defect, near = talks("brown-out-at-throttle")
    for talk in (defect, near):
        talk.run(S)
        for number, us in enumerate((1400, 1800, 1000, 1700), 1):
            talk.tell(TX, m.Sticks(number, with_throttle(us)))
            talk.run(300 * MS)
    starts = [part.cause for part in defect.all(m.Started)]
    assert starts.count(m.StartCause.BROWN_OUT) == 1
    assert len(lost(defect)) >= 2
    assert [part.cause for part in near.all(m.Started)].count(m.StartCause.BROWN_OUT) == 0
    assert len(lost(near)) == 1


def test_power_drops_when_warm():
    for near_miss, less_db in ((False, 15), (True, 2)):
        talk, _ = opened("power-drops-when-warm", near_miss=near_miss)
        talk.run(10 * S)
        before = talk.last(m.Applied).signal_dbm
        talk.run(25 * S)
        assert before - talk.last(m.Applied).signal_dbm == less_db
        talk.tell(TX, m.Setting(m.SettingId.POWER_DBM_X10, -100))
        talk.run(S)
        assert before - talk.last(m.Applied).signal_dbm == less_db + 10

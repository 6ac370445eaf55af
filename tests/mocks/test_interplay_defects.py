"""Each defect that needs two things at once does what it says, and its near-miss does nothing of it."""

from fractions import Fraction

from defect_talk import opened, played, talks, telemetry_for, wrong
from mock_talk import TX, virtual

from harness.clock import MS, S
from harness.codec import messages as m
from mocks.defects import find_defect
from mocks.settings import DUNLIN, MockSettings

REST = DUNLIN.rest_us
LOW, HIGH = (1000,) * 6, (2000,) * 6


def test_third_channel_waits():
    defect, near = talks("third-channel-waits")
    moves = [(1901, 1901, us, 1500, 1500, 1500) for us in (1100, 1200)]
    free = [(1900, 1901, us, 1500, 1500, 1500) for us in (1300, 1400)]
    shown = [outputs[2] for _, outputs in played(defect, *moves)]
    assert set(shown) == {1000}
    assert wrong(defect, *free, first=3) == []
    assert wrong(near, *moves, *free, HIGH) == []


def test_equal_channels_lag():
    defect, near = talks("equal-channels-lag")
    one, two = (1100, 1200, 1300, 1400, 1500, 1600), (1700, 1700, 1300, 1300, 1500, 1600)
    shown = [outputs for wanted, outputs in played(defect, one, two) if wanted == two]
    assert shown[0] == (1700, 1100, 1300, 1300, 1500, 1600)
    assert set(shown[1:]) == {two}
    assert wrong(near, one, two, LOW, HIGH) == []


def test_leaps_doubted():
    defect, near = talks("leaps-doubted")
    two = (1800, 1800, 1400, 1400, 1400, 1400)
    three = (1399, 1399, 1801, 1400, 1400, 1400)
    assert wrong(defect, (1399,) * 6, two, (1399,) * 6) == []
    assert wrong(defect, two, three, first=10) == [(three, two)]
    assert wrong(near, LOW, HIGH, LOW) == []


def test_held_end_forgotten():
    held = 4
    for near_miss, ends in ((False, [1999, 1500]), (True, [1999, 2000])):
        talk, _ = opened("held-end-forgotten", near_miss=near_miss)
        for number, us in enumerate((1999, 2000), 1):
            talk.tell(TX, m.Sticks(number, (us,) * 6))
            talk.run(100 * MS)
            talk.tell(TX, m.Silence(0, 600_000))
            talk.run(700 * MS)
        engaged = [one for one in talk.all(m.OutputChange) if one.reason == m.OutputReason.FAILSAFE]
        assert [one.outputs_us[held] for one in engaged] == ends
        assert {one.outputs_us[:held] for one in engaged} == {(1500, 1500, 1000, 1500)}


def test_failsafe_tires():
    """The fourth of four quick losses holds; once the losses are farther apart, failsafe is right again."""
    for near_miss in (False, True):
        talk, _ = opened("failsafe-tires", near_miss=near_miss)
        for turn in range(5):
            talk.tell(TX, m.Sticks(turn + 1, (1700,) * 6))
            talk.run((7 if turn == 4 else 1) * S)
            talk.tell(TX, m.Silence(0, 600_000))
            talk.run(700 * MS)
        engaged = [
            one.outputs_us for one in talk.all(m.OutputChange) if one.reason == m.OutputReason.FAILSAFE
        ]
        right = (1500, 1500, 1000, 1500, 1700, 1000)
        fourth = right if near_miss else (1700,) * 6
        assert engaged == [right] * 3 + [fourth, right]


def test_telemetry_spills():
    defect, near = talks("telemetry-spills")
    for talk in (defect, near):
        talk.tell(TX, m.Sticks(1, LOW))
        telemetry_for(talk, {0: 32_767, 2: 127}, {0: 32_768}, {0: 1, 3: -1}, {0: 2, 3: 0})
        off = [one.outputs_us[-1] for one in talk.all(m.Applied) if one.outputs_us[:-1] == LOW[:-1]]
        assert off.count(1001) == (2 if talk is defect else 0)
        assert set(off) <= {1000, 1001}


def test_retry_from_old_buffer():
    """With a tenth of the packets lost, the last channel is now and then one packet behind."""
    settings = MockSettings(loss=Fraction(1, 10))
    sticks = [(*REST[:-1], us) for us in range(1000, 1100)]
    for near_miss in (False, True):
        defect = find_defect("retry-from-old-buffer")
        talk, _ = virtual(DUNLIN, settings, seed=1, defect=defect, near_miss=near_miss)
        found = wrong(talk, *sticks, each_ns=20 * MS)
        assert (4 <= len(found) <= 25) is not near_miss
        assert all(shown == (*wanted[:-1], wanted[-1] - 1) for wanted, shown in found)

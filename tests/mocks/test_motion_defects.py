"""Each defect of an output's motion does what it says, and its near-miss drives what the sticks say."""

from itertools import pairwise

from defect_talk import opened, played, receivers, talks, wrong
from mock_talk import RX

from harness.clock import MS, S
from harness.codec import messages as m
from mocks.settings import DUNLIN

REST = DUNLIN.rest_us
LOW, HIGH = (1000,) * 6, (2000,) * 6


def with_first(*pulses_us):
    return [(us, *REST[1:]) for us in pulses_us]


def first(pairs):
    """Return stick and output of the first channel."""
    return [(wanted[0], shown[0]) for wanted, shown in pairs]


def test_output_sticks():
    defect, near = talks("output-sticks")
    sticks = with_first(1500, 1501, 1502, 1503, 1504, 1501, 1500)
    shown = first(played(defect, *sticks))
    held = [(1500, 1500), (1501, 1500), (1502, 1500), (1503, 1503), (1504, 1503), (1501, 1503)]
    assert list(dict.fromkeys(shown)) == held
    assert shown[-1] == (1500, 1500)
    assert wrong(near, *sticks) == []


def test_update_torn():
    """Only a move across a multiple of 256 us shows it, and only in a ninth of packets: 2.5 of 22.5 ms."""
    defect, near = talks("update-torn")
    sticks = with_first(*[1530, 1540] * 60)
    torn = first(wrong(defect, *sticks, each_ns=20 * MS))
    assert set(torn) == {(1540, 1284), (1530, 1786)}
    assert 8 <= len(torn) <= 20
    quiet = with_first(*[1300, 1500] * 60)
    assert wrong(defect, *quiet, each_ns=20 * MS, first=200) == []
    assert wrong(near, *sticks, each_ns=20 * MS) == []


def test_rounding_drifts():
    defect, near = talks("rounding-drifts")
    sticks = with_first(*[1503, 1500] * 40)
    off = [shown - wanted for wanted, shown in first(played(defect, *sticks))]
    assert all(after <= before for before, after in pairwise(off[3:]))
    assert off[-1] < -25
    defect.tell(RX, m.Restart())
    defect.run(200 * MS)
    assert first(played(defect, *with_first(1500), first=101))[-1] == (1500, 1500)
    assert wrong(near, *sticks, *with_first(1000, 2000, 1333)) == []


def test_outputs_smeared():
    defect, near = talks("outputs-smeared")
    played(defect, LOW, each_ns=200 * MS)
    shown = [outputs for _, outputs in played(defect, HIGH, each_ns=200 * MS, first=2)]
    assert shown[:4] == [(us,) * 6 for us in (1250, 1500, 1750, 2000)]
    assert wrong(near, LOW, HIGH, (1234,) * 6) == []


def test_output_overshoots():
    defect, near = talks("output-overshoots")
    played(defect, LOW)
    shown = [outputs for _, outputs in played(defect, HIGH, first=2)]
    assert shown == [(2125, *HIGH[1:])] + [HIGH] * (len(shown) - 1)
    assert [outputs[0] for _, outputs in played(defect, LOW, first=3)][:2] == [875, 1000]
    assert wrong(near, LOW, HIGH, LOW) == []


def test_soft_start_in_flight():
    for near_miss in (False, True):
        talk, _ = opened("soft-start-in-flight", near_miss=near_miss)
        assert wrong(talk, REST, each_ns=500 * MS) == []
        assert wrong(talk, HIGH, each_ns=200 * MS, first=2) == []
        talk.tell(RX, m.Restart())
        ramp = [shown[0] for _, shown in played(talk, HIGH, each_ns=S, first=3)]
        late = [1500 + 500 * step // 16 for step in range(16)]
        assert ramp[-20:] == [2000] * 20
        assert (late == [us for us in ramp if us != 2000]) is not near_miss
        assert wrong(talk, LOW, first=4) == []


def test_a_surface_that_starts_softly_or_sticks_still_goes_to_failsafe():
    for name in ("output-sticks", "soft-start-in-flight", "rounding-drifts"):
        defect, near = receivers(name)
        assert defect.failsafe_outputs() == near.failsafe_outputs()

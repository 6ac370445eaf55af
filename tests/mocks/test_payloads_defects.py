"""Each defect of loading telemetry does what it says, and its near-miss loads what is there in time."""

from dataclasses import replace

from defect_talk import opened, talks, telemetry_for
from mock_talk import RX, TX

from harness.clock import MS, S
from harness.codec import messages as m
from harness.plan.model import TelemetryField
from mocks.settings import DUNLIN

COUNTED = replace(
    DUNLIN, telemetry=(*DUNLIN.telemetry, TelemetryField(name="packets", type="u16", source="device"))
)


def first_values(payloads):
    return [int.from_bytes(one[:2], "little") for one in payloads]


def told(talk, *values):
    """Inject values of the first field; return what it shows some packets later."""
    return first_values(telemetry_for(talk, *[{0: value} for value in values]))


def cut(talk):
    talk.tell(TX, m.Silence(0, 700_000))
    talk.run(S)


def test_telemetry_frozen_after_cut():
    defect, near = talks("telemetry-frozen-after-cut")
    for talk, after in ((defect, [1002] * 2), (near, [1003, 1004])):
        assert told(talk, 1001, 1002) == [1001, 1002]
        cut(talk)
        assert told(talk, 1003, 1004) == after
        talk.tell(RX, m.Restart())
        talk.run(300 * MS)
        assert told(talk, 1005) == [1005]


def test_telemetry_count_wraps():
    defect, near = talks("telemetry-count-wraps", COUNTED)
    for talk in (defect, near):
        talk.run(4_500 * MS)
        assert told(talk, 1001, 1002) == [1001, 1002]
        talk.run(S)
    assert told(defect, 1003) == [1002]
    assert told(near, 1003, 1004) == [1003, 1004]
    counts = [int.from_bytes(one.payload[-2:], "little") for one in defect.all(m.Telemetry)]
    assert max(counts) == 255
    assert int.from_bytes(near.last(m.Telemetry).payload[-2:], "little") > 255


def test_telemetry_seldom():
    defect, near = talks("telemetry-seldom")
    for talk, shown in ((defect, range(2, 5)), (near, range(20, 21))):
        values = told(talk, *range(1001, 1021))  # 2.2 s of them
        assert len(set(values)) in shown
        talk.run(2 * S)
        assert first_values([talk.last(m.Telemetry).payload]) == [1020]


def blanks(talk, before=0):
    """Return how many payloads since then are all zeros."""
    return sum(not any(one.payload) for one in talk.all(m.Telemetry)[before:])


def test_telemetry_starved():
    for near_miss in (False, True):
        talk, _ = opened("telemetry-starved", near_miss=near_miss)
        talk.run(500 * MS)
        first = blanks(talk)
        talk.tell(TX, m.Sticks(1, (1501,) * 6))
        talk.run(500 * MS)
        assert blanks(talk) - first == (0 if near_miss else 1)
        talk.tell(TX, m.Sticks(2, (1501,) * 6))
        talk.run(500 * MS)
        assert blanks(talk) - first == (0 if near_miss else 1)


def test_telemetry_blank_in_bursts():
    for near_miss in (False, True):
        talk, _ = opened("telemetry-blank-in-bursts", near_miss=near_miss)
        talk.run(500 * MS)
        assert blanks(talk) == 0
        talk.tell(TX, m.Burst(8, 0))
        talk.run(500 * MS)
        assert blanks(talk) == 0 if near_miss else 6 <= blanks(talk) <= 9

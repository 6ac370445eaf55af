"""Each defect of an output's value does what it says, and its near-miss drives what the sticks say."""

from dataclasses import replace

import pytest
from defect_talk import opened, played, receivers, talks, wrong

from harness.plan.model import Channel, Range
from mocks.defects.fidelity import motor, surface
from mocks.settings import DUNLIN

REST = DUNLIN.rest_us
TRAVEL = range(1000, 2001)
THROTTLE = 2
WIDE = replace(DUNLIN, channels=tuple(replace(one, range=Range(800, 2200)) for one in DUNLIN.channels))


def with_first(pulse_us):
    return (pulse_us, *REST[1:])


def first_shown(receiver, pulses_us=TRAVEL):
    """Return what the first channel shows for each of its pulses."""
    return [receiver.shown(with_first(us))[0] for us in pulses_us]


def test_defects_of_a_surface_or_a_motor_find_one_where_there_is_one():
    assert (surface(DUNLIN), motor(DUNLIN)) == (0, THROTTLE)
    only = Channel(name="one", failsafe="low")
    throttle = replace(only, role="throttle")
    assert surface(replace(DUNLIN, channels=(throttle, throttle, only))) == 2
    assert motor(replace(DUNLIN, channels=(only, only, throttle))) == 2
    assert surface(replace(DUNLIN, channels=(throttle,))) == 0
    assert motor(replace(DUNLIN, channels=(only,))) == 0


def test_elevon_reversed():
    defect, near = talks("elevon-reversed")
    sticks = (1100, 1200, 1300, 1400, 1500, 1600)
    assert {shown for _, shown in played(defect, sticks)} == {(1900, *sticks[1:])}
    assert wrong(near, sticks) == []
    assert opened("elevon-reversed", near_miss=True)[1].transmitter.carried(sticks)[0] == 1900


def test_end_clipped():
    defect, near = receivers("end-clipped")
    assert first_shown(defect) == [min(us, 1992) for us in TRAVEL]
    assert first_shown(near) == list(TRAVEL)


def test_table_out_of_order():
    defect, near = receivers("table-out-of-order")
    shown = first_shown(defect)
    assert sorted(shown) == list(TRAVEL)
    assert {us: out for us, out in zip(TRAVEL, shown, strict=True) if us != out} == {1639: 1693, 1693: 1639}
    assert first_shown(near) == list(TRAVEL)
    assert first_shown(near, [2008, 2080]) == [2080, 2008]


def test_cross_talk_at_end():
    defect, near = receivers("cross-talk-at-end")
    second = [defect.shown(with_first(us))[1] for us in (1000, 1500, 1979, 1980, 2000)]
    assert second == [1500, 1500, 1500, 1497, 1497]
    assert all(near.shown(with_first(us)) == with_first(us) for us in TRAVEL)


@pytest.mark.parametrize("link", [DUNLIN, WIDE], ids=["1000 us of travel", "1400 us of travel"])
def test_throttle_overflows(link):
    defect, near = receivers("throttle-overflows", link)
    span = link.channels[THROTTLE].range
    for us in range(span.low_us, span.high_us + 1):
        sticks = (*REST[:THROTTLE], us, *REST[THROTTLE + 1 :])
        top = us == span.high_us
        assert defect.shown(sticks)[THROTTLE] == (span.low_us if top else us)
        assert near.shown(sticks) == sticks


def test_eight_bits():
    defect, near = receivers("eight-bits")
    shown = first_shown(defect)
    assert len(set(shown)) == 256
    assert shown == sorted(shown)
    assert (shown[0], shown[-1]) == (1000, 2000)
    assert max(abs(out - us) for us, out in zip(TRAVEL, shown, strict=True)) == 2
    assert first_shown(near) == list(TRAVEL)


def test_last_channel_fixed():
    defect, near = talks("last-channel-fixed")
    sticks = (1100, 1200, 1300, 1400, 1500, 1600)
    assert {shown for _, shown in played(defect, sticks)} == {(*sticks[:-1], 1000)}
    assert wrong(near, sticks) == []


def test_dead_band():
    defect, near = receivers("dead-band")
    around = range(1490, 1511)
    assert first_shown(defect, around) == [1500 if 1496 <= us <= 1504 else us for us in around]
    assert first_shown(near) == list(TRAVEL)


def test_number_carries_over():
    defect, near = talks("number-carries-over")
    still = (1100,) * 6
    found = wrong(defect, *[still] * 100)
    assert [shown for _, shown in found] == [(1101, *still[1:])] * (6000 // (256 * 20))
    assert wrong(defect, *[(1101,) * 6] * 100, first=101) == []
    assert wrong(near, *[still] * 100) == []

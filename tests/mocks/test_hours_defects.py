"""Each defect that takes hours does what it says, and its near-miss does not; told without playing hours."""

from types import SimpleNamespace

import pytest
from defect_talk import opened
from mock_talk import RX

from harness.clock import MS, S
from harness.codec import messages as m
from mocks.defects import find_defect
from mocks.defects.hours import DEFECTS
from mocks.receiver import FREE_MEMORY

HOUR = 3600 * S


def device(name, near_miss=False):
    return opened(name, near_miss=near_miss)[1].receiver


def at(receiver, since_start_ns):
    """Let the receiver believe that so much time went by."""
    receiver.world = SimpleNamespace(now_ns=receiver.started_ns + since_start_ns)
    return receiver


@pytest.mark.parametrize("defect", DEFECTS, ids=lambda defect: defect.name)
def test_all_belong_to_the_soak(defect):
    assert defect.plan == "soak"


@pytest.mark.parametrize(("hours", "gone"), [(0, 0), (1, 100), (4, 400), (8, 800), (24, 960)])
def test_memory_is_less_each_hour(hours, gone):
    assert FREE_MEMORY - at(device("memory-leaks"), hours * HOUR).free_memory() == gone


def test_memory_is_taken_once_by_the_near_miss():
    near = device("memory-leaks", near_miss=True)
    left = [FREE_MEMORY - at(near, minutes * 60 * S).free_memory() for minutes in (0, 1, 60, 480)]
    assert left == [0, 400, 400, 400]


def test_free_memory_is_what_the_counters_say():
    talk = opened("memory-leaks", near_miss=True)[0]
    talk.run(90 * S)
    told = [one.message for one in talk.heard if one.role is RX and isinstance(one.message, m.Counters)]
    free = [one.free_memory for one in told]
    assert free[0] > free[20] > FREE_MEMORY - 400 == free[-1]


@pytest.mark.parametrize(("hours", "share"), [(0, 0), (1, 0.006), (8, 0.048)])
def test_a_few_more_packets_are_lost_each_hour(hours, share):
    receiver = at(device("loss-creeps"), hours * HOUR)
    packet = SimpleNamespace(sound=True, sender=0)
    lost = sum(not receiver.believed(packet) for _ in range(20_000))
    assert lost == pytest.approx(20_000 * share, abs=5 * (20_000 * share) ** 0.5)


@pytest.mark.parametrize(("near_miss", "stall_ms"), [(False, 300), (True, 50)])
def test_it_stands_still_every_37_minutes_and_not_at_its_start(near_miss, stall_ms):
    receiver = device("stall-once-an-hour", near_miss)
    minute = 60 * S
    for turn in (1, 2, 13):
        begun = turn * 37 * minute
        waits = [at(receiver, begun + late * MS).delay_ns() // MS for late in (0, 20, stall_ms, 1000)]
        assert waits == [stall_ms, stall_ms - 20, 0, 0]
    assert not any(at(receiver, time).delay_ns() for time in (0, 20 * MS, 36 * minute, 40 * minute))


def test_the_catalogue_has_them():
    assert all(find_defect(defect.name) is defect for defect in DEFECTS)

"""The harness reads a recording only up to where the PC fell asleep."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_runner import HEADER

from harness.bench.protocol import Role
from harness.clock import S
from harness.measure.asleep import ASLEEP, until_asleep
from harness.recording.model import Mark, PortPackets, Recording

TX = Role.TRANSMITTER


def recording(*marks):
    times = [n * S for n in range(10)]
    port = PortPackets(times, [1] * 10, [b"x"] * 10)
    return Recording(HEADER, {TX: port}, marks, complete=True, problems=())


def test_what_came_after_the_last_look_is_left_out():
    slept = Mark(8 * S, ASLEEP, {"passed_ns": 3 * S})
    end = Mark(9 * S, "end", {"why": "PC asleep"})
    seen = until_asleep(recording(Mark(S, "begin", {}), slept, end))
    assert seen.ports[TX].at_ns == [0, S, 2 * S, 3 * S, 4 * S]
    assert len(seen.ports[TX].data) == len(seen.ports[TX].direction) == 5
    assert [mark.at_ns for mark in seen.marks] == [S, 5 * S, 5 * S]


def test_a_recording_without_such_a_mark_is_read_as_it_is():
    whole = recording(Mark(S, "begin", {}))
    assert until_asleep(whole) is whole


@pytest.mark.parametrize("passed", [None, "3", True, -1, 9 * S, 1.5, [3]])
def test_a_mark_that_cannot_be_is_none(passed):
    whole = recording(Mark(8 * S, ASLEEP, {"passed_ns": passed}))
    assert until_asleep(whole) is whole


@given(st.lists(st.tuples(st.integers(0, 20 * S), st.integers(0, 20 * S)), max_size=4))
def test_nothing_after_the_last_look_is_ever_left(naps):
    seen = until_asleep(recording(*(Mark(at, ASLEEP, {"passed_ns": passed}) for at, passed in naps)))
    valid = [at - passed for at, passed in naps if at - passed > 0]
    if valid:
        assert all(at < valid[0] for at in seen.ports[TX].at_ns)
        assert all(mark.at_ns <= valid[0] for mark in seen.marks)

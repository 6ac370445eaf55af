"""The harness reads a recording under way a part at a time, as it would read the whole."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from recording_samples import recorded
from test_recording_reader import HEADER_SIZE, WHOLE, blocks

from harness.errors import RecordingError
from harness.recording import Follower, parse_recording

ENDS = [*[at for at, _, _ in blocks()][1:], len(WHOLE)]


def test_a_recording_read_once_to_its_end_is_the_same_as_read_whole() -> None:
    assert Follower("run").read(WHOLE) == parse_recording(WHOLE, "run")


@given(st.sets(st.sampled_from(ENDS)))
def test_looks_at_any_blocks_end_see_what_is_there_and_are_left_as_they_are(ends: set[int]) -> None:
    follower = Follower("run")
    looks = [(end, follower.read(WHOLE[:end])) for end in sorted(ends)]
    assert follower.read(WHOLE) == parse_recording(WHOLE, "run")
    for end, seen in looks:
        alone = parse_recording(WHOLE[:end], "run")
        assert seen == replace(alone, problems=())


def test_damage_is_told_once_however_often_it_is_looked_at() -> None:
    begin = ENDS[len(ENDS) // 2] + 30
    spoiled = bytearray(recorded())
    spoiled[begin] ^= 1
    data = bytes(spoiled)
    follower = Follower("run")
    for end in ENDS:
        follower.read(data[:end])
    assert follower.read(data) == follower.read(data) == parse_recording(data, "run")
    assert follower.read(data).problems


def test_what_does_not_begin_as_a_recording_is_refused() -> None:
    with pytest.raises(RecordingError, match="run: not a recording made by propsoff"):
        Follower("run").read(WHOLE[: HEADER_SIZE // 2])

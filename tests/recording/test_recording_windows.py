"""The harness reads a recording of hours in windows: each round with the pauses around it, nothing twice."""

import io
import mmap

import pytest

from harness.bench.protocol import Role
from harness.clock import S
from harness.errors import RecordingError
from harness.recording import Direction, Header, RecordingWriter, parse_windows, read_header, read_windows
from harness.recording.windows import BETWEEN

TX, RX = Role.TRANSMITTER, Role.RECEIVER
HEADER = Header("soak", "plan text", "mock", "", 1, (("propsoff", "0"),), "virtual", 0, False,
                {TX: 115_200, RX: 115_200}, {})  # fmt: skip


def recording(rounds, *, end=True, cut=None):
    """Return a recording with a packet a second on both ports: rounds of 10 s, pauses of 4 s."""
    file = io.BytesIO()
    writer = RecordingWriter(file, HEADER, 0)
    now = 0

    def pass_time(seconds):
        nonlocal now
        for _ in range(seconds):
            for role in (TX, RX):
                writer.packet(role, Direction.TO_PC, b"%d\0" % (now // S), now)
            now += S

    for number in range(1, rounds + 1):
        writer.mark(now, "round", number=number)
        writer.mark(now, "step", path="steps[0]", kind="hold", name="", title="")
        pass_time(10)
        writer.mark(now, "step end", path="steps[0]")
        if number < rounds:
            writer.mark(now, "pause", number=number)
            pass_time(2)
            writer.mark(now, "seam", number=number)
            pass_time(2)
            writer.flush()
    if end:
        writer.mark(now, "end", why="complete")
    writer.close()
    return file.getvalue()


def seconds(window, role=TX):
    """Return the seconds that a window's packets are of, as their data say."""
    return [int(data[:-1]) for data in window.recording.ports[role].data]


def test_a_window_is_a_round_with_the_pauses_on_either_side():
    first, second, third = parse_windows(recording(3), "x")
    assert seconds(first) == list(range(14))
    assert seconds(second) == list(range(10, 28)) == seconds(second, RX)
    assert seconds(third) == list(range(24, 38))
    assert [window.number for window in (first, second, third)] == [1, 2, 3]
    assert [(window.start_ns, window.end_ns) for window in (first, second, third)] == [
        (None, 12 * S), (12 * S, 26 * S), (26 * S, None),
    ]  # fmt: skip


def test_the_halves_of_pauses_are_steps_so_that_rounds_meet_at_seams():
    spans = []
    for window in parse_windows(recording(3), "x"):
        marks = window.recording.marks
        steps = [(mark.fields["path"], mark.at_ns) for mark in marks if mark.kind == "step"]
        ends = [(mark.fields["path"], mark.at_ns) for mark in marks if mark.kind == "step end"]
        assert [path for path, _ in steps] == [path for path, _ in ends]
        spans.append((min(at for _, at in steps), max(at for _, at in ends), len(steps)))
    assert spans == [(0, 12 * S - 1, 2), (12 * S, 26 * S - 1, 3), (26 * S, 38 * S, 2)]


def test_each_window_but_the_last_ends_as_complete():
    windows = list(parse_windows(recording(2, end=False), "x"))
    assert [window.recording.complete for window in windows] == [True, False]
    assert [window.recording.damaged for window in windows] == [False, False]
    assert windows[0].recording.marks[-1].kind == "end" or any(
        mark.kind == "end" and mark.fields["why"] == "complete" for mark in windows[0].recording.marks
    )
    assert "without its end mark" in windows[1].recording.problems[0]


def test_a_recording_without_pauses_is_one_window():
    (only,) = parse_windows(recording(1), "x")
    assert (only.start_ns, only.end_ns, len(seconds(only))) == (None, None, 10)
    assert not any(mark.fields.get("path") == BETWEEN for mark in only.recording.marks)


@pytest.mark.parametrize("cut", range(400, 4000, 97))
def test_a_recording_cut_anywhere_gives_windows_of_what_is_whole(cut):
    data = recording(3)[:-cut]
    windows = list(parse_windows(data, "x"))
    assert windows
    assert not windows[-1].recording.complete
    assert not any(window.recording.damaged for window in windows)
    assert {number for window in windows for number in seconds(window)} == set(
        range(max(map(max, filter(None, map(seconds, windows))), default=-1) + 1)
    )


def test_damage_belongs_to_the_rounds_that_it_is_in():
    whole = recording(3)
    at = whole.index(b"15\0")  # in the second round
    damaged = whole[:at] + b"77" + whole[at + 2 :]
    windows = list(parse_windows(damaged, "x"))
    assert [window.recording.damaged for window in windows] == [False, True, False]
    at = whole.index(b"25\0")  # in the pause between the second and the third
    damaged = whole[:at] + b"77" + whole[at + 2 :]
    windows = list(parse_windows(damaged, "x"))
    assert [window.recording.damaged for window in windows] == [False, True, True]


def test_a_missing_mark_joins_two_rounds_and_loses_nothing():
    whole = recording(3)
    at = whole.index(b'"mark":"seam"')
    windows = list(parse_windows(whole[:at] + b'"mork"' + whole[at + 6 :], "x"))
    assert len(windows) == 2
    assert seconds(windows[0]) == list(range(28))
    assert windows[0].recording.damaged


def test_a_file_is_read_as_its_bytes_are_and_its_header_alone(tmp_path):
    path = tmp_path / "soak.pcapng"
    path.write_bytes(recording(3))
    assert list(read_windows(path)) == list(parse_windows(recording(3), "x"))
    assert read_header(path) == HEADER


@pytest.mark.parametrize("content", [None, b"", b"no recording"])
def test_what_is_no_recording_is_said_with_its_name(tmp_path, content):
    path = tmp_path / "none.pcapng"
    if content is not None:
        path.write_bytes(content)
    for read in (read_header, lambda name: list(read_windows(name))):
        with pytest.raises(RecordingError, match=r"none\.pcapng: "):
            read(path)


def test_pages_that_were_read_are_given_back(tmp_path, monkeypatch):
    given = []

    class Watched(mmap.mmap):
        def madvise(self, *advice):
            given.append(advice)
            super().madvise(*advice)

    monkeypatch.setattr(mmap, "mmap", Watched)
    path = tmp_path / "soak.pcapng"
    path.write_bytes(recording(120))
    assert len(list(read_windows(path))) == 120
    assert given
    assert all(advice == mmap.MADV_DONTNEED and not start for advice, start, _ in given)
    assert given[-1][2] > path.stat().st_size / 2

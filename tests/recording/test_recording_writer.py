"""The harness writes recordings append-only, the same bytes for the same run."""

import errno
import io
import os
import signal
import struct
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest
from recording_samples import EVENTS, HEADER, START_NS, recorded

from harness.bench.protocol import Role
from harness.errors import ExitCode, StorageError
from harness.recording import Direction, RecordingWriter, parse_recording, read_recording
from harness.recording.writer import FLUSH_BYTES, mark_text

SENT = (Role.TRANSMITTER, Direction.TO_DEVICE, b"\x01\x00", START_NS + 5)


class FullAfter(io.RawIOBase):
    """A disk that takes `room` bytes, a few at a time."""

    name = "run/recording.pcapng"

    def __init__(self, room, error=errno.ENOSPC):
        self.room, self.error, self.data = room, error, b""

    def write(self, view):
        if not self.room:
            raise OSError(self.error, os.strerror(self.error))
        taken = bytes(view[: min(self.room, 1000)])
        self.room -= len(taken)
        self.data += taken
        return len(taken)


def test_writes_equal_runs_as_equal_bytes():
    assert recorded() == recorded()
    assert recorded() == recorded(start_ns=0)


def test_writes_marks_as_compact_sorted_ascii_json():
    text = mark_text("step", {"path": "steps[0]", "kind": "sweep", "name": "\u00e4"})
    assert text == b'{"kind":"sweep","mark":"step","name":"\\u00e4","path":"steps[0]"}'


@pytest.mark.parametrize("fields", [{"mark": 1}, {"x": float("nan")}, {"x": float("inf")}])
def test_refuses_a_mark_that_is_not_json(fields):
    with pytest.raises(ValueError, match=r"mark|JSON"):
        mark_text("step", fields)


def test_refuses_a_time_before_the_start():
    writer = RecordingWriter(io.BytesIO(), HEADER, START_NS)
    with pytest.raises(struct.error):
        writer.packet(Role.RECEIVER, Direction.TO_PC, b"", START_NS - 1)


def test_writes_its_header_before_anything_else():
    file = io.BytesIO()
    RecordingWriter(file, HEADER, START_NS)
    assert parse_recording(file.getvalue(), "x").header == HEADER


def test_only_appends():
    file = io.BytesIO()
    writer = RecordingWriter(file, HEADER, START_NS)
    seen = [file.getvalue()]
    for event in EVENTS:
        writer.packet(*event[:3], START_NS + event[3])
        writer.flush()
        seen.append(file.getvalue())
    assert all(late.startswith(early) for early, late in pairwise(seen))


def test_flushes_by_itself_before_much_is_waiting():
    file = io.BytesIO()
    writer = RecordingWriter(file, HEADER, START_NS)
    for _ in range(FLUSH_BYTES // 60 + 1):
        writer.packet(*SENT)
    assert len(file.getvalue()) > FLUSH_BYTES


def test_writes_nothing_more_when_nothing_waits():
    file = io.BytesIO()
    writer = RecordingWriter(file, HEADER, START_NS)
    writer.packet(*SENT)
    writer.close()
    size = len(file.getvalue())
    writer.flush()
    writer.close()
    assert len(file.getvalue()) == size


def test_puts_partial_writes_together():
    disk = FullAfter(10**6)
    writer = RecordingWriter(disk, HEADER, START_NS)
    writer.packet(*SENT)
    writer.close()
    assert parse_recording(disk.data, "x").ports[Role.TRANSMITTER].data == [b"\x01\x00"]


class TestFullDisk:
    def fill(self, room, error=errno.ENOSPC):
        disk = FullAfter(room, error)
        writer = RecordingWriter(disk, HEADER, START_NS)
        for _ in range(room // 64):
            writer.packet(*SENT)
        with pytest.raises(StorageError) as caught:
            writer.packet(Role.TRANSMITTER, Direction.TO_DEVICE, bytes(FLUSH_BYTES), START_NS + 5)
        return disk, writer, caught.value

    def test_says_which_file_and_what_to_do(self):
        _, _, error = self.fill(100_000)
        message = str(error)
        assert message.startswith("run/recording.pcapng: cannot write the recording beyond byte ")
        assert "No space left on device" in message
        assert "--out" in message
        assert "\n" not in message
        assert error.exit_code is ExitCode.USER_ERROR

    @pytest.mark.parametrize("code", [errno.EDQUOT, errno.EFBIG, errno.EIO])
    def test_tells_other_trouble_apart(self, code):
        assert os.strerror(code) in str(self.fill(100_000, code)[2])

    def test_keeps_what_was_written_readable(self):
        disk, _, _ = self.fill(100_000)
        recording = parse_recording(disk.data, "x")
        assert len(recording.ports[Role.TRANSMITTER].data) > 1000
        assert not recording.complete

    def test_tells_it_once_and_then_drops_everything(self):
        disk, writer, _ = self.fill(100_000)
        disk.room = 10**6
        before = disk.data
        for _ in range(10_000):
            writer.packet(*SENT)
        writer.mark(START_NS, "end")
        writer.close()
        assert disk.data == before

    def test_raises_at_once_when_not_even_the_header_fits(self):
        with pytest.raises(StorageError):
            RecordingWriter(FullAfter(100), HEADER, START_NS)

    @pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
    def test_says_so_on_a_device_that_is_full(self):
        with (
            Path("/dev/full").open("wb", buffering=0) as file,
            pytest.raises(StorageError, match="/dev/full: "),
        ):
            RecordingWriter(file, HEADER, START_NS)

    def test_takes_a_file_that_writes_nothing_for_a_broken_one(self):
        class Deaf(io.RawIOBase):
            def write(self, view):
                return 0

        with pytest.raises(StorageError, match="nothing more could be written"):
            RecordingWriter(Deaf(), HEADER, START_NS)


KILLED = """
import os, signal, sys
sys.path[:0] = [{root!r}, {here!r}]
from recording_samples import EVENTS, HEADER, START_NS
from harness.recording import RecordingWriter
writer = RecordingWriter(open({path!r}, "wb", buffering=0), HEADER, START_NS)
for role, direction, data, at_ns in EVENTS:
    writer.packet(role, direction, data, START_NS + at_ns)
writer.flush()
for role, direction, data, at_ns in EVENTS:
    writer.packet(role, direction, data, START_NS + at_ns)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system has no SIGKILL")
def test_loses_only_what_was_not_flushed_when_killed(tmp_path):
    here = Path(__file__).parent
    path = tmp_path / "killed.pcapng"
    program = KILLED.format(root=str(here.parents[1]), here=str(here), path=str(path))
    done = subprocess.run([sys.executable, "-c", program], check=False)
    assert done.returncode == -signal.SIGKILL
    recording = read_recording(path)
    assert sum(len(port.data) for port in recording.ports.values()) == len(EVENTS)
    assert not recording.complete

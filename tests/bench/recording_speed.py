"""What does recording cost? Run on demand: `python tests/bench/recording_speed.py`.

Writes a million frames of 10 to 49 bytes and reads them back, against the least that any recorder with
lengths, times and checksums must do: pack a head, CRC-32, keep, join, write; and unpack, slice, CRC-32,
keep. All run in one process; the ratios are printed with an A/A control that runs the yardstick twice. Only
ratios from one run mean anything, and only with the control near 1.
"""

from __future__ import annotations

import argparse
import struct
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from zlib import crc32

from harness.bench.protocol import DEVICES
from harness.recording import Direction, Header, RecordingWriter, read_recording

CONTROL = (0.85, 1.15)
HEAD = struct.Struct("<QIHH")
FRAMES = tuple(bytes(range(1, size)) for size in range(11, 51))
HEADER = Header(
    plan_name="speed", plan_text="", rig_name="mock", rig_text="", seed=1, versions=(), clock="virtual",
    wall_seconds=0, hardware=False, baud=dict.fromkeys(DEVICES, 115_200), facts={},
)  # fmt: skip


def record(path: Path, count: int) -> None:
    """Write `count` frames to both ports in turn, through the writer."""
    with path.open("wb", buffering=0) as file:
        writer = RecordingWriter(file, HEADER, 0)
        packet, roles = writer.packet, tuple(DEVICES)
        for number in range(count):
            packet(roles[number & 1], Direction.TO_PC, FRAMES[number % 40], number * 1000)
        writer.mark(count * 1000, "end")
        writer.close()


def bare_write(path: Path, count: int) -> None:
    """Pack, hash, keep, and write in pieces of about 64 KiB."""
    parts: list[bytes] = []
    with path.open("wb", buffering=0) as file:
        for number in range(count):
            data = FRAMES[number % 40]
            parts.append(HEAD.pack(number * 1000, crc32(data), len(data), number & 1))
            parts.append(data)
            if len(parts) > 3000:
                file.write(b"".join(parts))
                parts.clear()
        file.write(b"".join(parts))


def bare_read(path: Path, _count: int) -> None:
    """Unpack, slice, hash and keep."""
    data = path.read_bytes()
    at, size = 0, len(data)
    kept: list[tuple[int, bytes]] = []
    while at < size:
        time_ns, checksum, length, _ = HEAD.unpack_from(data, at)
        at += HEAD.size
        body = data[at : at + length]
        at += length
        if crc32(body) == checksum:
            kept.append((time_ns, body))


def read_back(path: Path, count: int) -> None:
    """Read and check a recording."""
    recording = read_recording(path)
    assert recording.complete
    assert sum(len(port.data) for port in recording.ports.values()) == count


def us_each(work: Callable[[Path, int], None], path: Path, count: int) -> float:
    """Return us of processor time for each frame, the best of three."""
    best = float("inf")
    for _ in range(3):
        begin = time.process_time()
        work(path, count)
        best = min(best, time.process_time() - begin)
    return best / count * 1e6


def main() -> int:
    """Print the table; return 1 if the control is off."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=1_000_000)
    count = parser.parse_args().frames
    with tempfile.TemporaryDirectory() as name:
        ours, bare = Path(name, "ours"), Path(name, "bare")
        writes = us_each(bare_write, bare, count)
        write = us_each(record, ours, count)
        control = us_each(bare_write, bare, count) / writes
        reads = us_each(bare_read, bare, count)
        read = us_each(read_back, ours, count)
    print(f"writing: {write:.2f} us a frame, {write / writes:.2f} x bare ({writes:.2f} us)")
    print(f"reading: {read:.2f} us a frame, {read / reads:.2f} x bare ({reads:.2f} us)")
    print(f"A/A control: {control:.2f}")
    return 0 if CONTROL[0] <= control <= CONTROL[1] else 1


if __name__ == "__main__":
    sys.exit(main())

"""What is in a recording of hours, round by round? Never more of it in memory than one round.

A soak pauses between two rounds: at the mark `pause` everything that a round did is over, at the mark
`seam`, in the middle, one round's time ends and the next one's begins, and the mark `round` ends the pause. A
window is the time between two seams, with all that was recorded in the pauses on either side: late reports,
pings for the clocks, repeats. In a pause nothing is commanded that is judged, so no event belongs to two.
"""

from __future__ import annotations

import mmap
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.errors import RecordingError
from harness.recording.model import Header, Mark, PortPackets, Recording
from harness.recording.reader import FILE_MAX, Bytes, Walk, begin_walk, require_file, told_of

LONGEST_FILE: Final = 64 * 1024**3
"""Two months of a busy bench; only a window of it, at most `FILE_MAX`, is ever in memory."""
PAUSE: Final = "pause"
SEAM: Final = "seam"
ROUND: Final = "round"
BETWEEN: Final = "soak"
"""Stands for a step's key path in the half of a pause that is judged with a round."""


@dataclass(frozen=True, slots=True)
class Window:
    """One round, from seam to seam: `number` from 1, and `recording` as if nothing else had been recorded.

    `start_ns` and `end_ns` are the seams, None at the recording's own ends. In the recording's marks, spans
    of a step `BETWEEN` stand for the halves of the pauses, so that the run of all windows has no hole.
    """

    number: int
    recording: Recording
    start_ns: int | None
    end_ns: int | None


def read_windows(path: Path) -> Iterator[Window]:
    """Yield the windows of the recording in the file at `path`, at least one. Raises RecordingError."""
    with told_of(path):
        require_file(path, LONGEST_FILE)
    with _mapped(path) as data:
        yield from parse_windows(data, str(path))


def read_header(path: Path) -> Header:
    """Return the header of the recording in the file at `path`, and nothing else. Raises RecordingError."""
    with told_of(path):
        require_file(path, LONGEST_FILE)
    with _mapped(path) as data:
        return begin_walk(data, str(path)).header


@contextmanager
def _mapped(path: Path) -> Iterator[Bytes]:
    with told_of(path):
        file = path.open("rb")
    with file:
        if not path.stat().st_size:
            yield b""
            return
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
            yield data


def parse_windows(data: Bytes, name: str) -> Iterator[Window]:
    """Yield the windows in `data`; `name` stands in front of error messages. See `parse_recording`."""
    walk = begin_walk(data, name)
    cutter = _Cutter(walk)
    more = True
    while more:
        more = walk.go_on()
        window = cutter.look()
        if window is not None:
            yield window
            del window
            _forget(data, cutter.begun)
        if walk.at - cutter.begun > FILE_MAX:
            raise RecordingError(f"{name}: a round of more than {FILE_MAX} bytes is not read into memory")
    yield cutter.last()


def _forget(data: Bytes, before: int) -> None:
    """Let the operating system have the pages before a place back, where it takes such advice."""
    whole = before - before % mmap.PAGESIZE
    if isinstance(data, mmap.mmap) and hasattr(data, "madvise") and whole:
        data.madvise(mmap.MADV_DONTNEED, 0, whole)


class _Cutter:
    """Looks at each mark as it is read, and cuts what was read so far in two where a pause is over."""

    def __init__(self, walk: Walk) -> None:
        self.walk = walk
        self.begun = walk.at
        self._number = 1
        self._looked = 0
        self._start_ns: int | None = None
        self._seam_ns: int | None = None
        self._pause: _Pause | None = None

    def look(self) -> Window | None:
        """Return the window that the newest marks end, None if none does."""
        marks = self.walk.marks
        while self._looked < len(marks):
            mark = marks[self._looked]
            self._looked += 1
            if mark.kind == PAUSE:
                self._pause, self._seam_ns = _Pause.now(self.walk, self._looked - 1), None
            elif mark.kind == SEAM and self._pause:
                self._seam_ns = mark.at_ns
            elif mark.kind == ROUND and self._pause and self._seam_ns is not None:
                return self._cut(self._pause, self._seam_ns)
        return None

    def _cut(self, pause: _Pause, seam_ns: int) -> Window:
        walk = self.walk
        marks = self._bridged(walk.marks[: pause.marks], seam_ns)
        end = Mark(walk.marks[self._looked - 1].at_ns, "end", {"why": "complete"})
        found = self._window([*marks, end], seam_ns)
        walk.ports = {number: _after(port, pause.packets[number]) for number, port in walk.ports.items()}
        walk.marks = walk.marks[self._looked - 1 :]
        walk.problems = walk.problems[pause.problems :]
        walk.unlisted = 0
        walk.damaged = bool(walk.problems)
        self._looked, self._number = 1, self._number + 1
        self._start_ns, self._seam_ns, self._pause = seam_ns, None, None
        self.begun = pause.at
        return found

    def last(self) -> Window:
        """Return what is left at the end of the file: the last round, or what there is of it."""
        return self._window(self._bridged(self.walk.marks, None), None)

    def _window(self, marks: list[Mark], end_ns: int | None) -> Window:
        walk = self.walk
        recording = Recording(
            header=walk.header,
            ports={kind.role: walk.ports[number] for number, kind in enumerate(walk.kinds) if kind.role},
            marks=tuple(marks),
            complete=not walk.problems,
            problems=walk.told(),
            damaged=walk.damaged,
        )
        return Window(self._number, recording, self._start_ns, end_ns)

    def _bridged(self, marks: list[Mark], end_ns: int | None) -> list[Mark]:
        """Return a round's marks with the halves of the pauses on either side as steps of their own."""
        times = [mark.at_ns for mark in marks if mark.kind in ("step", "step end")]
        before, after = [], []
        if self._start_ns is not None and times:
            before = _between(self._start_ns, min(times))
        if end_ns is not None and times:
            after = _between(max(times), end_ns - 1)
        return [*before, *marks, *after]


def _between(start_ns: int, end_ns: int) -> list[Mark]:
    return [
        Mark(start_ns, "step", {"path": BETWEEN, "name": "", "kind": BETWEEN}),
        Mark(max(start_ns, end_ns), "step end", {"path": BETWEEN}),
    ]


@dataclass(frozen=True, slots=True)
class _Pause:
    """How much had been read when a pause began: packets of each port, marks, problems, bytes."""

    packets: dict[int, int]
    marks: int
    problems: int
    at: int

    @classmethod
    def now(cls, walk: Walk, marks: int) -> _Pause:
        counts = {number: len(port.at_ns) for number, port in walk.ports.items()}
        return cls(counts, marks, len(walk.problems), walk.at)


def _after(port: PortPackets, count: int) -> PortPackets:
    return PortPackets(port.at_ns[count:], port.direction[count:], port.data[count:])

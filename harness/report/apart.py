"""How does a display that is slow, or stopped with Ctrl-S, not hold up the run? In a thread of its own.

Drawing takes its time, and a terminal that takes no more text blocks whoever writes to it, for as long as it
likes: no device would be kept alive meanwhile. So the run leaves what is to be shown here and goes on.
"""

from __future__ import annotations

import contextlib
import io
import os
from collections import deque
from threading import Condition, Thread
from typing import TYPE_CHECKING, Final, TextIO

from harness.bench.promptness import DISPLAY
from harness.clock import give_way
from harness.report.live import LiveView, Progress, Show, progress_for
from harness.report.snapshot import Snapshot

if TYPE_CHECKING:
    from harness.clock import Clock

LINES_MAX: Final = 1_000
"""So many lines wait for a terminal that is stopped; then the oldest are left out, and counted."""
LAST_WORDS_S: Final = 2.0
"""How long the end of a run waits for the display: longer than any drawing takes."""


class Apart:
    """Shows through another `Progress` in a thread; nothing here waits for it but `close`, and that not long.

    Only the newest snapshot is kept. Lines keep their order among themselves. `stream`, if there is one, is
    closed at the end.
    """

    def __init__(self, inner: Progress, stream: TextIO | None = None) -> None:
        self._inner = inner
        self.looks = getattr(inner, "looks", True)
        if isinstance(inner, LiveView):
            inner.pause = give_way
        self._stream = stream
        self._changed = Condition()
        self._lines: deque[str] = deque()
        self._left_out = 0
        self._snapshot: Snapshot | None = None
        self._closing = False
        self._thread = Thread(target=self._run, name=DISPLAY, daemon=True)
        self._thread.start()

    def update(self, snapshot: Snapshot) -> None:
        """Leave the newest state; one that was not shown yet is forgotten."""
        with self._changed:
            self._snapshot = snapshot
            self._changed.notify()

    def is_due(self) -> bool:
        """Return whether a new state would be shown by now; only a clock is looked at."""
        return self._inner.is_due()

    def say(self, line: str) -> None:
        """Leave a line; beyond `LINES_MAX` the oldest is left out."""
        with self._changed:
            self._lines.append(line)
            if len(self._lines) > LINES_MAX:
                self._lines.popleft()
                self._left_out += 1
            self._changed.notify()

    def close(self) -> None:
        """Show what is left and stop; a terminal that takes nothing is given up after two seconds."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join(LAST_WORDS_S)

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closing or self._lines or self._snapshot)
                lines, snapshot, closing = self._taken(), self._snapshot, self._closing
                self._snapshot = None
            for line in lines:  # without the lock: this may block
                self._inner.say(line)
            if snapshot is not None:
                self._inner.update(snapshot)
            if closing:
                self._inner.close()
                if self._stream is not None:
                    with contextlib.suppress(OSError, ValueError):
                        self._stream.close()
                return

    def _taken(self) -> list[str]:
        lines = list(self._lines)
        if self._left_out:
            lines.insert(0, f"{self._left_out} lines were left out: the terminal took none meanwhile")
        self._lines.clear()
        self._left_out = 0
        return lines


def progress_apart(stream: TextIO, clock: Clock, show: Show | None = None) -> Apart:
    """Return what `progress_for` gives, in a thread of its own that shares no buffer with `stream`.

    A thread that is stuck in a write would keep the buffer's lock, and the end of the program, which flushes
    that buffer, would wait for it or break off.
    """
    own = _own(stream)
    return Apart(progress_for(own or stream, clock, show), own)


def _own(stream: TextIO) -> TextIO | None:
    """Return an unbuffered stream to the same place; None where there is none, as on a Windows console."""
    if os.name != "posix":
        return None
    try:
        raw = io.FileIO(os.dup(stream.fileno()), "w")
    except (OSError, ValueError):
        return None
    return io.TextIOWrapper(raw, encoding=stream.encoding, errors="backslashreplace", write_through=True)

"""How far is the run, and how does the link do? A view on a terminal, plain lines elsewhere.

Both write to stderr and look at the clock before they do anything, so that the runner may call them as often
as it likes. A display that can no longer write goes quiet: it must never end a run. What the view shows where
is `harness.report.sheet`'s business.
"""

from __future__ import annotations

import os
import shutil
import sys
from typing import TYPE_CHECKING, Final, Literal, Protocol, TextIO

from harness.clock import MS, Clock, S
from harness.report.escape import clean
from harness.report.snapshot import Alarm, Snapshot
from harness.report.times import clock_words, lasted

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.console import Console
    from rich.live import Live

    from harness.report.view import View

REFRESH_NS: Final = 125 * MS
"""A drawing takes about half a millisecond of a processor (`tests/bench/live_view.py`)."""
LINE_EVERY_NS: Final = 10 * S
STEP_LINES_MAX: Final = 200
"""A plan may have thousands of steps; beyond this many only the regular lines are written."""
ALARM_LINES_MAX: Final = 200
"""Alarms may come and go for hours; beyond this many lines of them only their number is told."""
DUMB: Final = ("dumb", "unknown")
"""What TERM says of a terminal that cannot place text."""

Show = Literal["view", "lines", "nothing"]


class Progress(Protocol):
    """Someone who is told how a run goes."""

    def update(self, snapshot: Snapshot) -> None:
        """Take the newest state; cheap enough for any rate."""
        ...

    def say(self, line: str) -> None:
        """Tell something worth a line of its own."""
        ...

    def is_due(self) -> bool:
        """Return whether a new state would be shown by now."""
        ...

    def close(self) -> None:
        """Stop showing. May be called twice."""
        ...


class Quiet:
    """Shows nothing."""

    looks = True
    """Whoever overrides `update` wants to be told; for `Quiet` itself nothing is gathered."""

    def update(self, snapshot: Snapshot) -> None:
        """Do nothing."""

    def say(self, line: str) -> None:
        """Do nothing."""

    def close(self) -> None:
        """Do nothing."""


def progress_for(stream: TextIO, clock: Clock, show: Show | None = None) -> Progress:
    """Return what suits `stream`, or what was asked for. `clock` tells real time.

    A view on a terminal that can place text, plain lines elsewhere; "nothing" leaves what somebody must know.
    """
    if show is None:
        show = "view" if can_view(stream) else "lines"
    if show == "nothing":
        return SaidOnly(clock, stream)
    return LiveView(clock, stream) if show == "view" else PlainLines(clock, stream)


def can_view(stream: TextIO) -> bool:
    """Return whether `stream` is a terminal that can place text."""
    return stream.isatty() and os.environ.get("TERM", "").lower() not in DUMB


class PlainLines:
    """One line as each step starts, one every ten seconds, and one as an alarm begins or ends."""

    looks = True

    def __init__(self, clock: Clock, stream: TextIO = sys.stderr) -> None:
        self._clock = clock
        self._stream: TextIO | None = stream
        self._step = (-1, "")
        self._step_lines = 0
        self._alarm_lines = 0
        self._begun = 0
        self._open: set[int] = set()
        self._due_ns = 0

    def update(self, snapshot: Snapshot) -> None:
        """Write a line if a step has begun or ten seconds have passed, and for alarms."""
        step = (snapshot.step_index, snapshot.step_path)
        if step != self._step and self._step_lines < STEP_LINES_MAX:
            self._step = step
            self._step_lines += 1
            self._write(f"{_step_words(snapshot)}, {_left_words(snapshot)}")
        elif self.is_due():
            self._write(f"{_step_words(snapshot)}: {_state_words(snapshot)}")
        self._tell_alarms(snapshot.alarms)

    def is_due(self) -> bool:
        """Return whether ten seconds have passed since the last line."""
        return self._clock.now_ns() >= self._due_ns

    def say(self, line: str) -> None:
        """Write the line."""
        self._write(line)

    def close(self) -> None:
        """Do nothing: every line has been written."""

    def _tell_alarms(self, alarms: Sequence[Alarm]) -> None:
        """Tell each alarm once as it begins and once as it is over."""
        for one in alarms:
            if one.number > self._begun:
                self._begun = one.number
                self._open.add(one.number)
                self._alarm(f"ALARM at {clock_words(one.begun_ns)}: {one.words}")
            if one.ended_ns is not None and one.number in self._open:
                self._open.discard(one.number)
                self._alarm(f"over after {lasted(one.ended_ns - one.begun_ns)}: {one.words}")

    def _alarm(self, line: str) -> None:
        self._alarm_lines += 1
        if self._alarm_lines < ALARM_LINES_MAX:
            self._write(line)
        elif self._alarm_lines == ALARM_LINES_MAX:
            self._write(f"{line}; further alarms are only counted")

    def _write(self, line: str) -> None:
        self._due_ns = self._clock.now_ns() + LINE_EVERY_NS
        if self._stream is None:
            return
        try:
            self._stream.write(clean(line) + "\n")
            self._stream.flush()
        except (OSError, ValueError):
            self._stream = None


class SaidOnly(PlainLines):
    """Only the lines that are said: what is asked of somebody, and what a run must warn of."""

    looks = False

    def update(self, snapshot: Snapshot) -> None:
        """Do nothing."""


class LiveView:
    """A view that is drawn over again in its place; it is gone when the run is over.

    `pause` is called now and then in a drawing: in a thread of its own it gives way to others.
    """

    looks = True

    def __init__(self, clock: Clock, stream: TextIO = sys.stderr) -> None:
        from harness.report.view import View

        self._clock = clock
        self._stream = stream
        self._snapshot: Snapshot | None = None
        self._due_ns = 0
        self.pause: Callable[[], None] = _no_pause
        self._console = _console(stream)
        self._view: View = View(getattr(stream, "encoding", None) or "utf-8")
        self._size = (0, 0)
        self._live: Live | None = self._new_live()

    def update(self, snapshot: Snapshot) -> None:
        """Keep the newest state and draw it if the last drawing is long enough ago."""
        self._snapshot = snapshot
        if self.is_due():
            self._draw()

    def is_due(self) -> bool:
        """Return whether the last drawing is long enough ago."""
        return self._clock.now_ns() >= self._due_ns

    def say(self, line: str) -> None:
        """Write the line above the view."""
        from rich.text import Text

        if self._live is None:
            return
        try:
            self._console.print(Text(clean(line)))
        except (OSError, ValueError):
            self._live = None

    def close(self) -> None:
        """Take the view away."""
        live, self._live = self._live, None
        if live is None:
            return
        try:
            live.stop()
        except (OSError, ValueError):
            return

    def _new_live(self) -> Live:
        from rich.live import Live

        return Live(
            console=self._console,
            auto_refresh=False,
            transient=True,
            redirect_stdout=False,
            redirect_stderr=False,
            vertical_overflow="crop",
        )

    def _draw(self) -> None:
        if self._live is None or self._snapshot is None:
            return
        try:
            self._fit()
            self._live.start()
            from harness.report.drawn import Drawn

            lines = self._view.lines(self._snapshot, self._console.width, self._size[1] - 1)
            self.pause()
            self._live.update(Drawn(lines, self.pause), refresh=True)
        except (OSError, ValueError):
            self._live = None
        self._due_ns = self._clock.now_ns() + REFRESH_NS

    def _fit(self) -> None:
        """Follow the terminal's size; after a change nobody knows where the old lines are: it is cleared."""
        from rich.console import ConsoleDimensions

        from harness.report.drawn import Drawn

        size = _size_of(self._stream)
        if size == self._size:
            return
        if self._live is not None and self._size != (0, 0):
            self._live.update(Drawn((), self.pause))  # stopping draws once more
            self._live.stop()
            self._console.clear()
            self._live = self._new_live()
        self._size = size
        self._console.size = ConsoleDimensions(*size)


def _no_pause() -> None:
    """Go on drawing."""


def _size_of(stream: TextIO) -> tuple[int, int]:
    """Return columns and lines of the terminal behind `stream`; COLUMNS and LINES go before what it says."""
    try:
        seen = os.get_terminal_size(stream.fileno())
    except (OSError, ValueError):
        seen = shutil.get_terminal_size()
    named = (os.environ.get("COLUMNS", ""), os.environ.get("LINES", ""))
    columns, lines = (int(word) if word.isdecimal() else own for word, own in zip(named, seen, strict=True))
    return columns or 80, lines or 24


def _console(stream: TextIO) -> Console:
    from rich.console import Console

    class PatientConsole(Console):
        def on_broken_pipe(self) -> None:
            """Say so; the library would end the program, and with it the run."""
            self.quiet = True
            raise BrokenPipeError

    return PatientConsole(file=stream, markup=False, highlight=False, emoji=False)


def _step_words(snapshot: Snapshot) -> str:
    part, parts = snapshot.part
    turn = f" ({part} of {parts})" if parts > 1 else ""
    number = f"step {snapshot.step_index + 1} of {snapshot.steps_total}{turn}"
    return f"{clean(snapshot.plan)}: {number}: {clean(snapshot.step_title)}"


def _left_words(snapshot: Snapshot) -> str:
    return " ".join((snapshot.left_word, clock_words(snapshot.left_ns), "left")).strip()


def _state_words(snapshot: Snapshot) -> str:
    since = f" for {lasted(snapshot.link_for_ns)}" if snapshot.readings is not None else ""
    words = [f"{_left_words(snapshot)}, link {snapshot.link_state}{since}", _packet_words(snapshot)]
    readings = snapshot.readings
    if readings is not None and readings.latency_now_ns is not None:
        words.append(
            f"latency {max(0, readings.latency_now_ns) / MS:.1f} ms +- {readings.latency_bound_ns / MS:.1f}"
        )
    if snapshot.note:
        words.append(clean(snapshot.note))
    if snapshot.alarms_total:
        words.append(f"alarms so far: {snapshot.alarms_total}")
    return ", ".join(words)


def _packet_words(snapshot: Snapshot) -> str:
    applied, sent = snapshot.recent_delivery
    words = f"{snapshot.packets_sent} packets sent, {snapshot.packets_applied} applied"
    return f"{words}, recently {100 * applied / sent:.1f} %" if sent else words

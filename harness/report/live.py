"""How far is the run, and how does the link do? A small display on a terminal, plain lines elsewhere.

Both write to stderr and look at the clock before they do anything, so that the runner may call them as often
as it likes. A display that can no longer write goes quiet: it must never end a run.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol, TextIO

from harness.clock import MS, Clock, S
from harness.report.escape import clean

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

REFRESH_NS: Final = 125 * MS
"""No port is served while the display is drawn: 0.24 ms at the median, 0.4 ms at p99, measured on 2 cores."""
LINE_EVERY_NS: Final = 10 * S
STEP_LINES_MAX: Final = 200
"""A plan may have thousands of steps; beyond this many only the regular lines are written."""
_LINK_STYLES: Final = {"searching": "yellow", "linked": "green", "lost": "red", "failsafe": "bold red"}


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Where a run stands.

    `step_index` counts from 0, `recent_delivery` is (applied, sent) of the last seconds, `link_state` is
    searching, linked, lost or failsafe.
    """

    plan: str
    step_path: str
    step_title: str
    step_index: int
    steps_total: int
    elapsed_ns: int
    left_ns: int
    packets_sent: int
    packets_applied: int
    recent_delivery: tuple[int, int]
    link_state: str
    note: str = ""


class Progress(Protocol):
    """Someone who is told how a run goes."""

    def update(self, snapshot: Snapshot) -> None:
        """Take the newest state; cheap enough for any rate."""
        ...

    def say(self, line: str) -> None:
        """Tell something worth a line of its own."""
        ...

    def close(self) -> None:
        """Stop showing. May be called twice."""
        ...


class Quiet:
    """Shows nothing."""

    def update(self, snapshot: Snapshot) -> None:
        """Do nothing."""

    def say(self, line: str) -> None:
        """Do nothing."""

    def close(self) -> None:
        """Do nothing."""


def progress_for(stream: TextIO, clock: Clock) -> Progress:
    """Return what suits `stream`: a display on a terminal, plain lines elsewhere. `clock` tells real time."""
    return LiveView(clock, stream) if stream.isatty() else PlainLines(clock, stream)


class PlainLines:
    """One line as each step starts, and one every ten seconds."""

    def __init__(self, clock: Clock, stream: TextIO = sys.stderr) -> None:
        self._clock = clock
        self._stream: TextIO | None = stream
        self._step = (-1, "")
        self._step_lines = 0
        self._due_ns = 0

    def update(self, snapshot: Snapshot) -> None:
        """Write a line if a step has begun or ten seconds have passed."""
        step = (snapshot.step_index, snapshot.step_path)
        if step != self._step and self._step_lines < STEP_LINES_MAX:
            self._step = step
            self._step_lines += 1
            self._write(f"{_step_words(snapshot)}, {_clock_words(snapshot.left_ns)} left")
        elif self._clock.now_ns() >= self._due_ns:
            self._write(f"{_step_words(snapshot)}: {_state_words(snapshot)}")

    def say(self, line: str) -> None:
        """Write the line."""
        self._write(line)

    def close(self) -> None:
        """Do nothing: every line has been written."""

    def _write(self, line: str) -> None:
        self._due_ns = self._clock.now_ns() + LINE_EVERY_NS
        if self._stream is None:
            return
        try:
            self._stream.write(clean(line) + "\n")
            self._stream.flush()
        except (OSError, ValueError):
            self._stream = None


class LiveView:
    """A display of a few lines that is drawn over again; it is gone when the run is over."""

    def __init__(self, clock: Clock, stream: TextIO = sys.stderr) -> None:
        from rich.live import Live

        self._clock = clock
        self._snapshot: Snapshot | None = None
        self._due_ns = 0
        self._console = _console(stream)
        self._live: Live | None = Live(
            console=self._console,
            auto_refresh=False,
            transient=True,
            redirect_stdout=False,
            redirect_stderr=False,
        )

    def update(self, snapshot: Snapshot) -> None:
        """Keep the newest state and draw it if the last drawing is long enough ago."""
        self._snapshot = snapshot
        if self._clock.now_ns() >= self._due_ns:
            self._draw()

    def say(self, line: str) -> None:
        """Write the line above the display."""
        from rich.text import Text

        if self._live is None:
            return
        try:
            self._console.print(Text(clean(line)))
        except (OSError, ValueError):
            self._live = None

    def close(self) -> None:
        """Take the display away."""
        live, self._live = self._live, None
        if live is None:
            return
        try:
            live.stop()
        except (OSError, ValueError):
            return

    def _draw(self) -> None:
        if self._live is None or self._snapshot is None:
            return
        try:
            self._live.start()
            self._live.update(_view(self._snapshot, self._console.width), refresh=True)
        except (OSError, ValueError):
            self._live = None
        self._due_ns = self._clock.now_ns() + REFRESH_NS


def _console(stream: TextIO) -> Console:
    from rich.console import Console

    class PatientConsole(Console):
        def on_broken_pipe(self) -> None:
            """Say so; the library would end the program, and with it the run."""
            self.quiet = True
            raise BrokenPipeError

    return PatientConsole(file=stream, markup=False, highlight=False, emoji=False)


def _view(snapshot: Snapshot, width: int) -> RenderableType:
    from rich.text import Text

    text = Text(no_wrap=True, overflow="ellipsis")
    text.append(f"{_step_words(snapshot)}\n", "bold")
    text.append(f"{_bar(snapshot, min(width, 60) - 20)}  {_clock_words(snapshot.left_ns)} left\n")
    text.append(f"link {snapshot.link_state}", _LINK_STYLES.get(snapshot.link_state, ""))
    text.append(f", {_packet_words(snapshot)}")
    if snapshot.note:
        text.append(f"\n{clean(snapshot.note)}")
    return text


def _bar(snapshot: Snapshot, width: int) -> str:
    whole = snapshot.elapsed_ns + snapshot.left_ns
    done = width * snapshot.elapsed_ns // whole if whole else 0
    return "#" * done + "." * (width - done)


def _step_words(snapshot: Snapshot) -> str:
    number = f"step {snapshot.step_index + 1} of {snapshot.steps_total}"
    return f"{clean(snapshot.plan)}: {number}: {clean(snapshot.step_title)}"


def _state_words(snapshot: Snapshot) -> str:
    left = _clock_words(snapshot.left_ns)
    note = f", {clean(snapshot.note)}" if snapshot.note else ""
    return f"{left} left, link {snapshot.link_state}, {_packet_words(snapshot)}{note}"


def _packet_words(snapshot: Snapshot) -> str:
    applied, sent = snapshot.recent_delivery
    words = f"{snapshot.packets_sent} packets sent, {snapshot.packets_applied} applied"
    return f"{words}, recently {100 * applied / sent:.1f} %" if sent else words


def _clock_words(time_ns: int) -> str:
    """Return a time as hours, minutes and seconds: `0:41`, `1:02:03`."""
    minutes, seconds = divmod(max(time_ns, 0) // S, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"

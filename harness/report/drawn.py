"""How does the terminal library get the lines of the view? As segments: no markup, and ready to be shown.

Its `Text` would be wrapped and measured once more: drawing took three times as long with it (measured), and
Python runs one thread at a time, so that whoever serves the ports would wait for it. For the same reason a
drawing gives way between some lines and the next, where it has a thread of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Final

from rich.console import Console, ConsoleOptions
from rich.segment import Segment
from rich.style import Style

from harness.report.sheet import Part

LINES_AT_ONCE: Final = 4


class Drawn:
    """Lines that fit the terminal, for the library to show; `pause` is called between some of them."""

    def __init__(self, lines: Sequence[Sequence[Part]], pause: Callable[[], None]) -> None:
        self._lines = lines
        self._pause = pause

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Segment]:
        """Yield the parts of each line, and line ends between."""
        for place, parts in enumerate(self._lines):
            if place:
                yield Segment.line()
            if place % LINES_AT_ONCE == LINES_AT_ONCE - 1:
                self._pause()
            for text, style in parts:
                yield Segment(text, Style.parse(style) if style else None)

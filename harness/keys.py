"""What does the operator press while a run goes on? Stop keys, the space bar, and lines for who asks.

One reader for all of the terminal's input: `q`, Escape and Ctrl-D stop the run as Ctrl-C does, the space bar
is what `--hold-to-run` looks at, the rest is kept for `harness.hand`. The terminal hands over single keys and
echoes none while it is read, and is put back on every way out that a program can see.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Final

from harness.clock import MS
from harness.hand import stdin_is_terminal

STOP_KEYS: Final = frozenset(b"qQ\x04")
STOP_WORDS: Final = "q, Escape or Ctrl-C stops the run and closes the throttle"
ESCAPE: Final = 0x1B
HELD_NS: Final = 700 * MS
"""A press of the space bar counts for so long. A terminal tells of presses, not of releases; a key held down
repeats after a first delay of 250 ms to 660 ms, then about 30 times a second (common practice, no source)."""
READ_BYTES: Final = 4_096
LINE_MAX: Final = 4_096
"""Bytes kept for whoever waits for a line."""


class Keyboard:
    """The keys pressed at the terminal; `now_ns` tells real time, `read` what was typed, as `typed` does."""

    def __init__(self, now_ns: Callable[[], int], read: Callable[[], bytes | None] | None = None) -> None:
        self._now_ns = now_ns
        self._read = read or read_keys
        self._kept = b""
        self._space_ns: int | None = None
        self._stop = False
        self._gone = False

    def stop_requested(self) -> bool:
        """Return whether a stop key was ever pressed."""
        self._poll()
        return self._stop

    def is_held(self) -> bool:
        """Return whether the space bar is held: it was pressed, or repeated, less than 700 ms ago."""
        self._poll()
        return self._space_ns is not None and self._now_ns() - self._space_ns < HELD_NS

    def typed(self) -> bytes | None:
        """Return other keys since the last call: None for none, no bytes when the terminal is gone."""
        self._poll()
        kept, self._kept = self._kept, b""
        return kept or (b"" if self._gone else None)

    def _poll(self) -> None:
        keys = None if self._gone else self._read()
        if keys is None:
            return
        if not keys:
            self._gone, self._space_ns = True, None
            return
        plain = _without_sequences(keys)
        if b" " in plain:
            self._space_ns = self._now_ns()
        self._stop = self._stop or not STOP_KEYS.isdisjoint(plain) or ESCAPE in plain
        self._kept = (self._kept + plain.replace(b" ", b""))[-LINE_MAX:]


def _without_sequences(keys: bytes) -> bytes:
    """Leave out what arrow keys and their kin send, an escape and more: only Escape sends it alone.

    A sequence is ESC, then `[` or `O`, parameters, and a letter or `~` (ECMA-48, 5.4). One that was cut in
    two on its way reads as Escape, which is the safe mistake.
    """
    plain, rest = b"", keys
    while rest:
        before, escape, rest = rest.partition(b"\x1b")
        plain += before
        if not escape:
            break
        if rest[:1] in (b"[", b"O") and len(rest) > 1:
            end = next((n for n, key in enumerate(rest[1:], 2) if 0x40 <= key <= 0x7E), len(rest))
            rest = rest[end:]
        else:
            plain += escape
    return plain


def read_keys() -> bytes | None:
    """Return what was typed at the terminal: None for nothing, no bytes when it is gone. Never waits."""
    if sys.platform == "win32":
        return _read_windows()
    import select

    try:
        if os.tcgetpgrp(0) != os.getpgrp():  # in the background, reading would stop us
            return None
        return os.read(0, READ_BYTES) if select.select([0], [], [], 0)[0] else None
    except BlockingIOError:
        return None
    except OSError:  # the terminal was closed
        return b""


def _read_windows() -> bytes | None:
    keys = b""
    if sys.platform == "win32":
        import msvcrt

        while msvcrt.kbhit() and len(keys) < READ_BYTES:
            key = msvcrt.getch()
            if key in (b"\0", b"\xe0"):  # a function key: two codes
                msvcrt.getch()
            else:
                keys += key.replace(b"\r", b"\n")
    return keys or None


@contextmanager
def keyboard(now_ns: Callable[[], int]) -> Iterator[Keyboard | None]:
    """Read single keys while the block runs, if this program has the terminal; else give None."""
    if not can_read():
        yield None
        return
    with _single_keys():
        yield Keyboard(now_ns)


def can_read() -> bool:
    """Return whether this program has a terminal for its input, and stands in front there."""
    if not stdin_is_terminal():
        return False
    if sys.platform == "win32":
        return True
    try:
        return os.tcgetpgrp(0) == os.getpgrp()
    except OSError:
        return False


@contextmanager
def _single_keys() -> Iterator[None]:
    """Have the terminal hand over keys one by one, without showing them; Ctrl-C and its kin stay signals."""
    if sys.platform == "win32":
        yield
        return
    import termios

    before = termios.tcgetattr(0)
    single = [*before[:3], before[3] & ~(termios.ICANON | termios.ECHO), *before[4:6], [*before[6]]]
    single[6][termios.VMIN], single[6][termios.VTIME] = 1, 0
    try:
        _set_terminal(single)
        yield
    finally:
        _set_terminal(before)


def _set_terminal(settings: list[object]) -> None:
    """Set the terminal at once; one that is gone needs nothing, and being in the background stops nobody."""
    if sys.platform == "win32":
        return
    import signal
    import termios

    with suppress(termios.error), _blocked(signal.SIGTTOU):
        termios.tcsetattr(0, termios.TCSANOW, settings)  # type: ignore[arg-type]


@contextmanager
def _blocked(number: int) -> Iterator[None]:
    import signal

    before = signal.pthread_sigmask(signal.SIG_BLOCK, {number})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)

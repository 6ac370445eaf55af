"""The harness knows a stop key from any other, and how long a space bar was last pressed."""

from __future__ import annotations

import os
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.clock import MS
from harness.hand import TerminalHand
from harness.keys import HELD_NS, LINE_MAX, Keyboard, keyboard, read_keys

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are needed")


class Typist:
    """Somebody who types at given times, and a clock that is set by hand."""

    def __init__(self):
        self.now = 0
        self.keys: list[bytes] = []
        self.keyboard = Keyboard(lambda: self.now, lambda: self.keys.pop(0) if self.keys else None)

    def type(self, keys):
        self.keys.append(keys)
        return self.keyboard


@pytest.mark.parametrize("keys", [b"q", b"Q", b"\x1b", b"\x04", b"abcq ", b"\x1b[Aq", b"\x1b\x1b[A"])
def test_a_stop_key_stops(keys):
    assert Typist().type(keys).stop_requested()


@pytest.mark.parametrize(
    "keys", [b"", b"x", b" ", b"\n", b"\x1b[A", b"\x1bOP", b"\x1b[1;5C", b"\x1b[15~", b"\x1b[A\x1b[B"]
)
def test_another_key_does_not_stop(keys):
    """Among them arrow and function keys, which send an escape and more (ECMA-48, 5.4)."""
    assert not Typist().type(keys).stop_requested()


def test_a_stop_key_stays_pressed():
    typist = Typist()
    assert typist.type(b"q").stop_requested()
    assert typist.type(b"x").stop_requested()


def test_a_space_counts_for_700_ms_and_no_longer():
    typist = Typist()
    keys = typist.type(b" ")
    assert keys.is_held()
    typist.now = HELD_NS - 1
    assert keys.is_held()
    typist.now = HELD_NS
    assert not keys.is_held()


def test_a_bar_held_down_is_held_across_the_first_delay_and_all_repeats():
    """660 ms, then 30 times a second: the longest first delay in common use (common practice, no source)."""
    typist = Typist()
    times = {0, *range(660 * MS, 3_000 * MS, 33 * MS)}
    held = []
    for now in sorted(times | set(range(0, 3_000 * MS, 10 * MS))):
        typist.now = now
        held.append((typist.type(b" ") if now in times else typist.keyboard).is_held())
    assert all(held)


def test_no_other_key_holds():
    assert not Typist().type(b"x\n").is_held()


def test_a_terminal_that_is_gone_holds_nothing_and_is_told_to_who_waits_for_a_line():
    typist = Typist()
    keys = typist.type(b" ")
    assert keys.is_held()
    typist.type(b"")
    assert not keys.is_held()
    assert keys.typed() == b""
    assert not keys.stop_requested()


def test_other_keys_are_kept_for_who_asks_for_a_line():
    typist = Typist()
    typist.type(b"ab ")
    assert not typist.type(b"\n").stop_requested()
    assert not typist.keyboard.stop_requested()
    assert typist.keyboard.typed() == b"ab\n"
    assert typist.keyboard.typed() is None


@given(st.lists(st.binary(min_size=1, max_size=3_000), max_size=20))
def test_no_keys_take_more_and_more_memory(pieces):
    typist = Typist()
    for piece in pieces:
        typist.type(piece).stop_requested()
    assert len(typist.keyboard.typed() or b"") <= LINE_MAX


@pytest.fixture
def terminal(monkeypatch):
    """Put a pseudo-terminal in place of the input, in front as far as anybody can tell."""
    master, slave = os.openpty()
    kept = os.dup(0)
    os.dup2(slave, 0)
    monkeypatch.setattr(os, "tcgetpgrp", lambda _fd: os.getpgrp())
    with open(0, closefd=False) as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield master, slave
    os.dup2(kept, 0)
    for fd in (kept, master, slave):
        os.close(fd)


def settings(slave):
    import termios

    return termios.tcgetattr(slave)


def test_single_keys_come_at_once_and_are_not_shown(terminal):
    import termios

    master, slave = terminal
    before = settings(slave)
    with keyboard(lambda: 0) as keys:
        assert not settings(slave)[3] & (termios.ICANON | termios.ECHO)
        assert settings(slave)[3] & termios.ISIG  # Ctrl-C stays a signal
        os.write(master, b"x\r")
        assert keys.typed() == b"x\n"
        os.write(master, b"q")
        assert keys.stop_requested()
    assert settings(slave) == before


def test_the_terminal_is_put_back_after_an_exception(terminal):
    before = settings(terminal[1])
    with pytest.raises(KeyboardInterrupt), keyboard(lambda: 0):
        raise KeyboardInterrupt
    assert settings(terminal[1]) == before


def test_a_program_in_the_background_leaves_the_terminal_alone(terminal, monkeypatch):
    before = settings(terminal[1])
    monkeypatch.setattr(os, "tcgetpgrp", lambda _fd: os.getpgrp() + 1)
    os.write(terminal[0], b"q\n")
    with keyboard(lambda: 0) as keys:
        assert keys is None
        assert settings(terminal[1]) == before
    assert read_keys() is None


def test_without_a_terminal_nobody_presses_keys(monkeypatch):
    monkeypatch.setattr(sys, "stdin", None)
    with keyboard(lambda: 0) as keys:
        assert keys is None


class Console:
    """Stands in for the keyboard of a Windows console: codes one by one, two for a function key."""

    def __init__(self, codes):
        self.codes = list(codes)

    def kbhit(self):
        return bool(self.codes)

    def getch(self):
        return self.codes.pop(0)


@pytest.mark.parametrize(
    ("codes", "stops", "typed"),
    [
        ([b"q"], True, None),
        ([b"\x1b"], True, None),
        ([b"\xe0", b"q"], False, None),  # an arrow key
        ([b"\0", b";"], False, None),  # F1
        ([b"a", b"\r"], False, b"a\n"),
        ([], False, None),
    ],
)
def test_keys_come_from_a_windows_console_too(monkeypatch, codes, stops, typed):
    monkeypatch.setitem(sys.modules, "msvcrt", Console(codes))
    monkeypatch.setattr("harness.keys.stdin_is_terminal", lambda: True)
    monkeypatch.setattr(sys, "platform", "win32")
    with keyboard(lambda: 0) as keys:
        assert keys.stop_requested() == stops
        if not stops:
            assert keys.typed() == typed


def test_a_space_is_held_at_a_windows_console_too(monkeypatch):
    monkeypatch.setitem(sys.modules, "msvcrt", Console([b" "]))
    monkeypatch.setattr("harness.keys.stdin_is_terminal", lambda: True)
    monkeypatch.setattr(sys, "platform", "win32")
    with keyboard(lambda: 0) as keys:
        assert keys.is_held()


def test_who_turns_an_attenuator_presses_enter_and_a_stop_key_still_stops():
    typist, said = Typist(), []
    hand = TerminalHand(said.append, typist.keyboard.typed)
    typist.type(b"\n")  # before the question: does not count
    hand.turn(200)
    assert not hand.is_done()
    typist.type(b" \n")
    assert not typist.keyboard.stop_requested()  # the run looks at the keys first
    assert hand.is_done()
    hand.turn(100)
    assert typist.type(b"q").stop_requested()
    assert not hand.is_done()
    typist.type(b"")
    with pytest.raises(KeyboardInterrupt):
        hand.is_done()

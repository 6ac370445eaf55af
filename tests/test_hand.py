"""The harness asks whoever sits at the terminal to turn an attenuator, and waits for Enter."""

from __future__ import annotations

import os
import sys

import pytest

from harness.hand import TerminalHand, stdin_is_terminal
from harness.keys import Keyboard

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are needed")


@pytest.fixture
def keyboard(monkeypatch):
    """Put a pseudo-terminal in place of the input, and give its other end."""
    master, slave = os.openpty()
    kept = os.dup(0)
    os.dup2(slave, 0)
    os.close(slave)
    monkeypatch.setattr(os, "tcgetpgrp", lambda _fd: os.getpgrp())
    yield master
    os.dup2(kept, 0)
    os.close(kept)
    os.close(master)


@pytest.fixture
def hand():
    said = []
    hand = TerminalHand(said.append, Keyboard(lambda: 0).typed)
    hand.said = said
    return hand


def test_enter_says_that_the_attenuator_was_turned(keyboard, hand):
    hand.turn(205)
    assert hand.said == ["set the attenuator to 20.5 dB, propellers still off, then press Enter"]
    assert not hand.is_done()
    os.write(keyboard, b"\n")
    assert hand.is_done()
    assert not hand.is_done()


def test_what_was_typed_before_does_not_count(keyboard, hand):
    os.write(keyboard, b"\n\n")
    hand.turn(0)
    assert not hand.is_done()


def test_a_closed_input_is_a_stop(keyboard, hand):
    hand.turn(0)
    os.write(keyboard, b"\x04")  # the terminal's end-of-input key
    with pytest.raises(KeyboardInterrupt):
        hand.is_done()


def test_it_belongs_back_where_it_was(hand):
    hand.put_back(0)
    assert hand.said == ["put the attenuator back to 0 dB"]


def test_nobody_is_there_without_a_terminal(monkeypatch):
    monkeypatch.setattr(sys, "stdin", None)
    assert not stdin_is_terminal()


def test_somebody_is_there_with_one(keyboard, monkeypatch):
    with open(0, closefd=False) as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        assert stdin_is_terminal()

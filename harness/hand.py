"""Who turns the attenuator or pulls a plug on a real bench? Somebody at the terminal, when asked.

A turned attenuator needs Enter when it is done; what is seen in the data needs no key.
"""

from __future__ import annotations

import sys
from collections.abc import Callable


class TerminalHand:
    """Asks for a turn on the display and takes any line typed since as the answer.

    `typed` tells what was typed since it was last asked: None for nothing, no bytes when the input is closed.
    """

    def __init__(self, say: Callable[[str], None], typed: Callable[[], bytes | None]) -> None:
        self._say = say
        self._typed = typed

    def ask(self, words: str) -> None:
        """Ask for something that the data will show: no key need be pressed."""
        self._say(words)

    def turn(self, attenuation_x10: int) -> None:
        """Ask for an attenuation; what was typed before does not count."""
        while self._typed():
            pass
        self._say(
            f"set the attenuator to {attenuation_x10 / 10:g} dB, propellers still off, then press Enter"
        )

    def is_done(self) -> bool:
        """Return whether Enter was pressed. Raises KeyboardInterrupt when the input was closed."""
        typed = self._typed()
        if typed == b"":
            raise KeyboardInterrupt
        return typed is not None and b"\n" in typed

    def put_back(self, attenuation_x10: int) -> None:
        """Say where it belongs."""
        self._say(f"put the attenuator back to {attenuation_x10 / 10:g} dB")


def stdin_is_terminal() -> bool:
    """Return whether the program's input is a terminal."""
    try:
        return sys.stdin is not None and sys.stdin.isatty() and sys.stdin.fileno() == 0
    except (OSError, ValueError):
        return False

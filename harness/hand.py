"""Who turns the attenuator on a real bench? Somebody at the terminal, who presses Enter when it is done."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable

READ_BYTES = 4_096


class TerminalHand:
    """Asks for a turn on the display and takes any line typed since as the answer."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say

    def turn(self, attenuation_x10: int) -> None:
        """Ask for an attenuation; what was typed before does not count."""
        while _typed():
            pass
        self._say(
            f"set the attenuator to {attenuation_x10 / 10:g} dB, propellers still off, then press Enter"
        )

    def is_done(self) -> bool:
        """Return whether Enter was pressed. Raises KeyboardInterrupt when the input was closed."""
        typed = _typed()
        if typed == b"":
            raise KeyboardInterrupt
        return typed is not None and b"\n" in typed

    def put_back(self, attenuation_x10: int) -> None:
        """Say where it belongs."""
        self._say(f"put the attenuator back to {attenuation_x10 / 10:g} dB")


def _typed() -> bytes | None:
    """Return what was typed, without waiting: None for nothing, no bytes when the input is closed."""
    if sys.platform == "win32":
        import msvcrt

        keys = b""
        while msvcrt.kbhit() and len(keys) < READ_BYTES:
            keys += msvcrt.getch().replace(b"\r", b"\n")
        return keys or None
    import select

    if not select.select([0], [], [], 0)[0]:
        return None
    return os.read(0, READ_BYTES)


def terminal_hand(say: Callable[[str], None]) -> TerminalHand | None:
    """Return the hand of whoever sits at the terminal; None if nobody does."""
    try:
        here = sys.stdin is not None and sys.stdin.isatty() and sys.stdin.fileno() == 0
    except (OSError, ValueError):
        return None
    return TerminalHand(say) if here else None

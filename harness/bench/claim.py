"""How is a port kept for ourselves? By a lock that other harnesses ask for, and a mark that the system keeps.

pyserial's `exclusive` locks the device (flock): programs that ask for the lock are refused. TIOCEXCL (Linux
tty_ioctl(2)) refuses every later open, but for the superuser's. It outlives a close while somebody else still
has the device open, so it is taken back.
"""

from __future__ import annotations

import contextlib
import os
from typing import Final

PSEUDO: Final = "/dev/pts/"
"""A pseudo-terminal would stay marked after we were killed, for as long as its other side lives."""
_NO_TERMINAL = (OSError, AttributeError, ValueError, ImportError)
"""A socket, a system without terminals, a port that is gone."""


def claim(port: object) -> None:
    """Let nobody else open a terminal device; does nothing to any other port."""
    with contextlib.suppress(*_NO_TERMINAL):
        import fcntl
        import termios

        number = port.fileno()  # type: ignore[attr-defined]
        if not os.ttyname(number).startswith(PSEUDO):
            fcntl.ioctl(number, termios.TIOCEXCL)


def release(port: object) -> None:
    """Let others open it again; a port that is gone is fine."""
    with contextlib.suppress(*_NO_TERMINAL):
        import fcntl
        import termios

        fcntl.ioctl(port.fileno(), termios.TIOCNXCL)  # type: ignore[attr-defined]

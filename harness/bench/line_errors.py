"""What did the system itself see go wrong on a serial line? Overruns, broken frames and the like, counted.

Drivers of built-in ports and of most USB adapters count them (ioctl TIOCGICOUNT on Linux); pseudo-terminals,
network ports and other systems do not. An overrun is a byte that came while nobody had taken the one before:
it explains a lost message, which without it would look like a fault of the device.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from struct import Struct
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from serial import Serial

COUNTERS: Final = Struct("=11i9i")
"""struct serial_icounter_struct of linux/serial.h: eleven counters and nine reserved, 32 bits each."""
NAMES: Final = {
    6: "framing errors",
    7: "overruns",
    8: "parity errors",
    9: "breaks",
    10: "buffer overruns",
}
"""Places of the counters that tell of trouble; those before count changes of control lines, and bytes."""


class LineErrors:
    """The counters of one port, against what they were when this was made."""

    def __init__(self, port: Serial) -> None:
        self._port = port
        self._before = read_counters(port)

    def since_opening(self) -> dict[str, int]:
        """Return how much each counter rose; nothing where the driver does not count, or the port is gone."""
        now = read_counters(self._port)
        # The counters are 32 bits wide and signed: they may wrap.
        return {name: (now[name] - before) % 2**32 for name, before in self._before.items() if name in now}


def read_counters(port: Serial) -> Mapping[str, int]:
    """Return the driver's counters of trouble by name, none where there are none."""
    if sys.platform != "linux":
        return {}
    import fcntl
    import termios

    try:
        data = fcntl.ioctl(port.fileno(), termios.TIOCGICOUNT, bytes(COUNTERS.size))
    except (OSError, ValueError, AttributeError, TypeError):  # none here, or the port is closed or gone
        return {}
    numbers = COUNTERS.unpack(data)
    return {name: numbers[place] for place, name in NAMES.items()}


__all__ = ["COUNTERS", "NAMES", "LineErrors", "read_counters"]

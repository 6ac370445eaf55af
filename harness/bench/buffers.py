"""How much can wait between the PC and a device, as far as the system tells? In words, for the recording.

Bytes that wait in a buffer arrive, or leave, later than they seem to. Linux tells of a terminal device which
UART it is and how long its transmit FIFO (ioctl TIOCGSERIAL), if the driver knows; its line discipline hands
over at most 4096 bytes at a time (N_TTY_BUF_SIZE). A network port has the buffers of its socket. On Windows
the driver is asked for more than the 4096 bytes that pyserial asks for, which 1 Mbaud fills in 41 ms.
"""

from __future__ import annotations

import os
import socket
import sys
from struct import Struct
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from serial import Serial

_FIELDS: Final = Struct("@iiIiii")
"""type, line, port, irq, flags, xmit_fifo_size: the first members, in this order."""
ROOM: Final = 128
"""More than the 72 bytes that the structure has with 64-bit pointers, so that no kernel writes beyond."""
ASKED: Final = 65_536
UARTS: Final = {
    1: "8250", 2: "16450", 3: "16550", 4: "16550A", 6: "16650", 7: "16650V2", 8: "16750", 10: "16C950",
    11: "16654", 12: "16850",
}  # fmt: skip
"""PORT_... of linux/serial.h, from memory: only words in a report rest on them."""


def buffers(port: Serial) -> str:
    """Return what is known of a port's buffers; never raises for want of an answer."""
    plain = getattr(port, "_socket", None)
    if isinstance(plain, socket.socket):
        return _of_socket(plain)
    if hasattr(port, "set_buffer_size"):  # Windows
        return _asked_for(port)
    if sys.platform != "linux":
        return "not told by this system"
    try:
        found = _of_terminal(port.fileno())
        waiting = f"{port.in_waiting} bytes waiting to be read at opening, {port.out_waiting} to be sent"
    except (OSError, ValueError, AttributeError, TypeError):
        return "not told by this port"
    return f"{found}; {waiting}"


def _asked_for(port: Any) -> str:
    try:
        port.set_buffer_size(ASKED, ASKED)
    except (OSError, ValueError) as error:
        return f"the driver refused {ASKED} bytes each way: {type(error).__name__}"
    return f"the driver was asked for {ASKED} bytes each way"


def _of_socket(plain: socket.socket) -> str:
    sizes = [plain.getsockopt(socket.SOL_SOCKET, option) for option in (socket.SO_RCVBUF, socket.SO_SNDBUF)]
    return f"socket, {sizes[0]} bytes to receive, {sizes[1]} bytes to send"


def _of_terminal(descriptor: int) -> str:
    import fcntl
    import termios

    try:
        data = fcntl.ioctl(descriptor, termios.TIOCGSERIAL, bytes(ROOM))
    except OSError as error:
        why = f"errno {error.errno}, {os.strerror(error.errno or 0)}"
        return f"UART and its FIFO not told by the driver ({why})"
    kind, _, _, _, _, fifo = _FIELDS.unpack_from(data)
    uart = f"UART {UARTS[kind]}" if kind in UARTS else "UART of a kind not told"
    return f"{uart}, transmit FIFO {fifo} bytes" if 0 < fifo <= 1 << 20 else uart

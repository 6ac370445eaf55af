"""The harness tells what the system counted on a line, and how much can wait in it."""

from __future__ import annotations

import errno
import socket
import struct
import sys
from collections.abc import Callable
from contextlib import closing

import pytest
import serial
from far_ends import pty_pair

from harness.bench import buffers as buffers_module
from harness.bench.buffers import buffers
from harness.bench.line_errors import LineErrors, read_counters

fcntl = pytest.importorskip("fcntl")
termios = pytest.importorskip("termios")
linux = pytest.mark.skipif(sys.platform != "linux", reason="calls that Linux has")


class Port:
    """An open port with a driver that answers what the test says."""

    in_waiting = 7
    out_waiting = 0

    def fileno(self) -> int:
        return 99


@pytest.fixture
def driver(monkeypatch: pytest.MonkeyPatch) -> Callable[[int, bytes], None]:
    answers: dict[int, bytes] = {}

    def ioctl(_fd: int, request: int, data: bytes) -> bytes:
        if request not in answers:
            raise OSError(errno.ENOTTY, "Inappropriate ioctl for device")
        return (answers[request] + bytes(len(data)))[: len(data)]

    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    return answers.__setitem__


def counters(**told: int) -> bytes:
    """struct serial_icounter_struct of linux/serial.h: cts dsr rng dcd rx tx frame overrun parity brk buf."""
    names = ["cts", "dsr", "rng", "dcd", "rx", "tx", "frame", "overrun", "parity", "brk", "buf_overrun"]
    return struct.pack("=20i", *(told.get(name, 0) for name in names), *[0] * 9)


@linux
def test_counts_from_the_opening_on(driver: Callable[[int, bytes], None]) -> None:
    driver(termios.TIOCGICOUNT, counters(rx=5, overrun=2, frame=2**31 - 1))
    errors = LineErrors(Port())  # type: ignore[arg-type]
    assert set(errors.since_opening().values()) == {0}
    driver(termios.TIOCGICOUNT, counters(rx=900, overrun=5, frame=-(2**31), buf_overrun=1))
    assert errors.since_opening() == {
        "overruns": 3, "framing errors": 1, "parity errors": 0, "breaks": 0, "buffer overruns": 1,
    }  # fmt: skip


@linux
def test_tells_nothing_where_the_driver_does_not_count(driver: Callable[[int, bytes], None]) -> None:
    errors = LineErrors(Port())  # type: ignore[arg-type]
    assert errors.since_opening() == {}
    driver(termios.TIOCGICOUNT, counters(overrun=5))  # it began to count later: nobody knows since when
    assert errors.since_opening() == {}


@linux
def test_tells_the_uart_and_what_waits(driver: Callable[[int, bytes], None]) -> None:
    driver(termios.TIOCGSERIAL, struct.pack("@iiIiii", 4, 0, 0x3F8, 4, 0, 16))
    assert buffers(Port()) == (  # type: ignore[arg-type]
        "UART 16550A, transmit FIFO 16 bytes; 7 bytes waiting to be read at opening, 0 to be sent"
    )
    driver(termios.TIOCGSERIAL, struct.pack("@iiIiii", 0, 0, 0, 0, 0, -1))
    assert buffers(Port()).startswith("UART of a kind not told; 7 bytes")  # type: ignore[arg-type]


@linux
def test_gives_the_kernel_more_room_than_its_structure_takes() -> None:
    # linux/serial.h, struct serial_struct with 64-bit pointers: 72 bytes (pahole's layout, from memory)
    assert buffers_module.ROOM >= 72


@linux
@pytest.mark.pty
def test_a_pseudo_terminal_has_neither() -> None:
    with pty_pair() as (_, near), closing(serial.serial_for_url(near)) as port:
        assert read_counters(port) == {}
        assert "not told by the driver (errno 25" in buffers(port)


def test_a_network_port_has_its_sockets_buffers() -> None:
    one, two = socket.socketpair()

    class Network:
        _socket = one

    with one, two:
        told = buffers(Network())  # type: ignore[arg-type]
    assert told.startswith("socket, ")
    assert told.count("bytes") == 2


def test_a_driver_of_windows_is_asked_for_more() -> None:
    class Windows:
        asked: tuple[int, ...] = ()

        def set_buffer_size(self, rx_size: int, tx_size: int) -> None:
            if not rx_size or self.asked:
                raise OSError(13, "refused")
            self.asked = (rx_size, tx_size)

    port = Windows()
    assert buffers(port) == "the driver was asked for 65536 bytes each way"  # type: ignore[arg-type]
    assert port.asked == (65_536, 65_536)
    assert buffers(port).startswith("the driver refused")  # type: ignore[arg-type]


def test_a_port_that_cannot_be_asked_is_told_of() -> None:
    class Mute:
        pass

    assert buffers(Mute()) == "not told by this port"  # type: ignore[arg-type]
    assert read_counters(Mute()) == {}  # type: ignore[arg-type]

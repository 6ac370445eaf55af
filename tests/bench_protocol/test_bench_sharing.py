"""The bench keeps its ports for itself: whoever comes second is told who was first, and disturbs nobody."""

from __future__ import annotations

import fcntl
import os
import struct
import subprocess
import sys
import termios
from contextlib import closing

import pytest
import serial
from far_ends import pty_pair

from harness.bench import claim
from harness.bench.ports import PortSpec
from harness.bench.protocol import Role
from harness.bench.serial import SerialBench
from harness.clock import MS
from harness.errors import BenchError

T = Role.TRANSMITTER
TIOCGEXCL = 0x80045440
"""Linux asm-generic/ioctls.h: whether a terminal is exclusive."""
HOLDER = """
import fcntl, os, sys, termios
fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
if sys.argv[2] == "lock":
    fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
if sys.argv[2] == "mark":
    fcntl.ioctl(fd, termios.TIOCEXCL)
print("held", flush=True)
sys.stdin.read()
"""


def is_exclusive(name: str) -> bool:
    fd = os.open(name, os.O_RDWR | os.O_NOCTTY)
    try:
        return bool(struct.unpack("i", fcntl.ioctl(fd, TIOCGEXCL, b"\0\0\0\0"))[0])
    finally:
        os.close(fd)


class Holder:
    """Another program that has a port open."""

    def __init__(self, name: str, how: str) -> None:
        words = [sys.executable, "-c", HOLDER, name, how]
        self.process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "held\n"

    def close(self) -> None:
        self.process.communicate()


@pytest.mark.pty
def test_the_second_of_two_benches_is_told_who_has_the_port_and_does_not_disturb_the_first() -> None:
    with pty_pair() as (far, near), closing(SerialBench({T: PortSpec(near, 57_600)})) as bench:
        before = termios.tcgetattr(far)
        program = (
            "import sys; from harness.bench.serial import SerialBench, PortSpec\n"
            "from harness.bench.protocol import Role\n"
            "from harness.errors import BenchError\n"
            "try: SerialBench({Role.RECEIVER: PortSpec(sys.argv[1], 9600)})\n"
            "except BenchError as error: print(error)\n"
        )
        second = subprocess.run(
            [sys.executable, "-c", program, near], capture_output=True, text=True, check=True
        )
        assert f"receiver port {near}: it is in use by " in second.stdout
        assert f"(process {os.getpid()})" in second.stdout
        assert "close that first" in second.stdout
        assert termios.tcgetattr(far) == before
        os.write(far, b"still here")
        assert b"".join(chunk.data for chunk in bench.advance(bench.now_ns() + 50 * MS)) == b"still here"
        bench.send(T, b"and there")
        assert os.read(far, 99) == b"and there"


@pytest.mark.pty
def test_a_bench_that_comes_second_is_told_the_name_and_number_of_the_first() -> None:
    with pty_pair() as (_, near), closing(Holder(near, "lock")) as holder:
        with pytest.raises(BenchError, match="it is in use by") as caught:
            SerialBench({T: PortSpec(near)})
        assert f"(process {holder.process.pid})" in str(caught.value)


@pytest.mark.pty
def test_a_bench_tells_who_had_the_port_open_without_a_lock() -> None:
    with (
        pty_pair() as (_, near),
        closing(Holder(near, "open")) as holder,
        closing(SerialBench({T: PortSpec(near)})) as bench,
    ):
        assert f"(process {holder.process.pid})" in bench.facts["transmitter also open in"]


@pytest.mark.pty
def test_nobody_else_may_open_a_port_until_the_bench_is_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(claim, "PSEUDO", "none is")
    with pty_pair() as (_, near):
        with closing(SerialBench({T: PortSpec(near)})):
            if os.geteuid() == 0:  # whom the system lets in all the same
                assert is_exclusive(near)
            else:
                with pytest.raises(OSError, match="busy"):
                    is_exclusive(near)
            with pytest.raises(serial.SerialException, match=r"exclusively lock|busy"):
                serial.Serial(near, exclusive=True)
        assert not is_exclusive(near)


@pytest.mark.pty
def test_a_pseudo_terminal_is_not_marked_for_it_would_stay_so() -> None:
    with pty_pair() as (_, near), closing(SerialBench({T: PortSpec(near)})):
        assert not is_exclusive(near)

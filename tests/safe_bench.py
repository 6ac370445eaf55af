"""A bench for trying every way out of a run: simulated devices on pseudo-terminals, all of it written down.

Times are the devices' own, in ns: they run in step with the machine, and what they did stands beside them
whether anybody had their ports open or not.
"""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import sys
from pathlib import Path

import harness
from harness.bench.ports import PortSpec
from harness.bench.protocol import Role
from harness.bench.rig import serial_rig_text
from harness.clock import MS, S, SystemClock
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from mocks.ptys import serving

TX, RX = Role.TRANSMITTER, Role.RECEIVER
ROOT = Path(harness.__file__).parents[1]
OPEN_US = 1200
REST_US = 1000
PLAN = f"""\
propsoff: 1
title: A throttle that stays open
link:
  packet_rate: 50 Hz
  channels:
    throttle: {{role: throttle, failsafe: low}}
    rudder: {{failsafe: centre}}
  failsafe: {{within: 500 ms}}
steps:
  - wait: {{until: linked, deadline: 3 s}}
  - hold: {{sticks: {{throttle: {OPEN_US} us}}, for: 30 s}}
checks:
  - delivery: {{at_least: 60 %}}
  - fidelity
  - no_glitch
  - no_false_failsafe
"""
PATIENCE_S = 60
"""A deadline against hanging, no verdict on speed."""


class Written:
    """Simulated devices, and everything that crossed their ports: (ns, message) by role."""

    def __init__(self, devices):
        self.devices = devices
        self.to_device = {role: [] for role in devices.baud}
        self.to_pc = {role: [] for role in devices.baud}
        self._open = dict.fromkeys(devices.baud, b"")
        self._heard = dict.fromkeys(devices.baud, b"")

    def __getattr__(self, name):
        return getattr(self.devices, name)

    def send(self, role, data):
        *pieces, self._open[role] = (self._open[role] + data).split(b"\0")
        at_ns = self.devices.now_ns()
        self.to_device[role] += [(at_ns, parse(decode_piece(piece))) for piece in pieces if piece]
        self.devices.send(role, data)

    def advance(self, until_ns):
        chunks = self.devices.advance(until_ns)
        for role, data, at_ns in chunks:
            *pieces, self._heard[role] = (self._heard[role] + data).split(b"\0")
            items = [decode_piece(piece) for piece in pieces if piece]
            self.to_pc[role] += [(at_ns, parse(item)) for item in items if hasattr(item, "type")]
        return chunks

    def throttle(self, channel=0):
        """Return (ns, us) of the throttle's output, report by report."""
        heard = list(self.to_pc[RX])
        return [
            (at, part.outputs_us[channel])
            for at, part in heard
            if isinstance(part, m.Applied | m.OutputChange) and len(part.outputs_us) > channel
        ]

    def last(self, role, kind):
        """Return when the device last got such a message, in its own ns."""
        return [at for at, part in list(self.to_device[role]) if isinstance(part, kind)][-1]


@contextlib.contextmanager
def served(devices, folder):
    """Serve devices, written down, with plan.yaml and rig.yaml in `folder`."""
    written = Written(devices)
    (folder / "plan.yaml").write_text(PLAN)
    with serving(written) as ports:
        specs = {role: PortSpec(port) for role, port in ports.items()}
        (folder / "rig.yaml").write_text(serial_rig_text(specs, "simulated devices"))
        yield written


def wait_until(happened, what):
    """Wait for something that comes soon, or fail and say what did not come."""
    clock = SystemClock()
    until_ns = clock.now_ns() + PATIENCE_S * S
    while not happened():
        assert clock.now_ns() < until_ns, what
        clock.sleep_until_ns(clock.now_ns() + 10 * MS)


def wait_for_open(written, process):
    """Wait until the throttle is open at the receiver."""

    def is_open():
        assert process.poll() is None, "the run ended before a throttle opened"
        return any(pulse == OPEN_US for _, pulse in written.throttle())

    wait_until(is_open, "no throttle opened")


def assert_closed(written):
    """The throttle is closed by now, and stays so, and every device was released."""
    assert written.throttle()[-1][1] == REST_US
    for role in (TX, RX):
        assert isinstance(written.to_device[role][-1][1], m.Release)


def environment():
    return {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "dumb", "COLUMNS": "200"}


STARTED = []


def end_all():
    """End what a failed test left behind."""
    while STARTED:
        process = STARTED.pop()
        if process.poll() is None:
            process.kill()
            process.communicate()


def start(*words, **more):
    """Start propsoff without a terminal."""
    command = [sys.executable, "-m", "harness", *words]
    pipes = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    STARTED.append(subprocess.Popen(command, env=environment(), **{**pipes, **more}))
    return STARTED[-1]


TAKE_TERMINAL = (
    "import fcntl, os, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
    "os.execv(sys.executable, [sys.executable, '-m', 'harness', *sys.argv[1:]])"
)


class Terminal:
    """A pseudo-terminal with propsoff in front: its controlling terminal, whose keys make signals."""

    def __init__(self, *words, stderr=None):
        self.master, self.slave = os.openpty()
        self.shown = ""
        self.process = subprocess.Popen(
            [sys.executable, "-c", TAKE_TERMINAL, *words],
            stdin=self.slave,
            stdout=self.slave,
            stderr=self.slave if stderr is None else stderr,
            start_new_session=True,
            env=environment(),
        )

    def type(self, keys):
        os.write(self.master, keys)

    def look(self, wait_s=0.0):
        """Read what is shown by now."""
        while select.select([self.master], [], [], wait_s)[0]:
            try:
                self.shown += os.read(self.master, 65_536).decode(errors="replace")
            except OSError:
                return

    def wait_for(self, words):
        def is_shown():
            self.look()
            return words in self.shown or self.process.poll() is not None

        wait_until(is_shown, words)
        self.look(0.1)
        assert words in self.shown, self.shown

    def wait(self):
        """Wait for the end, reading what is shown, and return the exit code."""

        def is_over():
            self.look()
            return self.process.poll() is not None

        wait_until(is_over, "the end")
        self.look(0.1)
        return self.process.returncode

    def hang_up(self):
        """Close the terminal's window."""
        os.close(self.slave)
        os.close(self.master)
        self.master = self.slave = -1

    def close(self):
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        if self.master >= 0:
            os.close(self.slave)
            os.close(self.master)

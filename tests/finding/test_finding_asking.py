"""The harness asks ports who is there, at each common baud rate, and leaves them as it found them."""

from __future__ import annotations

import os
import subprocess
import sys
import termios
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial
from far_ends import (
    TinyDevice,
    hang_up,
    open_descriptors,
    pty_device,
    pty_pair,
    rfc2217_device,
    served,
    socket_device,
)
from port_trees import DIALOUT, Machine

from harness.bench.protocol import Role
from harness.clock import MS
from harness.codec import encode
from harness.codec import messages as m
from harness.finding.answers import Answer, Outcome
from harness.finding.asking import ASK_BAUDS, Asking, ask_all
from harness.finding.listing import find_ports
from harness.finding.system import System
from harness.load import COMMON_BAUDS
from mocks.pair import open_pair
from mocks.ptys import serving
from mocks.settings import MockSettings

pytestmark = pytest.mark.pty
QUICK = Asking(boot_ns=400 * MS, listen_ns=150 * MS)
"""For ends that answer at once; a busy machine may take its time."""
PATIENT = Asking(bauds=(115_200, 57_600, 9_600, 1_000_000), boot_ns=500 * MS, listen_ns=500 * MS)
RATES = {getattr(termios, f"B{rate}"): rate for rate in ASK_BAUDS if hasattr(termios, f"B{rate}")}


def ask(*names: str, asking: Asking = QUICK) -> list[Answer]:
    return ask_all(find_ports(System(), names), asking)


def ask_one(name: str, asking: Asking = QUICK) -> Answer:
    return ask(name, asking=asking)[0]


@contextmanager
def far_end(feed: Callable[[bytes], bytes]) -> Iterator[str]:
    with pty_pair() as (far, name), served(far, feed):
        yield name


@contextmanager
def at_rate(baud: int, device: Callable[[bytes], bytes], junk: bytes) -> Iterator[str]:
    """A device that hears and speaks at one rate; at any other both sides get junk, as on a real line."""
    with pty_pair() as (far, name):

        def feed(data: bytes) -> bytes:
            return device(data) if RATES.get(termios.tcgetattr(far)[5]) == baud else junk

        with served(far, feed):
            yield name


def test_the_harness_finds_every_served_device_at_the_same_time() -> None:
    with serving(open_pair(settings=MockSettings(witness=True))) as names:
        answers = ask(*(names[role] for role in Role))
    assert [answer.role for answer in answers] == list(Role)
    assert {answer.baud for answer in answers} == {115_200}
    assert answers[0].identity is not None
    assert answers[0].identity.packet_rate_mhz == 50_000


@pytest.mark.parametrize("baud", [57_600, 9_600, 1_000_000])
def test_the_harness_finds_the_baud_rate(baud: int) -> None:
    device = TinyDevice(m.WireRole.RECEIVER)
    with at_rate(baud, device.feed, b"\xf8\x1c\xe0") as name:
        answer = ask_one(name, PATIENT)
    assert (answer.role, answer.baud) == (Role.RECEIVER, baud)
    assert answer.tried == PATIENT.bauds[: PATIENT.bauds.index(baud) + 1]


def test_the_harness_tells_junk_at_every_rate() -> None:
    with at_rate(0, lambda data: b"", b"\xf8\x1c\xe0") as name:
        answer = ask_one(name, PATIENT)
    assert (answer.outcome, answer.tried) == (Outcome.JUNK, PATIENT.bauds)
    assert "junk at every rate tried" in answer.found
    assert "--baud" in answer.mend


def test_the_harness_asks_at_a_given_rate_only() -> None:
    with at_rate(38_400, TinyDevice(m.WireRole.WITNESS).feed, b"\xf8") as name:
        answer = ask_one(name, Asking(bauds=(38_400,), boot_ns=400 * MS))
    assert (answer.role, answer.tried) == (Role.WITNESS, (38_400,))


def test_the_harness_tells_silence_console_text_and_echo_apart() -> None:
    with (
        far_end(lambda data: b"") as silent,
        far_end(lambda data: b"Dunlin \x1b[31mv2\r\n> ") as console,
        far_end(lambda data: data) as echo,
    ):
        answers = ask(silent, console, echo)
    assert [answer.outcome for answer in answers] == [Outcome.SILENT, Outcome.TEXT, Outcome.ECHO]
    assert answers[0].tried == ASK_BAUDS
    assert r"Dunlin \x1b[31mv2" in answers[1].found
    assert answers[2].tried == (115_200,)


def test_the_harness_keeps_a_flood_of_text_bounded() -> None:
    with far_end(lambda data: b"\x1b]0;flooded with console text\x07\r\n" * 200) as name:
        answer = ask_one(name)
    assert answer.outcome is Outcome.TEXT
    assert answer.found.isprintable()
    assert len(answer.found) < 250


def test_the_harness_finds_a_device_that_also_echoes() -> None:
    device = TinyDevice(m.WireRole.RECEIVER)
    with far_end(lambda data: data + device.feed(data)) as name:
        assert ask_one(name).role is Role.RECEIVER


@pytest.mark.parametrize(("version", "outcome"), [(1, Outcome.DEVICE), (2, Outcome.TOO_NEW)])
def test_the_harness_tells_a_newer_protocol(version: int, outcome: Outcome) -> None:
    with serving(open_pair(settings=MockSettings(protocol_version=version))) as names:
        answer = ask_one(names[Role.RECEIVER])
    assert answer.outcome is outcome


def test_the_harness_waits_for_a_board_that_restarts_when_its_port_is_opened() -> None:
    device, asked = TinyDevice(m.WireRole.TRANSMITTER), []

    def feed(data: bytes) -> bytes:
        asked.append(data)
        return device.feed(data) if len(asked) >= 4 else b""

    with far_end(feed) as name:
        assert ask_one(name, Asking()).role is Role.TRANSMITTER


@pytest.mark.parametrize("cable", [socket_device, rfc2217_device])
def test_the_harness_asks_over_the_network(cable: Callable[[Role], object]) -> None:
    with cable(Role.RECEIVER) as name:  # type: ignore[attr-defined]
        answer = ask_one(name)
    assert (answer.role, answer.baud) == (Role.RECEIVER, 115_200)


def test_the_harness_says_that_nobody_listens_at_a_network_port() -> None:
    answer = ask_one("socket://127.0.0.1:1")
    assert answer.outcome is Outcome.FAILED
    assert "is the server at the other end running?" in answer.found


def test_the_harness_says_that_a_terminals_settings_cannot_be_changed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """pyserial lets this error through; it is no OSError."""

    def refuse(*_: object) -> None:
        raise termios.error(5, "Input/output error")

    with far_end(lambda data: b"") as name:
        monkeypatch.setattr(serial.Serial, "reset_input_buffer", refuse)
        answer = ask_one(name)
    assert answer.outcome is Outcome.FAILED
    assert "Input/output error" in answer.found


def test_the_harness_says_that_a_terminal_refuses_its_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise termios.error(22, "Invalid argument")

    with far_end(lambda data: b"") as name:
        monkeypatch.setattr(serial, "serial_for_url", refuse)
        answer = ask_one(name)
    assert answer.outcome is Outcome.FAILED
    assert answer.found.startswith("could not be opened at 115200 baud")


def test_the_harness_stops_asking_when_told() -> None:
    asking = Asking()
    asking.stop.set()
    with far_end(lambda data: b"") as name:
        assert ask_one(name, asking).outcome is Outcome.SILENT


def test_the_harness_says_that_a_port_went_away_while_it_was_asked() -> None:
    with pty_pair() as (far, name):

        def feed(data: bytes) -> bytes:
            hang_up(far)
            return b""

        with served(far, feed):
            answer = ask_one(name)
    assert answer.outcome is Outcome.FAILED
    assert "it stopped working while it was asked" in answer.found
    assert "cable" in answer.mend


def test_the_harness_sends_nothing_but_identify() -> None:
    heard = b""

    def feed(data: bytes) -> bytes:
        nonlocal heard
        heard += data
        return b""

    with far_end(feed) as name:
        ask_one(name)
    assert heard.replace(b"\0" + encode(m.Identify(), 0), b"") == b""


def test_the_harness_leaves_a_port_as_it_found_it() -> None:
    with pty_device(Role.RECEIVER) as name:
        own = os.open(name, os.O_RDWR | os.O_NOCTTY)
        settings = termios.tcgetattr(own)
        settings[4] = settings[5] = termios.B2400
        settings[2] |= termios.CSTOPB
        termios.tcsetattr(own, termios.TCSANOW, settings)
        before, descriptors = termios.tcgetattr(own), open_descriptors()
        assert ask_one(name).role is Role.RECEIVER
        assert termios.tcgetattr(own) == before
        assert open_descriptors() == descriptors
        os.close(own)


HOLD = """
import fcntl, sys, termios
port = open(sys.argv[1], "r+b", buffering=0)
if sys.argv[2] == "exclusive":
    fcntl.ioctl(port, termios.TIOCEXCL)
print("held", flush=True)
sys.stdin.read()
"""


@pytest.mark.parametrize("how", ["exclusive", "shared"])
def test_the_harness_says_who_holds_a_port_and_sends_nothing_there(how: str) -> None:
    heard = []
    with far_end(lambda data: heard.append(data) or b"") as name:  # type: ignore[func-returns-value]
        command = [sys.executable, "-c", HOLD, name, how]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
            assert other.stdout is not None
            other.stdout.readline()
            answer = ask_one(name)
            assert other.stdin is not None
            other.stdin.close()
        assert answer.outcome is Outcome.BUSY
        assert f"(process {other.pid})" in answer.found
        assert heard == []
        assert ask_one(name).outcome is Outcome.SILENT


def test_the_harness_does_not_ask_without_permission(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.adapter("/dev/ttyUSB0")
    machine.closed["/dev/ttyUSB0"] = DIALOUT
    (answer,) = ask_all(find_ports(machine.system), QUICK, machine.system)
    assert answer.outcome is Outcome.NO_PERMISSION
    assert "sudo usermod -aG dialout $USER" in answer.mend


def test_the_harness_says_that_a_port_is_not_there(tmp_path: Path) -> None:
    answer = ask_one(str(tmp_path / "receiver"))
    assert answer.outcome is Outcome.FAILED
    assert "there is no such port" in answer.found


def test_the_harness_says_that_a_file_is_no_port(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("x")
    answer = ask_one(str(tmp_path / "notes.txt"))
    assert answer.outcome is Outcome.FAILED
    assert "this is not a serial port" in answer.found
    assert (tmp_path / "notes.txt").read_text() == "x"


def test_the_harness_tries_all_rates_that_plans_may_be_told_to_use() -> None:
    assert set(COMMON_BAUDS) <= set(ASK_BAUDS)
    assert Asking().longest_ns == 8_000 * MS

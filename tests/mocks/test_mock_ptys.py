"""The mock devices on real pseudo-terminals, in real time. Nothing here judges how long anything took."""

import errno
import os
import sys
import termios
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
import serial

from harness.bench.protocol import DEVICES, Role
from harness.codec import Frame, Splitter, decode_piece, encode, parse
from harness.codec import messages as m
from harness.errors import BenchError, UserError
from mocks import ptys
from mocks.defects import find_defect
from mocks.pair import open_pair
from mocks.ptys import serve, serving
from mocks.settings import MockSettings

pytestmark = pytest.mark.pty
PATIENCE_S = 10


class Program:
    """A serial program at one port."""

    def __init__(self, name: str) -> None:
        self.port = serial.Serial(name, 115_200, timeout=PATIENCE_S)
        self.splitter = Splitter()
        self.counters: list[int] = []

    def until(self, wanted: Callable[[m.AnyMessage], bool]) -> m.AnyMessage:
        """Read until a message is the wanted one."""
        while data := self.port.read(max(1, self.port.in_waiting)):
            for piece in self.splitter.feed(data):
                frame = decode_piece(piece)
                message = parse(frame) if isinstance(frame, Frame) else None
                if isinstance(frame, Frame):
                    self.counters.append(frame.counter)
                if message is not None and wanted(message):
                    return message
        raise AssertionError("nothing came in time")

    def ask(self, nonce: int) -> None:
        self.port.write(encode(m.Ping(nonce), 0))
        self.until(lambda message: isinstance(message, m.Pong) and message.nonce == nonce)


def test_mock_on_ptys_talks_to_any_serial_program() -> None:
    with serving(open_pair(settings=MockSettings(witness=True))) as names:
        ports = [Program(names[role]) for role in Role]
        for port, role in zip(ports, m.WireRole, strict=True):
            port.port.write(encode(m.Identify(), 0))
            identity = port.until(lambda message: isinstance(message, m.Identity))
            assert isinstance(identity, m.Identity)
            assert identity.role == role
        ports[0].port.write(encode(m.Sticks(9, (1234,) * 6), 1))
        ports[1].until(lambda message: isinstance(message, m.Applied) and message.outputs_us == (1234,) * 6)
        ports[2].until(lambda message: isinstance(message, m.Pulses) and message.pulses[5][1] == 12_340)
        for port in ports:
            port.port.close()


def test_mock_on_ptys_survives_a_program_that_closes_and_comes_back() -> None:
    with serving(open_pair()) as names:
        for nonce in range(3):
            program = Program(names[Role.RECEIVER])
            program.ask(nonce)
            first, last = program.counters[0], program.counters[-1]
            assert program.counters == list(range(first, last + 1))
            program.port.close()


def test_mock_on_ptys_is_raw_and_gives_a_new_program_nothing_old() -> None:
    with serving(open_pair()) as names:
        first = Program(names[Role.RECEIVER])
        first.ask(1)
        first.until(lambda message: isinstance(message, m.Applied))
        first.port.close()
        second = os.open(names[Role.RECEIVER], os.O_RDWR | os.O_NOCTTY)
        assert not termios.tcgetattr(second)[3] & (termios.ECHO | termios.ICANON)
        os.write(second, encode(m.Ping(2), 0))
        splitter, counters = Splitter(), []
        while True:
            for piece in splitter.feed(os.read(second, 4096)):
                frame = decode_piece(piece)
                assert isinstance(frame, Frame)
                counters.append(frame.counter)
                if parse(frame) == m.Pong(2, getattr(parse(frame), "at_us", 0)):
                    os.close(second)
                    assert counters[0] > first.counters[-1]
                    return


def test_mock_on_ptys_makes_links_with_stable_names_and_takes_them_away(tmp_path: Path) -> None:
    with serving(open_pair(), link_dir=tmp_path / "mock") as names:
        assert names[Role.RECEIVER] == str(tmp_path / "mock" / "receiver")
        assert os.path.realpath(names[Role.RECEIVER]).startswith("/dev/")
        Program(names[Role.RECEIVER]).ask(5)
    assert list((tmp_path / "mock").iterdir()) == []


def test_mock_on_ptys_replaces_a_link_that_was_left_behind(tmp_path: Path) -> None:
    (tmp_path / "receiver").symlink_to("/dev/gone")
    with serving(open_pair(), link_dir=tmp_path) as names:
        assert os.path.realpath(names[Role.RECEIVER]) != "/dev/gone"


def test_mock_on_ptys_does_not_overwrite_a_file(tmp_path: Path) -> None:
    (tmp_path / "receiver").write_text("mine")
    with pytest.raises(UserError, match="name another directory"), serving(open_pair(), link_dir=tmp_path):
        raise AssertionError("never served")
    assert (tmp_path / "receiver").read_text() == "mine"
    assert not (tmp_path / "transmitter").is_symlink()


def test_mock_on_ptys_says_so_where_there_are_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "openpty")
    with pytest.raises(UserError, match="pseudo-terminals, which this system has not"):
        serve(open_pair())


def test_mock_on_ptys_says_so_when_none_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    def none_left() -> tuple[int, int]:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "openpty", none_left)
    with pytest.raises(BenchError, match="no pseudo-terminal: No space left"):
        serve(open_pair())


def test_mock_on_ptys_refuses_contradictions_before_it_opens_anything() -> None:
    with pytest.raises(UserError, match="block_for"):
        serve(open_pair(settings=MockSettings(block_for_ns=1)), announce=pytest.fail)


def test_mock_on_ptys_announces_two_names_and_returns_on_ctrl_c(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(ptys, "_run", interrupted)
    serve(open_pair(defect=find_defect("failsafe-late")))
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == [role.value for role in DEVICES]


def test_mock_on_ptys_keeps_a_bounded_amount_for_a_program_that_does_not_read() -> None:
    terminal = ptys.Terminal()
    slave = os.open(terminal.name, os.O_RDWR | os.O_NOCTTY)
    terminal.look()
    assert terminal.is_open
    for _ in range(3_000):
        terminal.write(bytes(100))
    assert len(terminal._unread) <= ptys.MAX_UNREAD_BYTES
    read = 0
    os.set_blocking(slave, False)
    while True:
        try:
            read += len(os.read(slave, 65_536))
        except BlockingIOError:
            break
    terminal.write(b"x" * 100)
    assert 0 < read < 200_000
    os.close(slave)
    assert terminal.read() == b""
    assert not terminal.is_open
    terminal.write(b"lost")
    terminal.close()


def test_mock_on_ptys_leaves_no_thread_behind() -> None:
    before = set(threading.enumerate())
    with serving(open_pair()):
        assert len(threading.enumerate()) == len(before) + 1
    assert set(threading.enumerate()) == before
    assert "mocks.ptys" in sys.modules

"""The mock devices on TCP ports, in real time. Nothing here judges how long anything took."""

from __future__ import annotations

import os
import socket
from contextlib import closing
from pathlib import Path
from threading import Event

import pytest

from harness.bench.opening import serve_mock
from harness.bench.protocol import DEVICES, Role
from harness.bench.rig import find_rig
from harness.cli import main
from harness.codec import Frame, Splitter, decode_piece, encode, parse
from harness.codec import messages as m
from harness.errors import UserError
from mocks import sockets
from mocks.defects import find_defect
from mocks.pair import open_pair
from mocks.settings import MockSettings
from mocks.sockets import LOOPBACK, Listen, TcpEnd, parse_listen, serve, serving

PATIENCE_S = 10


def connect(url: str) -> socket.socket:
    host, _, port = url.removeprefix("socket://").rpartition(":")
    return socket.create_connection((host.strip("[]"), int(port)), PATIENCE_S)


def identity(plain: socket.socket) -> m.Identity:
    splitter = Splitter()
    plain.sendall(encode(m.Identify(), 0))
    while data := plain.recv(4096):
        for piece in splitter.feed(data):
            frame = decode_piece(piece)
            message = parse(frame) if isinstance(frame, Frame) else None
            if isinstance(message, m.Identity):
                return message
    raise AssertionError("the port was closed")


@pytest.mark.parametrize(
    ("text", "host", "port"),
    [
        ("4000", LOOPBACK, 4000),
        ("192.168.1.5:4000", "192.168.1.5", 4000),
        ("[::1]:4000", "::1", 4000),
        ("bench-host:0", "bench-host", 0),
        ("65533", LOOPBACK, 65533),
    ],
)
def test_mock_listens_where_it_is_told(text: str, host: str, port: int) -> None:
    assert parse_listen(text) == Listen(host, port)


@pytest.mark.parametrize(
    "text", ["", "x", ":4000", "host:", "host:x", "65534", "-1", "1e3", "\u0664\u0660", "9" * 400]
)
def test_mock_says_what_is_no_place_to_listen(text: str) -> None:
    with pytest.raises(ValueError, match="is no place to listen; write a port up to 65533"):
        parse_listen(text)


def test_mock_on_tcp_talks_to_a_program_on_each_port() -> None:
    with serving(open_pair(settings=MockSettings(witness=True))) as urls:
        assert list(urls) == list(Role)
        for url, role in zip(urls.values(), m.WireRole, strict=True):
            with closing(connect(url)) as plain:
                assert identity(plain).role == role


def test_mock_on_tcp_sends_a_second_program_away_and_goes_on_with_the_first() -> None:
    with serving(open_pair()) as urls, closing(connect(urls[Role.RECEIVER])) as first:
        assert identity(first).role == m.WireRole.RECEIVER
        with closing(connect(urls[Role.RECEIVER])) as second:
            assert second.recv(1) == b""
        assert identity(first).role == m.WireRole.RECEIVER


def test_mock_on_tcp_takes_the_next_program_when_the_first_has_left() -> None:
    with serving(open_pair()) as urls:
        for _ in range(3):
            with closing(connect(urls[Role.TRANSMITTER])) as plain:
                while True:
                    try:
                        assert identity(plain).role == m.WireRole.TRANSMITTER
                        break
                    except (AssertionError, OSError):  # the one before was not seen leaving yet
                        plain.close()
                        plain = connect(urls[Role.TRANSMITTER])  # noqa: PLW2901
                plain.close()


def told(listen: Listen, defect: str | None = None) -> list[str]:
    lines: list[str] = []
    stop = Event()
    stop.set()
    serve(open_pair(defect=find_defect(defect) if defect else None), listen, announce=lines.append, stop=stop)
    return lines


def test_mock_on_tcp_says_where_it_listens_and_that_nobody_else_gets_in() -> None:
    *ports, who = told(Listen(LOOPBACK, 0))
    assert [line.split()[0] for line in ports] == [role.value for role in DEVICES]
    assert all(" socket://127.0.0.1:" in line for line in ports)
    assert who.startswith("listening on 127.0.0.1: programs on this machine only")


def test_mock_on_tcp_warns_when_it_listens_beyond_this_machine() -> None:
    *ports, who = told(Listen("0.0.0.0", 0))
    assert all(" socket://127.0.0.1:" in line for line in ports)
    assert who.startswith("warning: this listens beyond this machine. Anybody who can reach it can drive")


def test_mock_on_tcp_puts_the_ports_side_by_side() -> None:
    with closing(socket.create_server((LOOPBACK, 0))) as probe:
        first = probe.getsockname()[1]
    if first + 2 > 65_535:
        pytest.skip("the system gave its last ports")
    try:
        lines = told(Listen(LOOPBACK, first), "pin-off")
    except UserError:
        pytest.skip("somebody took the ports beside")
    assert [int(line.rpartition(":")[2]) - first for line in lines[:3]] == [0, 1, 2]


def test_mock_on_tcp_says_that_a_port_is_taken() -> None:
    with closing(socket.create_server((LOOPBACK, 0))) as other:
        port = other.getsockname()[1]
        with pytest.raises(
            UserError, match=f"cannot listen at 127.0.0.1:{port}: Address already in use; name"
        ):
            told(Listen(LOOPBACK, port))


def test_mock_on_tcp_says_that_there_is_no_such_host() -> None:
    with pytest.raises(UserError, match=r"cannot listen at no\.such\.host\.invalid:4000"):
        told(Listen("no.such.host.invalid", 4000))


def test_mock_on_tcp_keeps_a_bounded_amount_for_a_program_that_does_not_read() -> None:
    end = TcpEnd(socket.create_server((LOOPBACK, 0)))
    with closing(end), closing(socket.create_connection(end._server.getsockname())):
        while not end.is_open:
            end.look()
        for _ in range(100_000):
            end.write(bytes(100))
        assert len(end._unread) <= sockets.MAX_UNREAD_BYTES


def test_mock_on_tcp_needs_no_pseudo_terminals(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "openpty")
    assert len(told(Listen(LOOPBACK, 0))) == 3


def test_mock_on_tcp_writes_a_rig_file_that_names_its_ports(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sockets, "run", lambda *_: None)
    serve_mock(find_rig("mock"), None, 7, link_dir=tmp_path / "net", listen="0")
    ports = find_rig(str(tmp_path / "net" / "rig.yaml")).ports
    assert all(spec.url.startswith("socket://127.0.0.1:") for spec in ports.values())
    assert list(ports) == list(DEVICES)
    serve_mock(find_rig("mock"), None, 7, link_dir=tmp_path / "net", listen="0")  # over its own file
    (tmp_path / "net" / "rig.yaml").write_text("mine")
    with pytest.raises(UserError, match="would be overwritten"):
        serve_mock(find_rig("mock"), None, 7, link_dir=tmp_path / "net", listen="0")


def test_mock_on_tcp_refuses_nonsense_on_the_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["mock", "--listen", "nonsense"]) == 2
    assert "--listen 'nonsense' is no place to listen" in capsys.readouterr().err


def test_mock_on_tcp_raises_in_its_thread_to_whoever_serves() -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("mock broke")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sockets, "run", broken)
        with pytest.raises(RuntimeError, match="mock broke"), serving(open_pair()):
            pass

"""The bench over a network: small frames at once, a vanished server noticed, what is known of it told."""

from __future__ import annotations

import select
import socket
from collections.abc import Iterator
from contextlib import closing

import pytest
from far_ends import rfc2217_device
from test_serial_bench import failure

from harness.bench.network import VANISHED_MS, describe, quicken, round_trip_us
from harness.bench.ports import WRITE_LIMIT_MS, PortSpec
from harness.bench.protocol import Role
from harness.bench.serial import SerialBench
from harness.errors import BenchError

T = Role.TRANSMITTER
linux_only = pytest.mark.skipif(not hasattr(socket, "TCP_USER_TIMEOUT"), reason="needs Linux's TCP options")


class Port:
    """A network port as pyserial holds one."""

    def __init__(self, plain: socket.socket) -> None:
        self._socket = plain


@pytest.fixture
def connected() -> Iterator[tuple[Port, socket.socket]]:
    with (
        closing(socket.create_server(("127.0.0.1", 0))) as server,
        closing(socket.create_connection(server.getsockname())) as near,
        closing(server.accept()[0]) as far,
    ):
        yield Port(near), far


@linux_only
def test_a_connection_is_given_up_when_nothing_is_acknowledged_for_a_while(
    connected: tuple[Port, socket.socket],
) -> None:
    port, _ = connected
    quicken(port)
    plain = port._socket
    assert plain.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    assert plain.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
    assert plain.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == VANISHED_MS
    idle, every, count = (
        plain.getsockopt(socket.IPPROTO_TCP, getattr(socket, name))
        for name in ("TCP_KEEPIDLE", "TCP_KEEPINTVL", "TCP_KEEPCNT")
    )
    assert (idle + every * count) * 1_000 <= VANISHED_MS


def test_a_write_to_a_server_that_reads_nothing_gives_up_as_on_any_port(
    connected: tuple[Port, socket.socket],
) -> None:
    port, _ = connected
    port._socket.settimeout(5)
    quicken(port)
    assert port._socket.gettimeout() == WRITE_LIMIT_MS / 1000


@linux_only
def test_the_round_trip_is_the_systems_own(connected: tuple[Port, socket.socket]) -> None:
    port, far = connected
    trip = round_trip_us(port._socket)
    assert trip is not None
    assert 0 < trip < 1_000_000
    far.sendall(b"x")
    assert select.select([port._socket], [], [], 1)[0]


def test_what_no_system_tells_is_said_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(socket, "TCP_INFO", raising=False)
    with closing(socket.socket()) as plain:
        facts = describe(Port(plain), PortSpec("socket://somewhere:4000"))
    assert facts["network"] == "socket, round trip not known"
    assert facts["latency timer"].startswith("not known")


def test_a_port_of_this_machine_is_no_network() -> None:
    assert describe(object(), PortSpec("/dev/ttyUSB0")) == {}
    quicken(object())


def test_an_rfc2217_port_is_described_as_one() -> None:
    with rfc2217_device(T) as url, closing(SerialBench({T: PortSpec(url)})) as bench:
        assert bench.facts["transmitter network"].startswith("rfc2217, round trip")


@linux_only
def test_a_server_that_the_system_gave_up_on_is_a_port_that_is_gone() -> None:
    """What the kernel does after its time is ETIMEDOUT on the socket; the wait itself is not played here."""
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        with closing(SerialBench({T: PortSpec(url)})) as bench, closing(server.accept()[0]) as far:
            far.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
            far.close()
            error = failure(bench)
            assert "is gone" in str(error)
            with pytest.raises(BenchError, match="is gone"):
                bench.send(T, b"x")

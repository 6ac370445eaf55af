"""The serial bench over pseudo-terminals and TCP: every byte, every stamp, every way a port can fail."""

from __future__ import annotations

import os
import select
import socket
import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from types import SimpleNamespace

import pytest
from far_ends import hang_up, open_descriptors, pty_pair, served
from serial.urlhandler import protocol_socket

from harness.bench import readers
from harness.bench.protocol import DEVICES, Chunk, Role
from harness.bench.serial import PortSpec, SerialBench
from harness.clock import MS, VirtualClock
from harness.errors import BenchError

T, R = Role.TRANSMITTER, Role.RECEIVER


@contextmanager
def pty_bench() -> Iterator[tuple[SerialBench, dict[Role, int], dict[Role, str]]]:
    """A bench on two pseudo-terminals, with the far sides' descriptors and the near sides' names."""
    with pty_pair() as (far_t, near_t), pty_pair() as (far_r, near_r):
        names = {T: near_t, R: near_r}
        with closing(SerialBench({role: PortSpec(name) for role, name in names.items()})) as bench:
            yield bench, {T: far_t, R: far_r}, names


@contextmanager
def socket_bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[SerialBench, dict[Role, socket.socket]]]:
    """A bench on two TCP connections, with the far sides."""
    monkeypatch.setattr(protocol_socket, "time", SimpleNamespace(sleep=lambda _: None))
    servers = {role: socket.create_server(("127.0.0.1", 0)) for role in DEVICES}
    specs = {role: PortSpec(f"socket://127.0.0.1:{servers[role].getsockname()[1]}") for role in DEVICES}
    with closing(SerialBench(specs)) as bench:
        far = {role: servers[role].accept()[0] for role in DEVICES}
        yield bench, far
        for end in (*far.values(), *servers.values()):
            end.close()


def collect(bench: SerialBench, count: int, *, by_ns: int = MS) -> list[Chunk]:
    """Advance until `count` bytes have come; gives up after two seconds."""
    chunks: list[Chunk] = []
    give_up_ns = bench.now_ns() + 2000 * MS
    while sum(len(chunk.data) for chunk in chunks) < count:
        assert bench.now_ns() < give_up_ns
        chunks += bench.advance(bench.now_ns() + by_ns)
    return chunks


def data_of(chunks: list[Chunk], role: Role) -> bytes:
    return b"".join(chunk.data for chunk in chunks if chunk.role is role)


def failure(bench: SerialBench) -> BenchError:
    """Return what `advance` raises once it has handed over what came before."""
    give_up_ns = bench.now_ns() + 2000 * MS
    while bench.now_ns() < give_up_ns:
        try:
            bench.advance(bench.now_ns() + MS)
        except BenchError as error:
            return error
    raise AssertionError("nothing was raised")


def test_the_bench_passes_every_byte_value_both_ways_unchanged() -> None:
    every = bytes(range(256)) * 4
    with pty_bench() as (bench, far, _):
        os.write(far[T], every)
        bench.send(R, every)
        assert data_of(collect(bench, len(every)), T) == every
        assert os.read(far[R], 4096) == every


def test_the_bench_puts_chunks_of_both_ports_in_one_order_of_time() -> None:
    with pty_bench() as (bench, far, _):
        chunks: list[Chunk] = []
        for number in range(10):
            os.write(far[(T, R)[number % 2]], bytes([number]))
            chunks += collect(bench, 1)
    assert b"".join(chunk.data for chunk in chunks) == bytes(range(10))
    assert [chunk.at_ns for chunk in chunks] == sorted(chunk.at_ns for chunk in chunks)


def test_the_bench_throws_away_what_came_before_it_was_opened() -> None:
    with pty_pair() as (far_t, near_t), pty_pair() as (_, near_r):
        os.write(far_t, b"stale\n")
        with closing(SerialBench({T: PortSpec(near_t), R: PortSpec(near_r)})) as bench:
            assert bench.advance(bench.now_ns() + MS) == []


def test_the_bench_bounds_what_one_call_returns_and_keeps_the_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readers, "MAX_BYTES_PER_CALL", 100)
    flood = bytes(range(250)) * 24
    with pty_bench() as (bench, far, _):
        assert os.write(far[T], flood) == len(flood) > readers.READ_SIZE
        first = list(bench.advance(bench.now_ns() + 5 * MS))
        assert 100 <= len(data_of(first, T)) <= readers.READ_SIZE
        assert data_of(first + collect(bench, len(flood) - len(data_of(first, T))), T) == flood


def test_the_bench_finishes_a_write_that_does_not_fit_at_once() -> None:
    sent, got = bytes(range(256)) * 600, bytearray()

    def take(data: bytes) -> bytes:
        got.extend(data)
        return b"!"

    with pty_bench() as (bench, far, _):
        with served(far[T], take):
            bench.send(T, sent)
            while len(got) < len(sent):
                bench.advance(bench.now_ns() + MS)
        assert bytes(got) == sent


def test_the_bench_keeps_what_arrives_while_a_write_is_held_up() -> None:
    with pty_bench() as (bench, far, _):
        os.write(far[R], b"meanwhile")
        with served(far[T], lambda data: b""):
            bench.send(T, bytes(200_000))
        assert data_of(collect(bench, 9), R) == b"meanwhile"


class JumpingClock(VirtualClock):
    """Every look at the clock takes 150 ms."""

    def now_ns(self) -> int:
        self.sleep_until_ns(super().now_ns() + 150 * MS)
        return super().now_ns()


def test_the_bench_gives_up_on_a_write_that_nobody_takes() -> None:
    with pty_pair() as (_, near):
        bench = SerialBench({T: PortSpec(near)}, JumpingClock())
        with closing(bench), pytest.raises(BenchError, match="could not be written in 200 ms") as caught:
            bench.send(T, bytes(500_000))
        assert (caught.value.role, caught.value.port) == ("transmitter", near)


def test_the_bench_hands_over_what_came_before_a_port_went_away(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket_bench(monkeypatch) as (bench, far):
        before_ns = bench.now_ns()
        far[R].sendall(b"last words")
        far[R].close()
        assert data_of(collect(bench, 10), R) == b"last words"
        error = failure(bench)
        assert error.role == "receiver"
        assert error.port.startswith("socket://")
        assert before_ns < error.at_ns < bench.now_ns()
        assert "is gone" in str(error)


def test_the_bench_goes_on_with_the_port_that_is_left() -> None:
    with pty_bench() as (bench, far, names):
        hang_up(far[R])
        assert failure(bench).port == names[R]
        bench.send(T, b"throttle closed")
        assert os.read(far[T], 99) == b"throttle closed"
        os.write(far[T], b"thanks")
        assert data_of(collect(bench, 6), T) == b"thanks"
        for _ in range(2):
            with pytest.raises(BenchError, match=r"receiver port .* is gone"):
                bench.send(R, b"hello?")


def test_the_bench_raises_every_time_when_no_port_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket_bench(monkeypatch) as (bench, far):
        for role in DEVICES:
            far[role].close()
        assert {failure(bench).role, failure(bench).role} == set(DEVICES)
        for _ in range(3):
            with pytest.raises(BenchError):
                bench.advance(bench.now_ns())


def test_the_bench_does_not_wait_for_ports_that_it_lost_while_writing() -> None:
    with pty_pair() as (far, near), closing(SerialBench({T: PortSpec(near)})) as bench:
        hang_up(far)
        with pytest.raises(BenchError):
            bench.send(T, b"x")
        with pytest.raises(BenchError, match="is gone"):
            bench.advance(bench.now_ns())


def test_the_bench_sees_a_port_go_when_it_writes() -> None:
    with pty_bench() as (bench, far, names):
        hang_up(far[T])
        with pytest.raises(BenchError, match=r"transmitter port .* is gone") as caught:
            bench.send(T, b"x")
        assert caught.value.port == names[T]


def test_the_bench_tells_a_connection_that_was_reset(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket_bench(monkeypatch) as (bench, far):
        far[T].setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))  # close sends a reset
        far[T].close()
        error = failure(bench)
        assert error.role == "transmitter"
        assert "reset" in str(error)


def test_the_bench_keeps_what_it_had_read_when_it_is_interrupted(monkeypatch: pytest.MonkeyPatch) -> None:
    with pty_bench() as (bench, far, _):
        os.write(far[T], b"kept")
        looks = iter((select.select, None))

        def look(*where: object) -> object:
            real = next(looks)
            if real is None:
                raise KeyboardInterrupt
            return real(*where)

        with monkeypatch.context() as patch:
            patch.setattr(readers, "select", SimpleNamespace(select=look))
            with pytest.raises(KeyboardInterrupt):
                bench.advance(bench.now_ns() + 10 * MS)
        assert data_of(list(bench.advance(bench.now_ns())), T) == b"kept"


def test_the_bench_tells_what_a_pseudo_terminal_lacks() -> None:
    with pty_bench() as (bench, _, names):
        facts = bench.facts
        assert facts["transmitter port"] == names[T]
        assert "errno 25" in facts["transmitter low latency"]
        assert facts["receiver control lines"] == "none"
        assert facts["reading"] == "by descriptor"
        assert not bench.control(T, "dtr", level=True)


def test_the_bench_counts_as_hardware_and_real_time() -> None:
    with pty_bench() as (bench, _, _):
        assert bench.is_hardware
        assert not bench.is_virtual


def test_the_bench_leaves_nothing_open_behind_it(monkeypatch: pytest.MonkeyPatch) -> None:
    before = open_descriptors()
    with pty_bench():
        pass
    with socket_bench(monkeypatch) as (bench, far):
        far[T].close()
        failure(bench)
    assert open_descriptors() == before


def test_the_bench_leaves_the_first_port_free_when_the_second_does_not_open() -> None:
    with pty_pair() as (_, near):
        for _ in range(2):
            with pytest.raises(BenchError, match=r"receiver port .*no such port"):
                SerialBench({T: PortSpec(near), R: PortSpec("/dev/nowhere")})
        SerialBench({T: PortSpec(near)}).close()


def test_the_bench_loads_pyserial_only_when_a_port_is_opened() -> None:
    code = (
        "import sys, harness.bench.serial, harness.bench.rig, harness.bench.opening, harness.bench.identify;"
        "sys.exit('serial' in sys.modules or 'mocks' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

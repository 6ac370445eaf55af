"""Ports that have no descriptor are read by threads: nothing is lost silently, nothing is out of order."""

from __future__ import annotations

import io
import os
import queue
from collections.abc import Callable, Iterator
from contextlib import closing

import pytest
import serial
from far_ends import hang_up, pty_pair
from test_serial_bench import R, T, collect, data_of, failure

from harness.bench import readers
from harness.bench import serial as serial_bench
from harness.bench.serial import PortSpec, SerialBench
from harness.clock import MS
from harness.errors import BenchError


class FakePort:
    """A serial port as pyserial would give it on a system without descriptors; the test is the device."""

    def __init__(self) -> None:
        self.inbox: queue.Queue[bytes | Exception] = queue.Queue()
        self.rest = b""
        self.written = b""
        self.refuse: Exception | None = None
        self.dtr = False

    def fileno(self) -> int:
        raise io.UnsupportedOperation("fileno")

    def read(self, size: int) -> bytes:
        if not self.rest:
            try:
                item = self.inbox.get(timeout=0.01)
            except queue.Empty:
                return b""
            if isinstance(item, Exception):
                raise item
            self.rest = item
        data, self.rest = self.rest[:size], self.rest[size:]
        return data

    @property
    def in_waiting(self) -> int:
        return len(self.rest)

    @property
    def cts(self) -> bool:
        return True

    def write(self, data: bytes) -> int:
        if self.refuse:
            raise self.refuse
        self.written += data
        return len(data)

    def close(self) -> None:
        pass


@pytest.fixture
def fakes(monkeypatch: pytest.MonkeyPatch) -> dict[str, FakePort]:
    ports = {"fake://transmitter": FakePort(), "fake://receiver": FakePort()}
    monkeypatch.setattr(serial, "serial_for_url", lambda url, **_: ports[url])
    return {url.removeprefix("fake://"): port for url, port in ports.items()}


@pytest.fixture
def bench(fakes: dict[str, FakePort]) -> Iterator[SerialBench]:
    specs = {T: PortSpec("fake://transmitter"), R: PortSpec("fake://receiver")}
    with closing(SerialBench(specs)) as opened:
        yield opened


def wait_until(bench: SerialBench, happened: Callable[[], bool]) -> None:
    """Give the reading threads time, without fetching what they read."""
    give_up_ns = bench.now_ns() + 2000 * MS
    while not happened():
        assert bench.now_ns() < give_up_ns


def test_the_bench_reads_ports_without_a_descriptor_by_threads(
    bench: SerialBench, fakes: dict[str, FakePort]
) -> None:
    assert bench.facts["reading"] == "by one thread a port"
    for number in range(20):
        fakes["transmitter"].inbox.put(bytes([number]) * 3)
        fakes["receiver"].inbox.put(bytes([100 + number]))
    chunks = collect(bench, 80)
    assert data_of(chunks, T) == b"".join(bytes([number]) * 3 for number in range(20))
    assert data_of(chunks, R) == bytes(range(100, 120))
    stamps = [chunk.at_ns for chunk in chunks]
    assert stamps == sorted(stamps)


def test_the_bench_writes_to_ports_without_a_descriptor(
    bench: SerialBench, fakes: dict[str, FakePort]
) -> None:
    bench.send(R, b"abc")
    bench.send(R, b"def")
    assert fakes["receiver"].written == b"abcdef"
    assert bench.control(T, "dtr", level=True)
    assert fakes["transmitter"].dtr


def test_the_bench_counts_bytes_that_nobody_fetched_in_time(
    bench: SerialBench, fakes: dict[str, FakePort], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(readers, "MAX_QUEUED_BYTES", 100)
    for _ in range(5):
        fakes["transmitter"].inbox.put(bytes(30))
    wait_until(bench, lambda: bench.facts.get("transmitter dropped bytes") == "50")
    assert len(data_of(collect(bench, 100), T)) == 100
    fakes["transmitter"].inbox.put(b"room again")
    assert data_of(collect(bench, 10), T) == b"room again"
    assert bench.facts["transmitter dropped bytes"] == "50"


def test_the_bench_tells_when_a_thread_loses_its_port(bench: SerialBench, fakes: dict[str, FakePort]) -> None:
    fakes["receiver"].inbox.put(b"last words")
    fakes["receiver"].inbox.put(
        serial.SerialException("device reports readiness to read but returned no data")
    )
    assert data_of(collect(bench, 10), R) == b"last words"
    error = failure(bench)
    assert (error.role, error.port) == ("receiver", "fake://receiver")
    with pytest.raises(BenchError, match="is gone"):
        bench.send(R, b"x")
    bench.send(T, b"throttle closed")
    fakes["transmitter"].inbox.put(b"thanks")
    assert data_of(collect(bench, 6), T) == b"thanks"


def test_the_bench_hands_over_the_last_words_of_ports_that_are_all_gone(
    bench: SerialBench, fakes: dict[str, FakePort]
) -> None:
    for port in fakes.values():
        port.inbox.put(b"last words")
        port.inbox.put(serial.SerialException("unplugged"))
    wait_until(bench, lambda: len(bench._ports.gone) == 2)
    chunks = list(bench.advance(bench.now_ns()))
    assert data_of(chunks, T) == data_of(chunks, R) == b"last words"
    assert {failure(bench).role, failure(bench).role} == {"transmitter", "receiver"}
    with pytest.raises(BenchError, match="unplugged"):
        bench.advance(bench.now_ns())


@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        (serial.SerialTimeoutException("Write timeout"), "could not be written in 200 ms"),
        (serial.SerialException("connection failed (socket error)"), "is gone"),
    ],
)
def test_the_bench_names_the_port_that_refuses_a_write(
    bench: SerialBench, fakes: dict[str, FakePort], trouble: Exception, words: str
) -> None:
    fakes["transmitter"].refuse = trouble
    with pytest.raises(BenchError, match=words) as caught:
        bench.send(T, b"x")
    assert (caught.value.role, caught.value.port) == ("transmitter", "fake://transmitter")


def test_the_bench_reads_a_terminal_by_threads_where_it_must(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_bench, "can_read_directly", lambda _: False)
    with pty_pair() as (far, near), closing(SerialBench({T: PortSpec(near)})) as bench:
        os.write(far, b"hello")
        assert data_of(collect(bench, 5), T) == b"hello"
        bench.send(T, b"back")
        assert os.read(far, 9) == b"back"
        hang_up(far)
        assert failure(bench).port == near


def test_the_bench_leaves_a_spied_port_to_pyserial() -> None:
    with pty_pair() as (_, near), closing(serial.serial_for_url(near)) as port:
        assert readers.can_read_directly(readers.OpenPort(near, port))
        assert not readers.can_read_directly(readers.OpenPort(f"spy://{near}", port))

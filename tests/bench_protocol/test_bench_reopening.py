"""The bench opens a port again that went away: same name, same settings, and the others served meanwhile."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial
from far_ends import hang_up, pty_pair
from test_serial_bench import R, T, collect, data_of, failure
from test_serial_threads import FakePort

from harness.bench import readers
from harness.bench.ports import PortSpec
from harness.bench.protocol import Replugged, Role, extra
from harness.bench.reopening import Reopening
from harness.bench.serial import SerialBench
from harness.clock import MS
from harness.errors import BenchError


class Adapter:
    """An adapter behind a stable name: a link to whatever terminal it is at the moment."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.stack: list[object] = []
        self.far = -1

    def plug(self) -> None:
        pair = pty_pair()
        self.stack.append(pair)
        self.far, near = pair.__enter__()
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(near)

    def pull(self) -> None:
        hang_up(self.far)
        self.link.unlink()

    def close(self) -> None:
        for pair in self.stack:
            pair.__exit__(None, None, None)  # type: ignore[attr-defined]


@contextmanager
def adapters(folder: Path) -> Iterator[tuple[SerialBench, Adapter, Adapter]]:
    found = {role: Adapter(folder / role) for role in (T, R)}
    for adapter in found.values():
        adapter.plug()
    specs = {role: PortSpec(str(one.link)) for role, one in found.items()}
    with closing(found[T]), closing(found[R]), closing(SerialBench(specs)) as bench:
        yield bench, found[T], found[R]


def reopened(bench: SerialBench, role: Role) -> None:
    """Open a port again, however often it takes; gives up after two seconds."""
    give_up_ns = bench.now_ns() + 2000 * MS
    while bench.now_ns() < give_up_ns:
        try:
            bench.reopen(role)
        except BenchError:
            continue
        return
    raise AssertionError("it never opened")


@pytest.mark.pty
def test_the_bench_reads_and_writes_a_port_that_came_back(tmp_path: Path) -> None:
    with adapters(tmp_path) as (bench, transmitter, receiver):
        receiver.pull()
        assert failure(bench).role == "receiver"
        with pytest.raises(BenchError, match="there is no such port"):
            bench.reopen(R)
        receiver.plug()
        reopened(bench, R)
        os.write(receiver.far, b"back")
        os.write(transmitter.far, b"here all the time")
        chunks = collect(bench, 21)
        assert (data_of(chunks, R), data_of(chunks, T)) == (b"back", b"here all the time")
        bench.send(R, b"welcome")
        assert os.read(receiver.far, 99) == b"welcome"
        assert bench.facts["receiver device"] == os.readlink(receiver.link)


@pytest.mark.pty
def test_the_bench_loses_a_port_that_came_back_once_more(tmp_path: Path) -> None:
    with adapters(tmp_path) as (bench, _, receiver):
        for _ in range(3):
            receiver.pull()
            assert failure(bench).role == "receiver"
            receiver.plug()
            reopened(bench, R)
            bench.send(R, b"x")


@pytest.mark.pty
def test_the_bench_opens_a_port_again_that_only_took_no_bytes(tmp_path: Path) -> None:
    with adapters(tmp_path) as (bench, transmitter, receiver):
        reopened(bench, R)
        os.write(receiver.far, b"here")
        assert data_of(collect(bench, 4), R) == b"here"
        os.write(transmitter.far, b"too")
        assert data_of(collect(bench, 3), T) == b"too"


@pytest.mark.pty
@pytest.mark.parametrize("number", [errno.ENODEV, errno.EIO, errno.ENXIO])
@pytest.mark.parametrize("way", ["read", "write"])
def test_the_bench_takes_each_error_of_a_pulled_plug_for_a_port_that_is_gone(
    number: int, way: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with adapters(tmp_path) as (bench, transmitter, receiver):
        near = bench._ports._fds[R]  # type: ignore[attr-defined]
        real: Callable[..., object] = getattr(os, way)

        def refuse(fd: int, *more: object) -> object:
            if fd == near:
                raise OSError(number, os.strerror(number))
            return real(fd, *more)

        os.write(receiver.far, b"never read")
        with monkeypatch.context() as patch:
            shim = SimpleNamespace(**{name: getattr(os, name) for name in ("read", "write", "set_blocking")})
            setattr(shim, way, refuse)
            patch.setattr(readers, "os", shim)
            if way == "write":
                with pytest.raises(BenchError, match=os.strerror(number)) as caught:
                    bench.send(R, b"x")
                error = caught.value
            else:
                error = failure(bench)
        assert os.strerror(number) in str(error)
        assert error.role == "receiver"
        bench.send(T, b"throttle closed")
        assert os.read(transmitter.far, 99) == b"throttle closed"


@pytest.mark.pty
def test_the_bench_sees_a_terminal_that_hung_up_and_reads_as_empty(tmp_path: Path) -> None:
    """As a plug that is pulled shows on some drivers: POLLHUP, ready for ever, no bytes."""
    with adapters(tmp_path) as (bench, _, receiver):
        receiver.pull()
        error = failure(bench)
        assert error.role == "receiver"
        assert "is gone" in str(error)


def test_the_bench_reads_a_port_without_a_descriptor_again(monkeypatch: pytest.MonkeyPatch) -> None:
    first, second, other = FakePort(), FakePort(), FakePort()
    ports = {"fake://r": [first, second], "fake://t": [other]}
    monkeypatch.setattr(serial, "serial_for_url", lambda url, **_: ports[url].pop(0))
    specs = {T: PortSpec("fake://t"), R: PortSpec("fake://r")}
    with closing(SerialBench(specs)) as bench:
        first.inbox.put(OSError(errno.EIO, "gone"))
        assert failure(bench).role == "receiver"
        reopened(bench, R)
        second.inbox.put(b"back")
        other.inbox.put(b"still here")
        chunks = collect(bench, 14)
        assert (data_of(chunks, R), data_of(chunks, T)) == (b"back", b"still here")
        bench.send(R, b"welcome")
        assert second.written == b"welcome"


def test_a_port_that_opens_slowly_keeps_nobody_waiting() -> None:
    may_open, opening = threading.Event(), Reopening()
    port = FakePort()

    def opens() -> FakePort:
        may_open.wait(10)
        return port

    for _ in range(3):
        with pytest.raises(BenchError, match="does not open yet"):
            opening.port(R, "x", opens)  # type: ignore[arg-type]
    may_open.set()
    give_up = 200
    while give_up:
        try:
            assert opening.port(R, "x", opens) is port  # type: ignore[arg-type]
        except BenchError:
            give_up -= 1
        else:
            break
    assert give_up


def test_a_port_that_opens_after_the_bench_is_closed_is_closed_too() -> None:
    may_open, closed, opening = threading.Event(), threading.Event(), Reopening()

    def opens() -> SimpleNamespace:
        may_open.wait(10)
        return SimpleNamespace(close=closed.set)

    with pytest.raises(BenchError, match="does not open yet"):
        opening.port(R, "x", opens)  # type: ignore[arg-type]
    opening.give_up()
    may_open.set()
    assert closed.wait(10)


def test_the_bench_opens_nothing_once_it_is_closed(tmp_path: Path) -> None:
    with adapters(tmp_path) as (bench, *_):
        assert extra(bench, Replugged)
        bench.close()
        with pytest.raises(BenchError, match="the bench is closed"):
            bench.reopen(R)


def test_a_server_that_confirms_no_control_line_is_one_without(monkeypatch: pytest.MonkeyPatch) -> None:
    class Deaf(FakePort):
        @property
        def rts(self) -> bool:
            return False

        @rts.setter
        def rts(self, _level: bool) -> None:
            raise ValueError("remote rejected value for option 'control'")

    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: Deaf())
    with closing(SerialBench({T: PortSpec("fake://t")})) as bench:
        assert not bench.control(T, "rts", level=True)

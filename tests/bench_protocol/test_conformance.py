"""Every bench keeps the same contract (`harness.bench.protocol.Bench`): virtual, pseudo-terminal, network.

Behind each bench stand devices that answer pings, so that what must arrive is known to the byte.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from contextlib import ExitStack, closing, contextmanager
from types import SimpleNamespace

import pytest
from far_ends import devices, pty_device, rfc2217_device, socket_device
from serial import rfc2217
from serial.urlhandler import protocol_socket

from harness.bench.protocol import DEVICES, Bench, Chunk, Role
from harness.bench.serial import PortSpec, SerialBench
from harness.clock import MS
from harness.codec import Frame, Splitter, decode_piece, encode, parse
from harness.codec import messages as m
from harness.errors import BenchError
from mocks.bench import open_virtual
from mocks.pair import open_pair
from mocks.ptys import serving
from mocks.settings import MockSettings

ANSWER_NS = 2_000 * MS
"""When to give up on an answer; a bench that works takes a few milliseconds."""


@contextmanager
def virtual(roles: Collection[Role]) -> Iterator[Bench]:
    with closing(open_virtual(settings=MockSettings(witness=Role.WITNESS in roles))) as bench:
        yield bench


@contextmanager
def mock_on_ptys(roles: Collection[Role]) -> Iterator[Bench]:
    with serving(open_pair(settings=MockSettings(witness=Role.WITNESS in roles))) as ports:
        specs = {role: PortSpec(port) for role, port in ports.items()}
        with closing(SerialBench(specs)) as bench:
            yield bench


def serial_bench(kind: Callable[[Role], object]) -> Callable[[Collection[Role]], object]:
    @contextmanager
    def opened(roles: Collection[Role]) -> Iterator[Bench]:
        with devices(kind, roles) as urls:
            specs = {role: PortSpec(url) for role, url in urls.items()}
            with closing(SerialBench(specs)) as bench:
                yield bench

    return opened


KINDS = {
    "virtual": virtual,
    "mock on ptys": mock_on_ptys,
    "ptys": serial_bench(pty_device),
    "socket": serial_bench(socket_device),
    "rfc2217": serial_bench(rfc2217_device),
}
BENCHES = [
    pytest.param(kind, roles, id=f"{name}-{len(roles)}-ports".replace(" ", "-"))
    for name, kind in KINDS.items()
    for roles in (DEVICES, tuple(Role))
]


@pytest.fixture(params=[pytest.param(param.values, id=param.id) for param in BENCHES])
def bench(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """An open bench of each kind. pyserial's network clients sleep 0.3 s when they close: not here."""
    for module in (protocol_socket, rfc2217):
        brief = SimpleNamespace(sleep=lambda seconds, sleep=module.time.sleep: sleep(min(seconds, 0.002)))
        monkeypatch.setattr(module, "time", brief)
    with ExitStack() as stack:
        opened, roles = request.param
        yield stack.enter_context(opened(roles))


class Listener:
    """Collects what a bench returns, until every nonce asked for has come back."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.chunks: list[Chunk] = []
        self.counters = dict.fromkeys(bench.baud, 0)
        self.splitters = {role: Splitter() for role in bench.baud}
        self.frames: dict[Role, list[Frame]] = {role: [] for role in bench.baud}
        self.junk: dict[Role, list[bytes]] = {role: [] for role in bench.baud}

    def ping(self, role: Role, nonce: int) -> int:
        self.counters[role] += 1
        return self.bench.send(role, encode(m.Ping(nonce), self.counters[role] - 1))

    def nonces(self, role: Role) -> list[int]:
        return [found.nonce for frame in self.frames[role] if isinstance(found := parse(frame), m.Pong)]

    def advance(self, by_ns: int = 2 * MS) -> list[Chunk]:
        got = list(self.bench.advance(self.bench.now_ns() + by_ns))
        self.chunks += got
        for chunk in got:
            for piece in self.splitters[chunk.role].feed(chunk.data):
                item = decode_piece(piece.removesuffix(b"\0"))
                if isinstance(item, Frame):
                    self.frames[chunk.role].append(item)
                elif piece != b"\0":
                    self.junk[chunk.role].append(piece)
        return got

    def wait_for(self, **counts: int) -> None:
        give_up_ns = self.bench.now_ns() + ANSWER_NS
        while any(len(self.nonces(Role(role))) < count for role, count in counts.items()):
            assert self.bench.now_ns() < give_up_ns, f"no answer: {self.frames} {self.junk}"
            self.advance()


def test_a_bench_advances_at_least_to_the_time_asked_for(bench: Bench) -> None:
    until_ns = bench.now_ns() + 2 * MS
    bench.advance(until_ns)
    assert bench.now_ns() >= until_ns


def test_a_bench_returns_at_once_when_the_time_has_passed(bench: Bench) -> None:
    before_ns = bench.now_ns()
    for past_ns in (before_ns, before_ns - 5 * MS, -1):
        bench.advance(past_ns)
    if bench.is_virtual:
        assert bench.now_ns() == before_ns


def test_a_bench_never_turns_its_time_back(bench: Bench) -> None:
    listener = Listener(bench)
    times = []
    for nonce in range(20):
        times += [bench.now_ns(), listener.ping(Role.RECEIVER, nonce), bench.now_ns()]
        listener.advance(MS // 5)
    assert times == sorted(times)


def test_a_bench_carries_every_byte_once_and_in_order(bench: Bench) -> None:
    listener = Listener(bench)
    for nonce in range(30):
        for number, role in enumerate(bench.baud):
            listener.ping(role, 1000 * number + nonce)
        listener.advance(MS)
    listener.wait_for(**dict.fromkeys(bench.baud, 30))
    for number, role in enumerate(bench.baud):
        assert listener.nonces(role) == list(range(1000 * number, 1000 * number + 30))
        counters = [frame.counter for frame in listener.frames[role]]
        assert counters == list(range(counters[0], counters[0] + len(counters)))
        assert len(listener.junk[role]) <= 1, "only a frame cut by the opening may be junk"


def test_a_bench_keeps_its_ports_apart(bench: Bench) -> None:
    listener = Listener(bench)
    listener.ping(Role.RECEIVER, 7)
    listener.wait_for(receiver=1)
    listener.advance()
    assert [listener.nonces(role) for role in bench.baud if role is not Role.RECEIVER] == [[]] * (
        len(bench.baud) - 1
    )
    assert listener.nonces(Role.RECEIVER) == [7]


def test_a_bench_returns_chunks_in_order_and_stamped_while_it_waited(bench: Bench) -> None:
    listener = Listener(bench)
    last_ns = bench.now_ns()
    listener.advance()
    for nonce in range(10):
        for role in bench.baud:
            listener.ping(role, nonce)
        this_ns = bench.now_ns()
        for chunk in listener.advance():
            assert last_ns <= chunk.at_ns <= bench.now_ns(), (
                "neither held back for a call nor from the future"
            )
        last_ns = this_ns
    listener.wait_for(**dict.fromkeys(bench.baud, 10))
    stamps = [chunk.at_ns for chunk in listener.chunks]
    assert stamps == sorted(stamps)


def test_a_bench_stamps_an_answer_after_its_question(bench: Bench) -> None:
    listener = Listener(bench)
    listener.advance()
    for nonce in range(5):
        sent_ns = listener.ping(Role.TRANSMITTER, nonce)
        seen = len(listener.chunks)
        listener.wait_for(transmitter=nonce + 1)
        assert any(sent_ns < chunk.at_ns for chunk in listener.chunks[seen:])


def test_a_bench_returns_chunks_of_some_bytes_from_its_own_roles(bench: Bench) -> None:
    listener = Listener(bench)
    for role in bench.baud:
        listener.ping(role, 1)
    listener.wait_for(**dict.fromkeys(bench.baud, 1))
    for chunk in listener.chunks:
        assert isinstance(chunk, Chunk)
        assert isinstance(chunk.role, Role)
        assert type(chunk.data) is bytes
        assert chunk.data


def test_a_bench_knows_the_time_just_before_it_sends(bench: Bench) -> None:
    before_ns = bench.now_ns()
    sent_ns = bench.send(Role.TRANSMITTER, b"\0")
    assert before_ns <= sent_ns <= bench.now_ns()
    assert bench.send(Role.TRANSMITTER, b"") >= sent_ns


def test_a_bench_tells_baud_facts_and_its_kind(bench: Bench) -> None:
    assert tuple(bench.baud) in (DEVICES, tuple(Role))
    assert set(bench.baud.values()) == {115_200}
    assert all(isinstance(key, str) and isinstance(text, str) for key, text in bench.facts.items())
    assert {f"{role} port" for role in bench.baud} <= set(bench.facts)
    assert not (bench.is_hardware and bench.is_virtual)


def test_a_bench_says_whether_a_control_line_was_set(bench: Bench) -> None:
    assert isinstance(bench.control(Role.RECEIVER, "dtr", level=True), bool)
    assert isinstance(bench.control(Role.TRANSMITTER, "rts", level=False), bool)


def test_a_bench_closes_twice_and_refuses_work_afterwards(bench: Bench) -> None:
    bench.close()
    bench.close()
    for use in (
        lambda: bench.send(Role.RECEIVER, b"\0"),
        lambda: bench.advance(bench.now_ns()),
        lambda: bench.control(Role.RECEIVER, "dtr", level=True),
    ):
        with pytest.raises(BenchError) as caught:
            use()
        assert caught.value.role in set(bench.baud)
        assert caught.value.port

"""A plain conversation with a bench, for these tests: say messages, let time pass, look at what was heard."""

from __future__ import annotations

from typing import NamedTuple, TypeVar

from harness.bench.protocol import Bench, Role
from harness.codec import AnyMessage, Frame, Junk, Message, Splitter, decode_piece, encode, parse
from mocks.bench import VirtualBench, open_virtual

TX, RX = Role.TRANSMITTER, Role.RECEIVER
M = TypeVar("M")


class Heard(NamedTuple):
    role: Role
    at_ns: int
    counter: int
    message: AnyMessage


class Talk:
    """Keeps the PC's counters and everything the devices said."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.counters = dict.fromkeys(bench.baud, 0)
        self.splitters = {role: Splitter() for role in bench.baud}
        self.heard: list[Heard] = []
        self.texts: list[bytes] = []
        self.junk: list[bytes] = []

    def tell(self, role: Role, message: Message) -> None:
        self.bench.send(role, encode(message, self.counters[role]))
        self.counters[role] += 1

    def run(self, for_ns: int) -> list[Heard]:
        """Let time pass and return what was heard meanwhile."""
        before = len(self.heard)
        for chunk in self.bench.advance(self.bench.now_ns() + for_ns):
            for piece in self.splitters[chunk.role].feed(chunk.data):
                self._take(chunk.role, chunk.at_ns, decode_piece(piece))
        return self.heard[before:]

    def _take(self, role: Role, at_ns: int, part: Frame | Junk) -> None:
        if isinstance(part, Junk):
            self.junk.append(part.data)
            return
        message = parse(part)
        assert message is not None
        if part.text:
            self.texts.append(part.text)
        self.heard.append(Heard(role, at_ns, part.counter, message))

    def all(self, kind: type[M]) -> list[M]:
        """Return every message of a kind, in order of arrival."""
        return [heard.message for heard in self.heard if isinstance(heard.message, kind)]

    def last(self, kind: type[M]) -> M:
        return self.all(kind)[-1]


def virtual(*args: object, **settings: object) -> tuple[Talk, VirtualBench]:
    """Open a virtual bench (arguments as `open_virtual`) and talk to it."""
    bench = open_virtual(*args, **settings)  # type: ignore[arg-type]
    return Talk(bench), bench

"""What does the radio module on a board's second UART do? It sends, acknowledges and repeats by itself.

A frame on that UART, both ways, at 500 000 bit/s:

    kind u8 | length u8 of the payload | payload, 40 bytes at most | checksum u8, which makes the sum of all 0

Our own invention, for the reference firmware and this bench. Behind it works the mock's air: same losses,
same chance. Left out: power-up time, channel changes, a signal strength.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final, Protocol

from harness.clock import US, S
from harness.codec.messages import MAX_TELEMETRY
from mocks.air import Air
from mocks.settings import WorldSettings
from mocks.world import World

START: Final = 0xA0
SEND: Final = 0xA1
ANSWER: Final = 0xA2
ACKNOWLEDGE: Final = 0xA3
STOP: Final = 0xA4
DONE: Final = 0xB0
PACKET: Final = 0xB1
READY: Final = 0xB2

SENDER: Final = 1
LISTENER: Final = 2
MAX_PACKET: Final = 32
"""The longest packet that common 2.4 GHz packet transceivers carry: common practice, no source."""
BYTE_NS: Final = 10 * S // 500_000
THINKING_NS: Final = 150 * US
"""From a frame's last byte to what it brings about, and from the air to the UART."""
PIDS: Final = 4
"""Packets carry a two-bit identity; the same again with the same bytes is a repetition: common practice."""

RadioPacket = tuple[int, bytes]
Give = Callable[[int, bytes], None]
"""Puts bytes on the way to the board: end of the first byte in ns, and the bytes."""


def frame(kind: int, payload: bytes = b"") -> bytes:
    """Return a frame for the UART."""
    body = bytes((kind, len(payload))) + payload
    return body + bytes((-sum(body) & 0xFF,))


def read_frame(data: bytes) -> tuple[int, bytes] | None:
    """Return kind and payload of a whole frame, or None if its checksum or length is wrong."""
    if len(data) < 3 or sum(data) & 0xFF or len(data) != data[1] + 3:
        return None
    return data[0], data[2:-1]


class Radio(Protocol):
    """Either half of a link."""

    def started(self) -> None:
        """Forget everything."""
        ...

    def obey(self, kind: int, payload: bytes) -> None:
        """Carry out a command; what it does not know it ignores."""
        ...


class Module:
    """One module: its UART, and behind it whichever half of a link the board starts it as."""

    def __init__(self, world: World, air: Air, settings: WorldSettings, give: Give) -> None:
        self._world = world
        self._give = give
        self._uart_free_ns = 0
        self._air = air
        self._halves: dict[int, Radio] = {
            SENDER: Sender(self, world, air, settings),
            LISTENER: Listener(self, world, settings),
        }
        self._half: Radio | None = None

    def take(self, data: bytes, at_ns: int) -> None:
        """Take a frame from the board, the last byte of which ended at `at_ns`."""
        self._world.at(at_ns + THINKING_NS, self._obey, data)

    def say(self, kind: int, payload: bytes = b"") -> int:
        """Send a frame to the board; returns when its last byte will have ended."""
        data = frame(kind, payload)
        begin_ns = max(self._world.now_ns + THINKING_NS, self._uart_free_ns)
        self._uart_free_ns = begin_ns + len(data) * BYTE_NS
        self._give(begin_ns + BYTE_NS, data)
        return self._uart_free_ns

    def _obey(self, data: bytes) -> None:
        parts = read_frame(data)
        if parts is None:
            return
        kind, payload = parts
        if kind != START:
            if self._half is not None:
                self._half.obey(kind, payload)
        elif len(payload) == 1 and payload[0] in self._halves:
            self._half = half = self._halves[payload[0]]
            half.started()
            if isinstance(half, Listener):
                self._air.receiver = half
            self.say(READY)


class Sender:
    """The transmitter's half: one exchange at a time."""

    def __init__(self, module: Module, world: World, air: Air, settings: WorldSettings) -> None:
        self._module = module
        self._world = world
        self._air = air
        self._limit = settings.retransmit_limit
        longest_ns = settings.turn_round_ns + air.time_ns(MAX_TELEMETRY)
        self._patience_ns = max(longest_ns, settings.retransmit_delay_ns)
        self._pid = 0
        self._exchange: Exchange | None = None

    def started(self) -> None:
        """Give up silently what is under way."""
        self._exchange = None

    def obey(self, kind: int, payload: bytes) -> None:
        """Send a packet, or stop repeating one."""
        if kind == SEND and self._exchange is None and 1 <= len(payload) <= MAX_PACKET:
            self._pid = (self._pid + 1) % PIDS
            self._exchange = Exchange(self, (self._pid, payload))
            self.attempt(self._exchange)
        elif kind == STOP and self._exchange is not None:
            self._exchange.stopped = True

    def attempt(self, exchange: Exchange) -> None:
        """Transmit once."""
        exchange.attempts += 1
        self._air.send(exchange.packet, exchange, first=exchange.attempts == 1, patience_ns=self._patience_ns)

    def ended(self, exchange: Exchange, payload: bytes | None) -> None:
        """Tell the board how an exchange ended, or try again; None is no acknowledgement."""
        if exchange is not self._exchange:
            return
        if payload is None and exchange.attempts <= self._limit and not exchange.stopped:
            self.attempt(exchange)
            return
        self._exchange = None
        self._module.say(DONE, bytes((exchange.attempts, payload is not None)) + (payload or b""))


class Exchange:
    """One packet until it is acknowledged or given up."""

    def __init__(self, sender: Sender, packet: RadioPacket) -> None:
        self._sender = sender
        self.packet = packet
        self.attempts = 0
        self.stopped = False

    def answered(self, payload: bytes) -> None:
        """Take the acknowledgement."""
        self._sender.ended(self, payload)

    def unanswered(self, _: None) -> None:
        """Learn that none came."""
        self._sender.ended(self, None)


class Listener:
    """The receiver's half: holds packets until they have left through the UART."""

    def __init__(self, module: Module, world: World, settings: WorldSettings) -> None:
        self._module = module
        self._world = world
        self._depth = settings.fifo_depth
        self.started()

    def started(self) -> None:
        """Acknowledge with nothing loaded."""
        self._leaving: deque[int] = deque()
        self._last: RadioPacket | None = None
        self._payload = b""
        self._acknowledges = True

    def obey(self, kind: int, payload: bytes) -> None:
        """Load the next acknowledgement's payload, or acknowledge from now on or no more."""
        if kind == ANSWER and len(payload) <= MAX_TELEMETRY:
            self._payload = payload
        elif kind == ACKNOWLEDGE and len(payload) == 1:
            self._acknowledges = bool(payload[0])

    def hear(self, packet: RadioPacket) -> bytes | None:
        """Take a packet from the air; return the acknowledgement's payload, or None for none."""
        if packet != self._last:
            while self._leaving and self._leaving[0] <= self._world.now_ns:
                self._leaving.popleft()
            if len(self._leaving) >= self._depth:
                return None
            self._last = packet
            self._leaving.append(self._module.say(PACKET, packet[1]))
        return self._payload if self._acknowledges else None

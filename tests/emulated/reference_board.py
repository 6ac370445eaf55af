"""One emulated board with a reference firmware, driven by a test: bench port, radio module, pins."""

from __future__ import annotations

import itertools
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec.frames import Frame, Splitter, decode_piece, encode_frame
from harness.codec.messages import Message, parse
from mocks.avr.builds import build_role
from mocks.avr.emulator import Emulator, Event, Kind
from mocks.avr.module import BYTE_NS, DONE, PACKET, READY, SEND, START, frame, read_frame

BENCH_BYTE_NS = 10 * S // 115_200
ANSWER_NS = 2 * MS
STEP_NS = MS // 2
PACKET_LAYOUT = struct.Struct("<BH6H")
IDENTITY = 0x5D
"""Of Dunlin's transmitter (`LINK_IDENTITY` in shared/firmware/reference/model.h)."""
M = TypeVar("M", bound=Message)


def crc8(data: bytes) -> int:
    """CRC-8 of SAE J1850, bit by bit."""
    crc = 0xFF
    for byte in data:
        for bit in range(7, -1, -1):
            top = crc >> 7 ^ byte >> bit & 1
            crc = crc << 1 & 0xFF ^ (0x1D if top else 0)
    return crc ^ 0xFF


def packed(number: int, pulses_us: tuple[int, ...], *, identity: int = IDENTITY, wrong: int = 0) -> bytes:
    """Return a radio packet; the bits of `wrong` are wrong in its check."""
    body = PACKET_LAYOUT.pack(identity, number, *pulses_us)
    return body + bytes((crc8(body) ^ wrong,))


def unpacked(packet: bytes) -> tuple[int, int, tuple[int, ...], int]:
    """Return identity, number and pulses of a radio packet, and the wrong bits of its check."""
    identity, number, *pulses_us = PACKET_LAYOUT.unpack(packet[:-1])
    return identity, number, tuple(pulses_us), crc8(packet[:-1]) ^ packet[-1]


@dataclass
class Board:
    """One core. What it says and does is kept with its time in ns; times of the API are ns too."""

    role: Role
    defines: Mapping[str, int] = field(default_factory=dict)
    acknowledgement: bytes | None = b""
    """What the transmitter's module answers to each packet; None leaves packets unanswered for ever."""
    wakes: bool = True
    """Whether the module answers when it is started."""
    witnessed: bool = False
    """Whether a second core with the witness's firmware is wired to the pins."""

    def __post_init__(self) -> None:
        self.emulator = Emulator()
        self.core = self.emulator.add_core(build_role(self.role, self.defines), seed=7)
        for bit in range(6):
            self.emulator.watch(self.core, "B", bit)
        if self.witnessed:
            witness = self.emulator.add_core(build_role(Role.WITNESS, {}), seed=3)
            for bit in range(6):
                self.emulator.wire(self.core, "B", bit, witness, "C", bit)
        self.heard: list[tuple[int, int, Message]] = []
        self.module: list[tuple[int, int, bytes]] = []
        self.edges: list[Event] = []
        self.resets: list[str] = []
        self.stopped: list[str] = []
        self.text = b""
        self.bytes_said = 0
        self._splitters = (Splitter(), Splitter())
        self._counter = 0
        self._line_free_ns = 0

    def run(self, for_ns: int) -> None:
        """Let time pass."""
        end_ns = self.emulator.now_ns + for_ns
        while self.emulator.now_ns < end_ns:
            self.emulator.run(min(end_ns, self.emulator.now_ns + STEP_NS))
            for event in self.emulator.events():
                self._take(event)

    def tell(self, message: Message) -> None:
        """Send a message to the bench port, after what is still on its way there."""
        data = encode_frame(message.TYPE, self._counter, message.pack())
        self._counter += 1
        self.tell_bytes(data)

    def tell_bytes(self, data: bytes) -> None:
        """Send any bytes to the bench port."""
        begin_ns = max(self._line_free_ns, self.emulator.now_ns)
        self.emulator.feed(self.core, 0, begin_ns + BENCH_BYTE_NS, BENCH_BYTE_NS, data)
        self._line_free_ns = begin_ns + len(data) * BENCH_BYTE_NS

    def radio(self, kind: int, payload: bytes = b"") -> None:
        """Let the module say something."""
        self.emulator.feed(self.core, 1, self.emulator.now_ns + BYTE_NS, BYTE_NS, frame(kind, payload))

    def packet(
        self, number: int, pulses_us: tuple[int, ...], *, identity: int = IDENTITY, wrong: int = 0
    ) -> None:
        """Let the receiver's module hand over a packet."""
        self.radio(PACKET, packed(number, pulses_us, identity=identity, wrong=wrong))

    def said(self, kind: type[M]) -> list[M]:
        """Return the messages of one kind, in order."""
        return [message for _, _, message in self.heard if isinstance(message, kind)]

    def said_at(self, kind: type[M]) -> list[tuple[int, M]]:
        """Return the messages of one kind with the time at which their last byte left."""
        return [(at_ns, message) for at_ns, _, message in self.heard if isinstance(message, kind)]

    def told_module(self, kind: int) -> list[tuple[int, bytes]]:
        """Return times and payloads of the frames of one kind that the module got."""
        return [(at_ns, payload) for at_ns, one, payload in self.module if one == kind]

    def pulses(self, bit: int) -> list[tuple[int, int]]:
        """Return begin and width of every whole pulse on a pin of port B."""
        edges = [event for event in self.edges if event.bit == bit]
        return [
            (up.at_ns, down.at_ns - up.at_ns)
            for up, down in itertools.pairwise(edges)
            if up.level and not down.level
        ]

    def _take(self, event: Event) -> None:
        if event.kind is Kind.BENCH:
            self.bytes_said += len(event.data)
            for piece in self._splitters[event.core].feed(event.data):
                whole = decode_piece(piece)
                message = parse(whole) if isinstance(whole, Frame) else None
                if isinstance(whole, Frame) and message is not None:
                    self.heard.append((event.at_ns, whole.counter, message))
                    self.text += whole.text
                else:
                    self.text += piece
        elif event.kind is Kind.MODULE:
            self._answer_as_module(event)
        elif event.kind is Kind.EDGE:
            self.edges.append(event)
        elif event.kind is Kind.RESET:
            self.resets.append(event.cause)
        else:
            self.stopped.append(event.cause)

    def _answer_as_module(self, event: Event) -> None:
        parts = read_frame(event.data)
        assert parts is not None, "the firmware sent a bad frame to its module"
        kind, payload = parts
        self.module.append((event.at_ns, kind, payload))
        if kind == START and self.wakes:
            self.radio(READY)
        elif kind == SEND and self.acknowledgement is not None:
            done = frame(DONE, bytes((1, 1)) + self.acknowledgement)
            self.emulator.feed(self.core, 1, event.at_ns + ANSWER_NS, BYTE_NS, done)

"""What would devices say that do not speak the bench protocol? Lines or records, from the same mocks.

Stands around other simulated devices: each message that one sends becomes what such firmware prints, and what
is written to it becomes commands. What the firmware has no words for is never said. The words here are
put together by hand, apart from the patterns that read them.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from harness.bench.protocol import Chunk, Role
from harness.codec import Frame, Splitter, decode_piece, parse
from harness.codec import messages as m
from mocks.devices import Devices
from mocks.power import Relays

RAW_TOP: Final = 1023
"""A converter of ten bits."""


@dataclass
class Voice:
    """How one device's firmware talks: `says` makes bytes of a message, `hears` messages of a line."""

    says: Callable[[m.AnyMessage], bytes]
    hears: Callable[[str], Iterator[m.Message]] = field(default=lambda _line: iter(()))


def raw_of(pulse_us: int) -> int:
    """Return the count that stands for a pulse: 0 for 1000 us, 1023 for 2000 us."""
    return round((pulse_us - 1000) * RAW_TOP / 1000)


def pulse_of(raw: int) -> int:
    """Return the pulse that a count stands for."""
    return 1000 + round(raw * 1000 / RAW_TOP)


def text_transmitter(*, sets: bool = True, reports: bool = True) -> Voice:
    """Return a transmitter that prints a line for each packet, and takes lines for sticks and silence."""

    def says(message: m.AnyMessage) -> bytes:
        if not isinstance(message, m.Sent) or not reports:
            return b""
        acked = "ok" if message.flags & m.SENT_ACKED else "lost"
        words = f" set={message.set_number}" if sets else ""
        return f"TX {message.packet} {acked}{words}\n".encode()

    return Voice(says, heard_by_transmitter)


def heard_by_transmitter(line: str) -> Iterator[m.Message]:
    """Yield what a line means to a transmitter: `S set us us ...` or `Q ms`."""
    word, *rest = line.split()
    numbers = [int(number) for number in rest]
    if word == "S":
        yield m.Sticks(numbers[0], tuple(numbers[1:]))
    elif word == "Q":
        yield m.Silence(0, numbers[0] * 1000)
    elif word == "K":
        yield m.KeepAlive()


def text_receiver(
    *, numbers: bool = True, times: bool = True, failsafe: bool = True, raw: bool = False
) -> Voice:
    """Return a receiver that prints what it applies and when it goes to failsafe."""

    def shown(outputs_us: tuple[int, ...]) -> str:
        return ",".join(str(raw_of(pulse_us) if raw else pulse_us) for pulse_us in outputs_us)

    def says(message: m.AnyMessage) -> bytes:
        if isinstance(message, m.Applied):
            number = f" n={message.packet}" if numbers else ""
            time = f" t={message.at_us // 1000}" if times else ""
            return f"RX{number}{time} ch={shown(message.outputs_us)}\r\n".encode()
        if isinstance(message, m.OutputChange) and message.reason == m.OutputReason.FAILSAFE and failsafe:
            time = f" t={message.at_us // 1000}" if times else ""
            return f"FAILSAFE{time} ch={shown(message.outputs_us)}\r\n".encode()
        if isinstance(message, m.Started):
            return b"BOOT\r\n"
        return b""

    return Voice(says)


def record_receiver() -> Voice:
    """Return a receiver that sends records: AA 55, length, identifier, fields, CRC-16/MODBUS."""

    def says(message: m.AnyMessage) -> bytes:
        if isinstance(message, m.Applied):
            return record(1, struct.pack("<HI", message.packet, message.at_us), message.outputs_us)
        if isinstance(message, m.OutputChange) and message.reason == m.OutputReason.FAILSAFE:
            return record(2, struct.pack("<I", message.at_us), message.outputs_us)
        return b""

    return Voice(says)


def record(identifier: int, head: bytes, outputs_us: Sequence[int]) -> bytes:
    """Return one record."""
    body = bytes((identifier,)) + head + struct.pack(f"<{len(outputs_us)}H", *outputs_us)
    covered = bytes((len(body),)) + body
    return b"\xaa\x55" + covered + modbus(covered).to_bytes(2, "little")


def modbus(data: bytes) -> int:
    """Return CRC-16/MODBUS bit by bit, as firmware without room for a table does."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return value


class Speaking:
    """Simulated devices that talk as their voices do: `mocks.devices.Devices` around others."""

    def __init__(self, devices: Devices, voices: Mapping[Role, Voice]) -> None:
        self.baud = devices.baud
        self.facts = devices.facts
        self._devices = devices
        self._voices = voices
        self._splitters = {role: Splitter() for role in voices}
        self._lines = dict.fromkeys(voices, b"")
        self._counters = dict.fromkeys(voices, 0)

    def now_ns(self) -> int:
        """Return virtual time."""
        return self._devices.now_ns()

    def send(self, role: Role, data: bytes) -> None:
        """Hand a device what is written to it; it obeys at the end of a line."""
        if role not in self._voices:
            self._devices.send(role, data)
            return
        *lines, self._lines[role] = (self._lines[role] + data).split(b"\n")
        for line in filter(bytes.strip, lines):
            for message in self._voices[role].hears(line.decode("ascii", "replace")):
                self._devices.send(role, m.encode(message, self._counters[role]))
                self._counters[role] += 1

    def advance(self, until_ns: int) -> list[Chunk]:
        """Simulate up to `until_ns` and return what arrived, in the devices' own words."""
        chunks = []
        for chunk in self._devices.advance(until_ns):
            if chunk.role not in self._voices:
                chunks.append(chunk)
                continue
            pieces = self._splitters[chunk.role].feed(chunk.data)
            said = b"".join(self._said(chunk.role, piece) for piece in pieces)
            if said:
                chunks.append(Chunk(chunk.role, said, chunk.at_ns))
        return chunks

    def _said(self, role: Role, piece: bytes) -> bytes:
        frame = decode_piece(piece)
        message = parse(frame) if isinstance(frame, Frame) else None
        return self._voices[role].says(message) if message is not None else b""

    @property
    def has_attenuator(self) -> bool:
        """Whether an attenuator between the radios can be turned."""
        return self._devices.has_attenuator

    def turn_attenuator(self, attenuation_x10: int) -> None:
        """Set it, in tenths of a dB."""
        self._devices.turn_attenuator(attenuation_x10)

    @property
    def relays(self) -> Relays | None:
        """The relays of the devices."""
        return self._devices.relays

    def backlog_bytes(self, role: Role) -> int:
        """Return how many of the PC's bytes wait for a port's line."""
        return self._devices.backlog_bytes(role)

    def due_ns(self) -> int | None:
        """Return when something may happen next; None is never."""
        return self._devices.due_ns()

    def close(self) -> None:
        """Give back what they hold."""
        self._devices.close()

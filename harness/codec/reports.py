"""What do the devices say to the PC? Messages 0x40 to 0x7F, as in the tables of `shared/protocol.md`.

Device times are the device's own microseconds, modulo 2**32 (they wrap every 71.6 min). Packet numbers and
stick set numbers are 16 bits and wrap. All of it is untrusted.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import ClassVar

from harness.codec.codes import MAX_CHANNELS, MAX_NAME, MAX_TELEMETRY, PROTOCOL_VERSION
from harness.codec.layout import Fixed, MessageError, pack_pulses, unpack_pulses


@dataclass(frozen=True, slots=True)
class Identity:
    """Any device to PC: who I am. Names are UTF-8, at most 24 bytes each, and untrusted.

    A newer protocol version may add bytes at the end; they are passed over, so that its number can be told.
    """

    TYPE: ClassVar[int] = 0x41
    HEAD: ClassVar[struct.Struct] = struct.Struct("<BBBII")
    protocol: int
    role: int
    channels: int
    packet_rate_mhz: int
    abilities: int
    firmware: str
    version: str
    serial: str

    def pack(self) -> bytes:
        """Return `protocol u8 | role u8 | channels u8 | rate u32 | abilities u32 | 3 x (length u8, text)`."""
        head = self.HEAD.pack(self.protocol, self.role, self.channels, self.packet_rate_mhz, self.abilities)
        return head + b"".join(_pack_name(name) for name in (self.firmware, self.version, self.serial))

    @classmethod
    def unpack(cls, payload: bytes) -> Identity:
        """Read a payload; invalid UTF-8 is replaced; raises MessageError."""
        if len(payload) < cls.HEAD.size:
            raise MessageError(f"payload of {len(payload)} bytes, expected at least {cls.HEAD.size}")
        names, at = [], cls.HEAD.size
        for _ in range(3):
            size = payload[at] if at < len(payload) else MAX_NAME + 1
            if size > MAX_NAME or at + 1 + size > len(payload):
                raise MessageError("a name in the identity does not fit")
            names.append(payload[at + 1 : at + 1 + size].decode("utf-8", "replace"))
            at += 1 + size
        if at != len(payload) and payload[0] <= PROTOCOL_VERSION:
            raise MessageError(f"{len(payload) - at} bytes after the identity")
        return cls(*cls.HEAD.unpack_from(payload), *names)


def _pack_name(name: str) -> bytes:
    data = name.encode()
    if len(data) > MAX_NAME:
        raise MessageError(f"the name {name!r} is longer than {MAX_NAME} bytes")
    return bytes((len(data),)) + data


@dataclass(frozen=True, slots=True)
class Pong(Fixed):
    """Any device to PC: the nonce of a ping and the device's time when it answered."""

    TYPE: ClassVar[int] = 0x42
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<II")
    nonce: int
    at_us: int


@dataclass(frozen=True, slots=True)
class Reply(Fixed):
    """Any device to PC: what became of a command (its type and counter), and when it took effect."""

    TYPE: ClassVar[int] = 0x43
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BHBI")
    command: int
    counter: int
    result: int
    at_us: int


@dataclass(frozen=True, slots=True)
class Started(Fixed):
    """Any device to PC: I have just started, and why. Its counter begins again at 0."""

    TYPE: ClassVar[int] = 0x44
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BI")
    cause: int
    at_us: int


@dataclass(frozen=True, slots=True)
class Sent(Fixed):
    """Transmitter to PC: one packet is done with.

    `at_us` is when its sticks were sampled and its first attempt began; `took_us` the time from then to the
    acknowledgement, or to giving up (65 535 means that or longer).
    """

    TYPE: ClassVar[int] = 0x50
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<HHIHBB")
    packet: int
    set_number: int
    at_us: int
    took_us: int
    attempts: int
    flags: int


@dataclass(frozen=True, slots=True)
class Telemetry:
    """Transmitter to PC: an acknowledgement payload, raw, with the number of the packet it acknowledged.

    The count byte is there because the CRC cannot tell a body from the same body with zeros after it.
    """

    TYPE: ClassVar[int] = 0x51
    HEAD: ClassVar[struct.Struct] = struct.Struct("<HIB")
    packet: int
    at_us: int
    payload: bytes

    def pack(self) -> bytes:
        """Return `packet u16 | at u32 | count u8 | payload byte x count`."""
        if len(self.payload) > MAX_TELEMETRY:
            raise MessageError(f"a payload of {len(self.payload)} bytes, at most {MAX_TELEMETRY}")
        return self.HEAD.pack(self.packet, self.at_us, len(self.payload)) + self.payload

    @classmethod
    def unpack(cls, payload: bytes) -> Telemetry:
        """Read a payload; raises MessageError."""
        if len(payload) < cls.HEAD.size:
            raise MessageError(f"payload of {len(payload)} bytes, expected at least {cls.HEAD.size}")
        packet, at_us, count = cls.HEAD.unpack_from(payload)
        if count > MAX_TELEMETRY or len(payload) != cls.HEAD.size + count:
            raise MessageError(f"{count} bytes of telemetry do not fit a payload of {len(payload)} bytes")
        return cls(packet, at_us, payload[cls.HEAD.size :])


@dataclass(frozen=True, slots=True)
class Disturbed(Fixed):
    """Transmitter to PC: a `Disturb` of this kind is over, at `at_us`.

    `packets` counts what it sent for it, `acknowledged` how many of them were; both stop at 65 535.
    """

    TYPE: ClassVar[int] = 0x52
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BIHH")
    kind: int
    at_us: int
    packets: int
    acknowledged: int


@dataclass(frozen=True, slots=True)
class Applied:
    """Receiver to PC: a packet took effect at `at_us`, and the outputs became these pulses."""

    TYPE: ClassVar[int] = 0x60
    HEAD: ClassVar[struct.Struct] = struct.Struct("<HIb")
    packet: int
    at_us: int
    signal_dbm: int
    outputs_us: tuple[int, ...]

    def pack(self) -> bytes:
        """Return `packet u16 | at u32 | signal i8 (dBm, -128 unknown) | count u8 | pulse u16 x count`."""
        return self.HEAD.pack(self.packet, self.at_us, self.signal_dbm) + pack_pulses(self.outputs_us)

    @classmethod
    def unpack(cls, payload: bytes) -> Applied:
        """Read a payload; raises MessageError."""
        outputs = unpack_pulses(payload, cls.HEAD.size)
        packet, at_us, signal_dbm = cls.HEAD.unpack_from(payload)
        return cls(packet, at_us, signal_dbm, outputs)


@dataclass(frozen=True, slots=True)
class OutputChange:
    """Receiver to PC: the outputs changed without a packet, and why (`OutputReason`)."""

    TYPE: ClassVar[int] = 0x61
    HEAD: ClassVar[struct.Struct] = struct.Struct("<IB")
    at_us: int
    reason: int
    outputs_us: tuple[int, ...]

    def pack(self) -> bytes:
        """Return `at u32 | reason u8 | count u8 | pulse u16 x count`."""
        return self.HEAD.pack(self.at_us, self.reason) + pack_pulses(self.outputs_us)

    @classmethod
    def unpack(cls, payload: bytes) -> OutputChange:
        """Read a payload; raises MessageError."""
        outputs = unpack_pulses(payload, cls.HEAD.size)
        at_us, reason = cls.HEAD.unpack_from(payload)
        return cls(at_us, reason, outputs)


@dataclass(frozen=True, slots=True)
class Counters(Fixed):
    """Receiver to PC, once a second: totals since it started; `free_memory` in bytes, 65 535 if not known."""

    TYPE: ClassVar[int] = 0x62
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<IIIHHH")
    packets: int
    duplicates: int
    bad_packets: int
    restarts: int
    free_memory: int
    bad_frames: int


@dataclass(frozen=True, slots=True)
class Pulses:
    """Witness to PC: what came out of the receiver's pins, one pulse of each input at most.

    `at_us` is when the set was closed. Each pulse is (`ended_us`, `width`): us from its falling edge to
    `at_us`, and its width in tenths of a microsecond; a width of 0 means no pulse on this input in this set.
    """

    TYPE: ClassVar[int] = 0x70
    HEAD: ClassVar[struct.Struct] = struct.Struct("<IB")
    PULSE: ClassVar[struct.Struct] = struct.Struct("<HH")
    at_us: int
    pulses: tuple[tuple[int, int], ...]

    def pack(self) -> bytes:
        """Return `at u32 | count u8 | (ended u16 | width u16) x count`."""
        count = len(self.pulses)
        if count > MAX_CHANNELS:
            raise MessageError(f"{count} inputs, at most {MAX_CHANNELS}")
        return self.HEAD.pack(self.at_us, count) + b"".join(self.PULSE.pack(*one) for one in self.pulses)

    @classmethod
    def unpack(cls, payload: bytes) -> Pulses:
        """Read a payload; raises MessageError."""
        if len(payload) < cls.HEAD.size:
            raise MessageError(f"payload of {len(payload)} bytes, expected at least {cls.HEAD.size}")
        at_us, count = cls.HEAD.unpack_from(payload)
        if count > MAX_CHANNELS or len(payload) != cls.HEAD.size + count * cls.PULSE.size:
            raise MessageError(f"{count} inputs do not fit a payload of {len(payload)} bytes")
        pulses = cls.PULSE.iter_unpack(payload[cls.HEAD.size :])
        return cls(at_us, tuple((ended_us, width) for ended_us, width in pulses))

"""What crosses the bench ports: every message, its number, its fields and their widths.

`shared/protocol.md` has the same tables for people, `shared/vectors.yaml` holds golden frames. All fields
are little-endian. Device times are the device's own microseconds, modulo 2**32 (they wrap every 71.6 min).
Packet numbers and stick set numbers are 16 bits and wrap.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import ClassVar, Final, Protocol, TypeVar

from harness.codec.frames import Frame, encode_frame

PROTOCOL_VERSION: Final = 1
MAX_CHANNELS: Final = 16
MAX_NAME: Final = 24
MAX_TELEMETRY: Final = 32
"""The longest acknowledgement payload that common 2.4 GHz packet transceivers carry (common practice)."""
MAX_INJECTED: Final = 16
NO_SET: Final = 0
"""Stick set number of a packet that carried the transmitter's own sticks."""
SIGNAL_UNKNOWN: Final = -128
DEAD_MAN_MS: Final = 500
"""A device that hears no keep-alive for this long goes back to its own sticks, or to its safe state."""


class WireRole(IntEnum):
    """Role byte in an identity message."""

    TRANSMITTER = 1
    RECEIVER = 2


class Ability(IntFlag):
    """What a device can do on the bench; bits of the identity message."""

    STICKS = 1 << 0
    BURST = 1 << 1
    SILENCE = 1 << 2
    INJECT = 1 << 3
    MUTE_ACKS = 1 << 4
    RESTART = 1 << 5
    SET_PACKET_RATE = 1 << 8
    SET_POWER = 1 << 9
    SET_RADIO_CHANNEL = 1 << 10
    SET_RETRANSMIT_LIMIT = 1 << 11
    SET_RETRANSMIT_DELAY = 1 << 12


class SettingId(IntEnum):
    """What a `Setting` sets, with the unit of its value."""

    PACKET_RATE_MHZ = 1  # millihertz
    POWER_DBM_X10 = 2  # tenths of a dBm
    RADIO_CHANNEL = 3  # number
    RETRANSMIT_LIMIT = 4  # attempts after the first
    RETRANSMIT_DELAY_US = 5  # us


class Result(IntEnum):
    """A device's answer to a command."""

    DONE = 0
    UNKNOWN = 1
    OUT_OF_RANGE = 2
    BUSY = 3


class StartCause(IntEnum):
    """Why a device started."""

    POWER = 0
    COMMAND = 1
    WATCHDOG = 2
    BROWN_OUT = 3
    EXTERNAL = 4
    UNKNOWN = 255


class OutputReason(IntEnum):
    """Why outputs changed without a packet."""

    START = 0
    FAILSAFE = 1
    OTHER = 2


class MessageError(ValueError):
    """The payload does not fit its message type, or a field is out of its range."""


class Message(Protocol):
    """Every message packs itself into a payload and can be read back from one."""

    TYPE: ClassVar[int]

    def pack(self) -> bytes:
        """Return the payload bytes."""
        ...


M = TypeVar("M")
_PULSES = tuple(struct.Struct(f"<{count}H") for count in range(MAX_CHANNELS + 1))


def _unpack(layout: struct.Struct, payload: bytes) -> tuple[int, ...]:
    if len(payload) != layout.size:
        raise MessageError(f"payload of {len(payload)} bytes, expected {layout.size}")
    return layout.unpack(payload)


def _pulses(payload: bytes, at: int) -> tuple[int, ...]:
    """Read a count byte at `at` and that many 16-bit pulses, which must end the payload."""
    if len(payload) <= at:
        raise MessageError(f"payload of {len(payload)} bytes, expected at least {at + 1}")
    count = payload[at]
    if count > MAX_CHANNELS or len(payload) != at + 1 + 2 * count:
        raise MessageError(f"{count} channels do not fit a payload of {len(payload)} bytes")
    return _PULSES[count].unpack_from(payload, at + 1)


def _pack_pulses(values: tuple[int, ...]) -> bytes:
    if len(values) > MAX_CHANNELS:
        raise MessageError(f"{len(values)} channels, at most {MAX_CHANNELS}")
    return bytes((len(values),)) + _PULSES[len(values)].pack(*values)


@dataclass(frozen=True, slots=True)
class Identify:
    """PC to either: who are you? Carries the newest protocol version the PC speaks."""

    TYPE: ClassVar[int] = 0x01
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B")
    version: int = PROTOCOL_VERSION

    def pack(self) -> bytes:
        """Return `version u8`."""
        return self.LAYOUT.pack(self.version)

    @classmethod
    def unpack(cls, payload: bytes) -> Identify:
        """Read a payload; raises MessageError."""
        return cls(*_unpack(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class Ping:
    """PC to either: answer at once with your time."""

    TYPE: ClassVar[int] = 0x02
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<I")
    nonce: int

    def pack(self) -> bytes:
        """Return `nonce u32`."""
        return self.LAYOUT.pack(self.nonce)

    @classmethod
    def unpack(cls, payload: bytes) -> Ping:
        """Read a payload; raises MessageError."""
        return cls(*_unpack(cls.LAYOUT, payload))


class _Empty:
    """A message without a payload."""

    __slots__ = ()

    def pack(self) -> bytes:
        """Return no bytes."""
        return b""

    @classmethod
    def unpack(cls: type[M], payload: bytes) -> M:
        """Read an empty payload; raises MessageError."""
        if payload:
            raise MessageError(f"payload of {len(payload)} bytes, expected none")
        return cls()


@dataclass(frozen=True, slots=True)
class KeepAlive(_Empty):
    """PC to either: the harness is alive. Without one for 500 ms the device lets go of the override."""

    TYPE: ClassVar[int] = 0x03


@dataclass(frozen=True, slots=True)
class Release(_Empty):
    """PC to either: end every override, burst, silence and injection now."""

    TYPE: ClassVar[int] = 0x04


@dataclass(frozen=True, slots=True)
class Setting:
    """PC to either: change one setting (`SettingId` gives the unit)."""

    TYPE: ClassVar[int] = 0x05
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<Bi")
    setting: int
    value: int

    def pack(self) -> bytes:
        """Return `setting u8 | value i32`."""
        return self.LAYOUT.pack(self.setting, self.value)

    @classmethod
    def unpack(cls, payload: bytes) -> Setting:
        """Read a payload; raises MessageError."""
        return cls(*_unpack(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class Restart(_Empty):
    """PC to either: reply, then restart as after a reset."""

    TYPE: ClassVar[int] = 0x06


@dataclass(frozen=True, slots=True)
class Sticks:
    """PC to transmitter: use these pulses (us) in place of the analogue inputs until told otherwise."""

    TYPE: ClassVar[int] = 0x10
    set_number: int
    pulses_us: tuple[int, ...]

    def pack(self) -> bytes:
        """Return `set u16 | count u8 | pulse u16 x count`."""
        return self.set_number.to_bytes(2, "little") + _pack_pulses(self.pulses_us)

    @classmethod
    def unpack(cls, payload: bytes) -> Sticks:
        """Read a payload; raises MessageError."""
        return cls(int.from_bytes(payload[:2], "little"), _pulses(payload, 2))


@dataclass(frozen=True, slots=True)
class Burst:
    """PC to transmitter: send `count` extra packets, `spacing_us` apart; 0 means back to back."""

    TYPE: ClassVar[int] = 0x11
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<HI")
    count: int
    spacing_us: int

    def pack(self) -> bytes:
        """Return `count u16 | spacing u32`."""
        return self.LAYOUT.pack(self.count, self.spacing_us)

    @classmethod
    def unpack(cls, payload: bytes) -> Burst:
        """Read a payload; raises MessageError."""
        return cls(*_unpack(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class Silence:
    """PC to transmitter: send no packets for `duration_us`, beginning `delay_us` after this arrives."""

    TYPE: ClassVar[int] = 0x12
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<II")
    delay_us: int
    duration_us: int

    def pack(self) -> bytes:
        """Return `delay u32 | duration u32`."""
        return self.LAYOUT.pack(self.delay_us, self.duration_us)

    @classmethod
    def unpack(cls, payload: bytes) -> Silence:
        """Read a payload; raises MessageError."""
        return cls(*_unpack(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class Inject:
    """PC to receiver: report these raw telemetry values in place of the sensors' (field number, raw i32).

    A float field takes the IEEE 754 single-precision bit pattern.
    """

    TYPE: ClassVar[int] = 0x20
    PAIR: ClassVar[struct.Struct] = struct.Struct("<Bi")
    values: tuple[tuple[int, int], ...]

    def pack(self) -> bytes:
        """Return `count u8 | (field u8 | raw i32) x count`."""
        if len(self.values) > MAX_INJECTED:
            raise MessageError(f"{len(self.values)} fields, at most {MAX_INJECTED}")
        return bytes((len(self.values),)) + b"".join(self.PAIR.pack(*pair) for pair in self.values)

    @classmethod
    def unpack(cls, payload: bytes) -> Inject:
        """Read a payload; raises MessageError."""
        if not payload or payload[0] > MAX_INJECTED or len(payload) != 1 + payload[0] * cls.PAIR.size:
            raise MessageError(f"injected fields do not fit a payload of {len(payload)} bytes")
        return cls(tuple((number, raw) for number, raw in cls.PAIR.iter_unpack(payload[1:])))


@dataclass(frozen=True, slots=True)
class MuteAcks:
    """PC to receiver: acknowledge nothing for `duration_us`, beginning `delay_us` after this arrives."""

    TYPE: ClassVar[int] = 0x21
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<II")
    delay_us: int
    duration_us: int

    def pack(self) -> bytes:
        """Return `delay u32 | duration u32`."""
        return self.LAYOUT.pack(self.delay_us, self.duration_us)

    @classmethod
    def unpack(cls, payload: bytes) -> MuteAcks:
        """Read a payload; raises MessageError."""
        return cls(*_unpack(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class Identity:
    """Either to PC: who I am. Names are UTF-8, at most 24 bytes each, and untrusted."""

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
        """Return `protocol u8 | role u8 | channels u8 | rate u32 (mHz) | abilities u32 | 3 x (length u8, text)`."""
        head = self.HEAD.pack(
            self.protocol, self.role, self.channels, self.packet_rate_mhz, self.abilities
        )
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
        if at != len(payload):
            raise MessageError(f"{len(payload) - at} bytes after the identity")
        return cls(*cls.HEAD.unpack_from(payload), *names)


def _pack_name(name: str) -> bytes:
    data = name.encode()
    if len(data) > MAX_NAME:
        raise MessageError(f"the name {name!r} is longer than {MAX_NAME} bytes")
    return bytes((len(data),)) + data


@dataclass(frozen=True, slots=True)
class Pong:
    """Either to PC: the nonce of a ping and the device's time when it answered."""

    TYPE: ClassVar[int] = 0x42
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<II")
    nonce: int
    at_us: int

    def pack(self) -> bytes:
        """Return `nonce u32 | at u32`."""
        return self.LAYOUT.pack(self.nonce, self.at_us)

    @classmethod
    def unpack(cls, payload: bytes) -> Pong:
        """Read a payload; raises MessageError."""
        return cls(*_unpack(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class Reply:
    """Either to PC: what became of a command (its type and counter), and when it took effect."""

    TYPE: ClassVar[int] = 0x43
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BHBI")
    command: int
    counter: int
    result: int
    at_us: int

    def pack(self) -> bytes:
        """Return `command u8 | counter u16 | result u8 | at u32`."""
        return self.LAYOUT.pack(self.command, self.counter, self.result, self.at_us)

    @classmethod
    def unpack(cls, payload: bytes) -> Reply:
        """Read a payload; raises MessageError."""
        return cls(*_unpack(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class Started:
    """Either to PC: I have just started, and why. Its counter begins again at 0."""

    TYPE: ClassVar[int] = 0x44
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BI")
    cause: int
    at_us: int

    def pack(self) -> bytes:
        """Return `cause u8 | at u32`."""
        return self.LAYOUT.pack(self.cause, self.at_us)

    @classmethod
    def unpack(cls, payload: bytes) -> Started:
        """Read a payload; raises MessageError."""
        return cls(*_unpack(cls.LAYOUT, payload))


SENT_ACKED: Final = 1 << 0
SENT_IN_BURST: Final = 1 << 1


@dataclass(frozen=True, slots=True)
class Sent:
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

    def pack(self) -> bytes:
        """Return `packet u16 | set u16 | at u32 | took u16 | attempts u8 | flags u8`."""
        return self.LAYOUT.pack(
            self.packet, self.set_number, self.at_us, self.took_us, self.attempts, self.flags
        )

    @classmethod
    def unpack(cls, payload: bytes) -> Sent:
        """Read a payload; raises MessageError."""
        return cls(*_unpack(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class Telemetry:
    """Transmitter to PC: an acknowledgement payload, raw, with the number of the packet it acknowledged."""

    TYPE: ClassVar[int] = 0x51
    HEAD: ClassVar[struct.Struct] = struct.Struct("<HI")
    packet: int
    at_us: int
    payload: bytes

    def pack(self) -> bytes:
        """Return `packet u16 | at u32 | payload`."""
        if len(self.payload) > MAX_TELEMETRY:
            raise MessageError(f"an acknowledgement payload of {len(self.payload)} bytes, at most 32")
        return self.HEAD.pack(self.packet, self.at_us) + self.payload

    @classmethod
    def unpack(cls, payload: bytes) -> Telemetry:
        """Read a payload; raises MessageError."""
        if not cls.HEAD.size <= len(payload) <= cls.HEAD.size + MAX_TELEMETRY:
            raise MessageError(f"payload of {len(payload)} bytes does not fit a telemetry message")
        return cls(*cls.HEAD.unpack_from(payload), payload[cls.HEAD.size :])


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
        return self.HEAD.pack(self.packet, self.at_us, self.signal_dbm) + _pack_pulses(self.outputs_us)

    @classmethod
    def unpack(cls, payload: bytes) -> Applied:
        """Read a payload; raises MessageError."""
        outputs = _pulses(payload, cls.HEAD.size)
        return cls(*cls.HEAD.unpack_from(payload), outputs)


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
        return self.HEAD.pack(self.at_us, self.reason) + _pack_pulses(self.outputs_us)

    @classmethod
    def unpack(cls, payload: bytes) -> OutputChange:
        """Read a payload; raises MessageError."""
        outputs = _pulses(payload, cls.HEAD.size)
        return cls(*cls.HEAD.unpack_from(payload), outputs)


@dataclass(frozen=True, slots=True)
class Counters:
    """Receiver to PC, once a second: totals since it started."""

    TYPE: ClassVar[int] = 0x62
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<IIIHHH")
    packets: int
    duplicates: int
    bad_packets: int
    restarts: int
    free_memory: int
    bad_frames: int

    def pack(self) -> bytes:
        """Return `packets u32 | duplicates u32 | bad u32 | restarts u16 | free u16 (bytes) | bad frames u16`."""
        return self.LAYOUT.pack(
            self.packets, self.duplicates, self.bad_packets, self.restarts, self.free_memory, self.bad_frames
        )

    @classmethod
    def unpack(cls, payload: bytes) -> Counters:
        """Read a payload; raises MessageError."""
        return cls(*_unpack(cls.LAYOUT, payload))


AnyMessage = (
    Identify | Ping | KeepAlive | Release | Setting | Restart | Sticks | Burst | Silence | Inject | MuteAcks
    | Identity | Pong | Reply | Started | Sent | Telemetry | Applied | OutputChange | Counters
)  # fmt: skip
BY_TYPE: Final = {
    kind.TYPE: kind
    for kind in (
        Identify, Ping, KeepAlive, Release, Setting, Restart, Sticks, Burst, Silence, Inject, MuteAcks,
        Identity, Pong, Reply, Started, Sent, Telemetry, Applied, OutputChange, Counters,
    )
}  # fmt: skip


def encode(message: Message, counter: int) -> bytes:
    """Return the bytes on the line for `message`; raises MessageError or struct.error on an impossible value."""
    return encode_frame(message.TYPE, counter, message.pack())


def parse(frame: Frame) -> AnyMessage | None:
    """Return the message in a whole frame, or None if its type is unknown or its payload does not fit."""
    kind = BY_TYPE.get(frame.type)
    if kind is None:
        return None
    try:
        return kind.unpack(frame.payload)
    except MessageError:
        return None

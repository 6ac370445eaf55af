"""What does the PC say to the devices? Messages 0x01 to 0x3F, as in the tables of `shared/protocol.md`."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import ClassVar

from harness.codec.codes import MAX_INJECTED, PROTOCOL_VERSION
from harness.codec.layout import Empty, Fixed, MessageError, pack_pulses, unpack_fixed, unpack_pulses


@dataclass(frozen=True, slots=True)
class Identify(Fixed):
    """PC to any device: who are you? Carries the newest protocol version the PC speaks.

    A newer version may add bytes after the first; they are passed over.
    """

    TYPE: ClassVar[int] = 0x01
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B")
    version: int = PROTOCOL_VERSION

    @classmethod
    def unpack(cls, payload: bytes) -> Identify:
        """Read a payload; raises MessageError."""
        newer = payload[:1] > bytes((PROTOCOL_VERSION,))
        return cls(*unpack_fixed(cls.LAYOUT, payload[:1] if newer else payload))


@dataclass(frozen=True, slots=True)
class Ping(Fixed):
    """PC to any device: answer at once with your time."""

    TYPE: ClassVar[int] = 0x02
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<I")
    nonce: int


@dataclass(frozen=True, slots=True)
class KeepAlive(Empty):
    """PC to any device: the harness is alive. Without one for 500 ms the device lets go of the override."""

    TYPE: ClassVar[int] = 0x03


@dataclass(frozen=True, slots=True)
class Release(Empty):
    """PC to any device: end every override, burst, silence and injection now."""

    TYPE: ClassVar[int] = 0x04


@dataclass(frozen=True, slots=True)
class Setting(Fixed):
    """PC to any device: change one setting (`SettingId` gives the unit)."""

    TYPE: ClassVar[int] = 0x05
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<Bi")
    setting: int
    value: int


@dataclass(frozen=True, slots=True)
class Restart(Empty):
    """PC to any device: reply, then restart as after a reset."""

    TYPE: ClassVar[int] = 0x06


@dataclass(frozen=True, slots=True)
class RestartAt(Fixed):
    """PC to any device: reply, then restart as after a reset, with the counters at these values.

    `clock_us` is the device time at the start, `packet` a transmitter's first packet number.
    """

    TYPE: ClassVar[int] = 0x07
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<IH")
    clock_us: int
    packet: int


@dataclass(frozen=True, slots=True)
class Sticks:
    """PC to transmitter: use these pulses (us) in place of the analogue inputs until told otherwise."""

    TYPE: ClassVar[int] = 0x10
    set_number: int
    pulses_us: tuple[int, ...]

    def pack(self) -> bytes:
        """Return `set u16 | count u8 | pulse u16 x count`."""
        return self.set_number.to_bytes(2, "little") + pack_pulses(self.pulses_us)

    @classmethod
    def unpack(cls, payload: bytes) -> Sticks:
        """Read a payload; raises MessageError."""
        return cls(int.from_bytes(payload[:2], "little"), unpack_pulses(payload, 2))


@dataclass(frozen=True, slots=True)
class Burst(Fixed):
    """PC to transmitter: send `count` extra packets, `spacing_us` apart; 0 means back to back."""

    TYPE: ClassVar[int] = 0x11
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<HI")
    count: int
    spacing_us: int


@dataclass(frozen=True, slots=True)
class Silence(Fixed):
    """PC to transmitter: send no packets for `duration_us`, beginning `delay_us` after this arrives."""

    TYPE: ClassVar[int] = 0x12
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<II")
    delay_us: int
    duration_us: int


@dataclass(frozen=True, slots=True)
class Disturb(Fixed):
    """PC to transmitter: for `duration_us`, beginning `delay_us` after this arrives, send what `kind` says.

    `kind` is a `Disturbance`.
    """

    TYPE: ClassVar[int] = 0x13
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BII")
    kind: int
    delay_us: int
    duration_us: int


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
class MuteAcks(Fixed):
    """PC to receiver: acknowledge nothing for `duration_us`, beginning `delay_us` after this arrives."""

    TYPE: ClassVar[int] = 0x21
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<II")
    delay_us: int
    duration_us: int


@dataclass(frozen=True, slots=True)
class Deafen(Fixed):
    """PC to receiver: for `duration_us`, beginning `delay_us` after this arrives, throw every packet away.

    Its module goes on receiving and acknowledging; nothing else in the firmware gets to see a packet.
    """

    TYPE: ClassVar[int] = 0x22
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<II")
    delay_us: int
    duration_us: int

"""How do fields stand in a payload? What the messages of both directions share."""

from __future__ import annotations

import struct
from typing import Any, ClassVar, Protocol, Self, TypeVar

from harness.codec.codes import MAX_CHANNELS


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


def unpack_fixed(layout: struct.Struct, payload: bytes) -> tuple[int, ...]:
    """Read a payload that has one length; raises MessageError."""
    if len(payload) != layout.size:
        raise MessageError(f"payload of {len(payload)} bytes, expected {layout.size}")
    return layout.unpack(payload)


def unpack_pulses(payload: bytes, at: int) -> tuple[int, ...]:
    """Read a count byte at `at` and that many 16-bit pulses to the payload's end; raises MessageError."""
    if len(payload) <= at:
        raise MessageError(f"payload of {len(payload)} bytes, expected at least {at + 1}")
    count = payload[at]
    if count > MAX_CHANNELS or len(payload) != at + 1 + 2 * count:
        raise MessageError(f"{count} channels do not fit a payload of {len(payload)} bytes")
    return _PULSES[count].unpack_from(payload, at + 1)


def pack_pulses(values: tuple[int, ...]) -> bytes:
    """Return a count byte and that many 16-bit pulses; raises MessageError."""
    if len(values) > MAX_CHANNELS:
        raise MessageError(f"{len(values)} channels, at most {MAX_CHANNELS}")
    return bytes((len(values),)) + _PULSES[len(values)].pack(*values)


class Fixed:
    """A message of whole numbers with one length: `LAYOUT` packs its fields in their order."""

    __slots__ = ()
    LAYOUT: ClassVar[struct.Struct]

    def pack(self) -> bytes:
        """Return the fields as `LAYOUT` has them."""
        names: tuple[str, ...] = self.__slots__
        return self.LAYOUT.pack(*(getattr(self, name) for name in names))

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read a payload; raises MessageError."""
        make: Any = cls
        message: Self = make(*unpack_fixed(cls.LAYOUT, payload))
        return message


class Empty:
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

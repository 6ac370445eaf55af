"""Which bytes ride in the acknowledgement? Sensor values, or injected ones, laid out as the link declares.

The mock's sensors are steady: the raw value of field i is 100 + i. A whole-number field whose source is the
device counts the packets received, modulo its width.
"""

from __future__ import annotations

from typing import Literal

from harness.codec.messages import MAX_TELEMETRY
from harness.errors import UserError
from harness.plan.model import FIELD_BYTES, Link, TelemetryField

STEADY = 100


def payload_bytes(link: Link) -> int:
    """Return the size of the acknowledgement payload."""
    return sum(FIELD_BYTES[field.type] for field in link.telemetry)


def check_payload(link: Link) -> None:
    """Raise UserError if the telemetry fields do not fit one acknowledgement."""
    size = payload_bytes(link)
    if size > MAX_TELEMETRY:
        raise UserError(
            f"mock: the link's telemetry fields take {size} bytes; an acknowledgement holds {MAX_TELEMETRY}"
        )


def steady_values(link: Link) -> list[int]:
    """Return the sensors' raw values, one per field."""
    return [STEADY + index for index in range(len(link.telemetry))]


def fits(field: TelemetryField, raw: int) -> bool:
    """Return whether a raw 32-bit value, as an injection carries it, fits the field."""
    bits = 8 * FIELD_BYTES[field.type]
    if bits == 32:
        return True
    if field.type.startswith("i"):
        return -(1 << bits - 1) <= raw < 1 << bits - 1
    return 0 <= raw < 1 << bits


class Layout:
    """Lays values out; a new count of packets goes into a payload that is otherwise ready."""

    def __init__(self, link: Link) -> None:
        self._fields = link.telemetry
        self._counts: list[tuple[int, int, Literal["little", "big"]]] = []
        at = 0
        for field in link.telemetry:
            size = FIELD_BYTES[field.type]
            if field.source == "device" and field.type != "f32":
                self._counts.append((at, size, field.byte_order))
            at += size
        self._ready = bytes(at)

    def load(self, raw: list[int]) -> None:
        """Take new values; what is beyond a field's width loses its upper bits, as in C."""
        parts = []
        for field, value in zip(self._fields, raw, strict=True):
            size = FIELD_BYTES[field.type]
            parts.append((value & (1 << 8 * size) - 1).to_bytes(size, field.byte_order))
        self._ready = b"".join(parts)

    def payload(self, packets: int) -> bytes:
        """Return the payload when so many packets were received."""
        if not self._counts:
            return self._ready
        payload = bytearray(self._ready)
        for at, size, order in self._counts:
            payload[at : at + size] = (packets & (1 << 8 * size) - 1).to_bytes(size, order)
        return bytes(payload)

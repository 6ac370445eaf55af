"""What do mock devices and emulated boards have in common? Bytes, times, and what is due."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from harness.bench.protocol import Chunk, Role
from mocks.power import Relays


class Devices(Protocol):
    """Simulated devices with all that is around them, in virtual time from 0 ns."""

    @property
    def baud(self) -> Mapping[Role, int]:
        """Bits per second of each port's line; the keys say which ports there are."""
        ...

    @property
    def facts(self) -> Mapping[str, str]:
        """What the recording's header shall tell of them."""
        ...

    def now_ns(self) -> int:
        """Return virtual time."""
        ...

    def send(self, role: Role, data: bytes) -> None:
        """Put the PC's bytes on the line of a port; raises BenchError if it is hopelessly behind."""
        ...

    def advance(self, until_ns: int) -> list[Chunk]:
        """Simulate up to `until_ns` and return what arrived at the PC, in order."""
        ...

    @property
    def has_attenuator(self) -> bool:
        """Whether an attenuator between the radios can be turned."""
        ...

    def turn_attenuator(self, attenuation_x10: int) -> None:
        """Set it, in tenths of a dB."""
        ...

    @property
    def relays(self) -> Relays | None:
        """The relays that can take power away or open the antenna path, None if there are none."""
        ...

    def backlog_bytes(self, role: Role) -> int:
        """Return how many of the PC's bytes wait for a port's line."""
        ...

    def due_ns(self) -> int | None:
        """Return when something may happen next; None is never."""
        ...

    def close(self) -> None:
        """Give back what they hold; may be called twice."""
        ...

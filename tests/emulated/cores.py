"""What the emulator's own tests share: small firmwares, and a bench that keeps what it told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from mocks.avr.emulator import Emulator, Event, Kind
from mocks.avr.toolchain import build_firmware

FIRMWARE = Path(__file__).parent / "firmware"
HZ = 16_000_000
CYCLE_NS = 62.5
BYTE_NS = 85_000
"""Ten bits at divisor 16 and double speed: 10 * 8 * 17 cycles of 62.5 ns ("USART: Baud Rate Generation")."""

MODULE_BYTE_NS = 20_000
FRAME = b"\xa1\x02\x11\x22\x2a"


def flash(name: str, defines: Mapping[str, str | int] | None = None) -> bytes:
    return build_firmware([FIRMWARE / f"{name}.c"], defines or {}).image


class Bench(Emulator):
    """An emulator with all it told so far."""

    def __init__(self, *names: str, **options: int) -> None:
        super().__init__()
        self.told: list[Event] = []
        for name in names:
            self.add_core(flash(name), **options)

    def go(self, until_ns: int, lookahead_ns: int = 0) -> list[Event]:
        """Run, and return what is new."""
        self.run(until_ns, lookahead_ns)
        new = self.events()
        assert all(event.at_ns <= self.now_ns for event in new)
        self.told += new
        return new

    def say(self, data: bytes, *, core: int = 0, uart: int = 0, byte_ns: int = BYTE_NS) -> None:
        self.feed(core, uart, self.now_ns + byte_ns, byte_ns, data)


def of(events: Sequence[Event], kind: Kind) -> list[Event]:
    return [event for event in events if event.kind is kind]


def text(events: Sequence[Event]) -> bytes:
    return b"".join(event.data for event in events if event.kind is Kind.BENCH)

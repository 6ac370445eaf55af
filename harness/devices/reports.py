"""What do the numbers in a line or a record mean? Named numbers become messages of the bench protocol.

What is not told stays unknown and never gets a number of its own making: a report without a packet number has
number 0, one without a time has time 0, and the recording's header says that these mean nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

from harness.bench.protocol import Role
from harness.codec import messages as m
from harness.codec.layout import Message
from harness.devices.commands import CHANNELS
from harness.devices.kind import Item, Lost
from harness.devices.scales import MOST_PULSE_US, Scale, scale_of
from harness.errors import BenchError

Report = Literal["applied", "failsafe", "started", "sent"]
COMMON: Final = ("ms", "us", "count")
FIELDS: Final[Mapping[Report, tuple[str, ...]]] = {
    "applied": ("packet", *COMMON, "signal", *CHANNELS),
    "failsafe": (*COMMON, *CHANNELS),
    "started": COMMON,
    "sent": ("packet", "set", "acked", "attempts", "took us", *COMMON),
}
"""Which numbers each report may carry."""
OF_ROLE: Final[Mapping[Role, tuple[Report, ...]]] = {
    Role.RECEIVER: ("applied", "failsafe", "started"),
    Role.TRANSMITTER: ("sent", "started"),
}
YES_NO: Final = ("acked",)
WRAP: Final = 1 << 32
MOST_GAP: Final = 1000
"""A count that jumps by more began anew; how many reports are missing then, nobody knows."""
BACK_US: Final = 2_000_000
"""A clock that goes back so far began anew: reports are never so late."""
NEW_CLOCK_US: Final = 60_000_000
NUMBER_BITS: Final = 16


class Clock:
    """A device's time of 16 or 32 bits, in us or ms, put in line by when its reports arrive."""

    __slots__ = ("_at_ns", "_last_us", "_unit_us", "_wrap_us")

    def __init__(self, unit_us: int, bits: int) -> None:
        self._unit_us = unit_us
        self._wrap_us = unit_us << bits
        self._last_us: int | None = None
        self._at_ns = 0

    def stamp(self, value: int, at_ns: int) -> tuple[int, bool]:
        """Return microseconds that go on over wraps, and whether the clock began anew."""
        stamp = value * self._unit_us % self._wrap_us
        fresh = False
        if self._last_us is not None:
            expected = self._last_us + (at_ns - self._at_ns) // 1000
            near = stamp + (expected - stamp + self._wrap_us // 2) // self._wrap_us * self._wrap_us
            fresh = self._wrap_us > NEW_CLOCK_US and near < self._last_us - BACK_US
            stamp = stamp if fresh else near
        self._last_us, self._at_ns = stamp, at_ns
        return stamp % WRAP, fresh

    def forget(self) -> None:
        """Begin anew, as after a start that the device reported."""
        self._last_us = None


class Reports:
    """Turns the named numbers of one device into messages, in order."""

    def __init__(
        self, role: Role, scales: tuple[Scale, ...], clock: Clock | None, count_bits: int, *, counted: bool
    ) -> None:
        """`counted` says that every report tells how many are missing before it."""
        self.counted = counted
        self._role = role
        self._scales = scales
        self._clock = clock
        self._count_bits = count_bits
        self._count: int | None = None
        self._number: int | None = None
        self._highest = 0

    def items(self, kind: Report, values: Mapping[str, int], at_ns: int) -> list[Item]:
        """Return the messages for one report, and how many are missing before it."""
        found: list[Item] = []
        if kind == "started":
            self._begin_anew()
        stamp, fresh = self._stamp(values, at_ns)
        if kind == "started":
            return [m.Started(m.StartCause.UNKNOWN, stamp)]
        if fresh:
            self._begin_anew(keep_clock=True)
            found.append(m.Started(m.StartCause.UNKNOWN, stamp))
        lost = self._missing(kind, values)
        return [*found, *([Lost(lost)] if lost else []), self._message(kind, values, stamp)]

    def _begin_anew(self, *, keep_clock: bool = False) -> None:
        self._count = self._number = None
        if self._clock is not None and not keep_clock:
            self._clock.forget()

    def _stamp(self, values: Mapping[str, int], at_ns: int) -> tuple[int, bool]:
        value = values.get("us", values.get("ms"))
        if self._clock is None or value is None:
            return 0, False
        return self._clock.stamp(max(0, value), at_ns)

    def _missing(self, kind: Report, values: Mapping[str, int]) -> int:
        """Return how many reports are missing before this one, by its count or by a transmitter's numbers."""
        if "packet" in values:
            self._check_wrap(values["packet"])
        if "count" in values:
            value, before, bits = values["count"], self._count, self._count_bits
            self._count = value
        elif kind == "sent" and "packet" in values:
            value, before, bits = values["packet"], self._number, NUMBER_BITS
            self._number = value
        else:
            return 0
        gap = 0 if before is None else (value - before - 1) % (1 << bits)
        return gap if gap <= MOST_GAP else 0

    def _check_wrap(self, number: int) -> None:
        """Refuse packet numbers of 8 bits: which of two packets 256 apart is meant cannot be known."""
        if self._highest in range(0xF0, 0x100) and 0 <= number < 0x10:
            raise BenchError(
                f"the {self._role}'s packet numbers begin again after {self._highest}: they must count to "
                "65535; let the firmware print a longer number, or write {any} for {packet} in the rig",
                role=self._role,
            )
        self._highest = max(self._highest, number)

    def _message(self, kind: Report, values: Mapping[str, int], stamp: int) -> Message:
        number = values.get("packet", 0) & 0xFFFF
        if kind == "applied":
            signal = min(max(values.get("signal", m.SIGNAL_UNKNOWN), m.SIGNAL_UNKNOWN), 127)
            return m.Applied(number, stamp, signal, self._outputs(values))
        if kind == "failsafe":
            return m.OutputChange(stamp, m.OutputReason.FAILSAFE, self._outputs(values))
        flags = m.SENT_ACKED if values.get("acked") else 0
        took_us = min(max(values.get("took us", MOST_PULSE_US), 0), MOST_PULSE_US)
        attempts = min(max(values.get("attempts", 1), 1), 255)
        return m.Sent(number, values.get("set", 0) & 0xFFFF, stamp, took_us, attempts, flags)

    def _outputs(self, values: Mapping[str, int]) -> tuple[int, ...]:
        names = [name for name in CHANNELS if name in values]
        return tuple(
            scale_of(self._scales, number).pulse_us(values[name]) for number, name in enumerate(names, 1)
        )

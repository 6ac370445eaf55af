"""How do real AVR cores run in virtual time? In a thin layer of C over simavr, every byte and edge timed.

An `Emulator` is one native bench with up to eight 8-bit AVR cores; `mocks/avr/shim.c` does the work. Times
are whole nanoseconds of virtual time from 0. However `run` is cut into steps, bytes and edges are the same.
One emulator belongs to one thread at a time; several may run in several threads.

What the emulator is no evidence for: brown-out, baud rate error, wake-up times of the deeper sleep modes,
electrical levels. Those stay for hardware.
"""

from __future__ import annotations

import ctypes
import struct
from collections.abc import Callable
from enum import IntEnum
from functools import cache
from types import TracebackType
from typing import Any, NamedTuple, Self

from mocks.avr.toolchain import load_shim

CORES_MAX = 8
WIRES_MAX = 16
FLASH_BYTES = 128 * 1024
FREQUENCY_HZ = 16_000_000
FREQUENCY_MAX_HZ = 20_000_000
"""Data sheet of the part (DS40002070, number from memory), "Speed Grades": 0 to 20 MHz."""

TIME_MAX_NS = 2**62
MILLIVOLT_MAX = 5000
PORTS = "ABCD"
STATES = ("off", "running", "sleeping", "crashed", "halted")
CAUSES = ("power", "external", "watchdog")

_EVENT = struct.Struct("=qIIBBBxI")
_MARKER = struct.Struct("=QQ")


class Kind(IntEnum):
    """What happened."""

    BENCH = 0
    """Bytes left UART0: `data` ends with 0x00, or is 64 bytes long, or the line was idle after it."""
    MODULE = 1
    """A whole frame left UART1: `data` is kind, length, payload and checksum."""
    EDGE = 2
    """A watched pin changed: `port`, `bit` and the new `level`."""
    RESET = 3
    """The core starts anew: `cause` is power, external or watchdog."""
    STOPPED = 4
    """It does nothing any more, at `pc`: `cause` is crashed (left its memory) or halted (sleeps for ever)."""


_KINDS = tuple(Kind)


class Event(NamedTuple):
    """Something that came out of a core. Fields that a kind does not name are empty.

    `at_ns` is the end of the last byte, or the start of the instruction that changed the pin.
    """

    at_ns: int
    core: int
    kind: Kind
    data: bytes = b""
    port: str = ""
    bit: int = 0
    level: int = 0
    cause: str = ""
    pc: int = 0


class Marker(NamedTuple):
    """A write to the general purpose register 0: what was written, and at which cycle."""

    value: int
    cycle: int


class Emulator:
    """One bench of AVR cores. A context manager; `close` frees it, and no call may follow.

    Every method that takes a core raises IndexError if there is none of that number, and ValueError for a
    pin, UART or time that does not exist.
    """

    def __init__(self) -> None:
        self._native = _library()
        self._bench: int | None = self._native.bench_open()
        if self._bench is None:
            raise MemoryError
        self._count = 0
        self._now_ns = 0
        self._records, self._payload = ctypes.c_void_p(), ctypes.c_void_p()
        self._drained = ctypes.byref(self._records), ctypes.byref(self._payload)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __del__(self) -> None:
        if getattr(self, "_bench", None) is not None:
            self.close()

    def close(self) -> None:
        """Free the native bench. Closing twice does nothing."""
        if self._bench is not None:
            self._native.bench_close(self._bench)
        self._bench = None
        self._count = 0

    @property
    def now_ns(self) -> int:
        """The time that the last `run` reached."""
        return self._now_ns

    def add_core(
        self, flash: bytes, *, frequency_hz: int = FREQUENCY_HZ, power_on_ns: int = 0, seed: int = 0
    ) -> int:
        """Add a core and return its number, counted from 0.

        `flash` is the image from address 0. The frequency carries the clock's skew (at 16 MHz, 16 Hz per
        ppm). The core is off until `power_on_ns`; its SRAM then holds noise drawn from `seed`.
        """
        _within("flash bytes", len(flash), 1, FLASH_BYTES)
        _within("frequency_hz", frequency_hz, 1, FREQUENCY_MAX_HZ)
        _within("power_on_ns", power_on_ns, 0, TIME_MAX_NS)
        _within("seed", seed, 0, 2**64 - 1)
        _within("cores", self._count + 1, 1, CORES_MAX)
        native = self._native.bench_add(self._open(), flash, len(flash), frequency_hz, power_on_ns, seed)
        assert native == self._count
        self._count += 1
        return self._count - 1

    def run(self, until_ns: int, lookahead_ns: int = 0) -> int:
        """Run every core to `until_ns`, or less far, and return the time reached.

        With a lookahead, a core stops that long after the end of a module frame it sends, and so does the
        time: whatever takes at least that long to follow from the frame can then still be fed in time. A core
        with a lower number may be ahead of the time reached; feed it nothing that the frame did not bring
        about.
        """
        _within("until_ns", until_ns, self._now_ns, TIME_MAX_NS)
        _within("lookahead_ns", lookahead_ns, 0, TIME_MAX_NS)
        self._now_ns = self._native.bench_run(self._open(), until_ns, lookahead_ns)
        return self._now_ns

    def events(self, *, pieces: bool = False) -> list[Event]:
        """Return what happened up to now and was not returned before, in order of time, then of cores.

        A piece of bench bytes that nothing ended is told once its line has been idle for two byte times, so
        it can come that much after its own time. With `pieces` all bytes up to now are told, ended or not.
        """
        if pieces:
            self._native.bench_flush(self._open())
        count = self._native.bench_drain(self._open(), *self._drained)
        if not count:
            return []
        payload = self._payload.value or 0
        table = ctypes.string_at(self._records.value or 0, count * _EVENT.size)
        return [_event(fields, payload) for fields in _EVENT.iter_unpack(table)]

    def feed(self, core: int, uart: int, first_end_ns: int, byte_ns: int, data: bytes) -> None:
        """Put bytes on a core's UART input; byte i is complete at `first_end_ns + i * byte_ns`.

        No byte is complete sooner than `byte_ns` after the one before it, or in the past. As in hardware,
        bytes vanish while the receiver or the core is off, and when three wait unread.
        """
        _within("uart", uart, 0, 1)
        _within("first_end_ns", first_end_ns, 0, TIME_MAX_NS)
        _within("byte_ns", byte_ns, 1, 10**9)
        self._native.bench_feed(self._open(), self._core(core), uart, first_end_ns, byte_ns, data, len(data))

    def wire(self, core: int, port: str, bit: int, to_core: int, to_port: str, to_bit: int) -> None:
        """Let an output pin drive an input pin of a later core (they run in order), cycle for cycle."""
        if self._core(to_core) <= self._core(core):
            raise ValueError(f"core {core} can drive only cores after it, not core {to_core}")
        here, there = _pin(port, bit), _pin(to_port, to_bit)
        if self._native.bench_wire(self._open(), core, *here, to_core, *there):
            raise ValueError(f"core {core} drives {WIRES_MAX} wires already")

    def watch(self, core: int, port: str, bit: int) -> None:
        """Tell changes of an output pin as events from now on."""
        self._native.bench_watch(self._open(), self._core(core), *_pin(port, bit))

    def analog(self, core: int, channel: int, millivolt: int) -> None:
        """Apply a voltage to ADC input 0 to 7, now. Supply and reference are 5000 mV."""
        _within("channel", channel, 0, 7)
        _within("millivolt", millivolt, 0, MILLIVOLT_MAX)
        self._native.bench_analog(self._open(), self._core(core), channel, millivolt)

    def power(self, core: int, on: bool) -> None:
        """Switch a core on or off, now. Off, its pins are low, and what it was sending is cut off."""
        self._native.bench_power(self._open(), self._core(core), int(on))

    def reset(self, core: int) -> None:
        """Pull the reset pin for a moment, now. A core that is off stays off; a stopped one runs again."""
        self._native.bench_reset(self._open(), self._core(core))

    def byte_ns(self, core: int, uart: int) -> int:
        """Return how long a byte lasts as the UART is set up now, ten bits with 8N1; 0 if it cannot send."""
        _within("uart", uart, 0, 1)
        return int(self._native.bench_byte_ns(self._open(), self._core(core), uart))

    def enable_markers(self, core: int) -> None:
        """Keep what the core writes to its general purpose register 0 from now on, up to 2**20 of them."""
        self._native.bench_mark(self._open(), self._core(core))

    def markers(self, core: int) -> list[Marker]:
        """Return all markers of a core, in order."""
        records = ctypes.c_void_p()
        count = self._native.bench_markers(self._open(), self._core(core), ctypes.byref(records))
        table = ctypes.string_at(records.value or 0, count * _MARKER.size) if count else b""
        return [Marker(value, cycle) for cycle, value in _MARKER.iter_unpack(table)]

    def cycles(self, core: int) -> int:
        """Return the core's cycle count: time since 0 in its own clock, whether it was on or not."""
        return int(self._native.bench_cycles(self._open(), self._core(core)))

    def state(self, core: int) -> str:
        """Return "off", "running", "sleeping", "crashed" or "halted"."""
        return STATES[self._native.bench_state(self._open(), self._core(core))]

    def _open(self) -> int:
        if self._bench is None:
            raise ValueError("this emulator is closed")
        return self._bench

    def _core(self, core: int) -> int:
        if not 0 <= core < self._count:
            raise IndexError(f"there is no core {core}; there are {self._count}")
        return core


def _event(fields: tuple[int, ...], payload: int) -> Event:
    """A record of the shim's `struct event`."""
    at_ns, _, where, core, number, detail, length = fields
    kind = _KINDS[number]
    if length:
        return Event(at_ns, core, kind, ctypes.string_at(payload + where, length))
    if kind is Kind.EDGE:
        return Event(at_ns, core, kind, b"", PORTS[detail >> 4], detail >> 1 & 7, detail & 1)
    if kind is Kind.RESET:
        return Event(at_ns, core, kind, cause=CAUSES[detail])
    return Event(at_ns, core, Kind.STOPPED, cause=STATES[detail], pc=where)


def _pin(port: str, bit: int) -> tuple[int, int]:
    if len(port) != 1 or port not in PORTS:
        raise ValueError(f"there is no port {port!r}; there are A, B, C and D")
    _within("bit", bit, 0, 7)
    return PORTS.index(port), bit


def _within(name: str, value: int, low: int, high: int) -> None:
    if not low <= value <= high:
        raise ValueError(f"{name} is {value}; it must be from {low} to {high}")


@cache
def _library() -> ctypes.CDLL:
    """The shim, loaded once, with the types of its functions."""
    library = load_shim()
    number, wide, pointer = ctypes.c_int, ctypes.c_int64, ctypes.c_void_p
    text, size = ctypes.c_char_p, ctypes.c_size_t
    functions: dict[str, tuple[Any, ...]] = {
        "bench_open": (pointer,),
        "bench_close": (None, pointer),
        "bench_add": (number, pointer, text, ctypes.c_uint32, ctypes.c_uint32, wide, ctypes.c_uint64),
        "bench_run": (wide, pointer, wide, wide),
        "bench_drain": (size, pointer, pointer, pointer),
        "bench_flush": (None, pointer),
        "bench_feed": (None, pointer, number, number, wide, wide, text, size),
        "bench_wire": (number, pointer, *[number] * 6),
        "bench_watch": (None, pointer, number, number, number),
        "bench_analog": (None, pointer, number, number, ctypes.c_uint32),
        "bench_power": (None, pointer, number, number),
        "bench_reset": (None, pointer, number),
        "bench_byte_ns": (wide, pointer, number, number),
        "bench_mark": (None, pointer, number),
        "bench_markers": (size, pointer, number, pointer),
        "bench_cycles": (ctypes.c_uint64, pointer, number),
        "bench_state": (number, pointer, number),
    }
    for name, (result, *arguments) in functions.items():
        function: Callable[..., Any] = getattr(library, name)
        function.restype = result  # type: ignore[attr-defined]
        function.argtypes = arguments  # type: ignore[attr-defined]
    return library

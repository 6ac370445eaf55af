"""What does the firmware library cost on an 8-bit board? Memory, cycles and bytes, each beside its limit.

    python -m mocks.avr.budgets

Memory is that of the library's object file, with every function of the role in it; `avr-size` counts.
Cycles are counted in the emulator, with the hooks doing nothing: what the maker's hooks cost is on top.
Bytes on the line are counted in ten seconds of the emulated bench at 50 packets/s.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import messages as m
from harness.codec.frames import Frame, Splitter, decode_piece, encode_frame
from harness.errors import BenchError, ExitCode
from mocks.avr.boards import CHANNELS, open_boards
from mocks.avr.builds import LIBRARY
from mocks.avr.emulator import Emulator
from mocks.avr.macros import FIRMWARE
from mocks.avr.settings import AvrSettings
from mocks.avr.toolchain import build_firmware, object_sizes, require_tools

PROGRAM: Final = Path(__file__).with_name("budgets.c")
FLASH_BYTES: Final = 2_560
TRANSMITTER_FLASH_BYTES: Final = 3_200
"""A tenth of the 32 KiB that small 8-bit boards have; `Disturb` and its report take a fifth of it."""
RAM_BYTES: Final = 200
ROLES: Final = (
    ("a transmitter", 1, TRANSMITTER_FLASH_BYTES, RAM_BYTES),
    ("a receiver", 2, FLASH_BYTES, RAM_BYTES),
    ("a witness", 4, FLASH_BYTES, RAM_BYTES),
    ("any of them", 7, None, None),
)
"""As `BENCH_ROLES` has them, the limits of flash and memory; a build for any role has neither."""
STACK_BYTES: Final = 320
"""A frame is put together on the stack: 127 bytes, and what stands around it."""
BYTE_CYCLES: Final = 700
"""Half of the time between two bytes at 115 200 bit/s and 16 MHz: 1389 cycles."""
FRAME_CYCLES: Final = 16_000
"""One millisecond at 16 MHz, answer included: a receiver's loop may be away that long."""
CALLS: Final = {
    2: "a received byte",
    3: "the byte that ends a frame, with its answer",
    4: "bench_loop",
    10: "bench_sent",
    11: "bench_telemetry, 32 bytes",
    12: "bench_applied, 16 channels",
    13: "bench_output_change, 16 channels",
    14: "bench_counters",
    15: "bench_pulses, 16 channels",
}
STACK_MARK: Final = 16
SPACING_NS: Final = 2 * MS
RUN_NS: Final = 10 * S
PERIOD_NS: Final = 20 * MS


@dataclass(frozen=True, slots=True)
class Cost:
    """One line of the table: a measured number with its unit and limit."""

    what: str
    value: float
    unit: str
    limit: float | None = None

    @property
    def is_within(self) -> bool:
        """Return whether the limit holds; without one it does."""
        return self.limit is None or self.value <= self.limit


def measure() -> list[Cost]:
    """Return every cost; raises BenchError if compiler or emulator are missing."""
    require_tools()
    cycles, stack = _run_calls(_worst_frames())
    return [
        *_sizes(),
        Cost("stack below the caller", stack, "bytes", STACK_BYTES),
        *(
            Cost(name, cycles[call], "cycles", BYTE_CYCLES if call == 2 else FRAME_CYCLES)
            for call, name in CALLS.items()
        ),
        *_line_costs(),
    ]


def _sizes() -> Iterator[Cost]:
    """What the library takes of each device's memory; a maker builds it for one role."""
    for words, roles, flash_limit, ram_limit in ROLES:
        flash, ram = object_sizes([LIBRARY], {"BENCH_ROLES": roles})
        yield Cost(f"flash, library for {words}", flash, "bytes", flash_limit)
        yield Cost(f"memory beside the maker's buffers, {words}", ram, "bytes", ram_limit)


def _worst_frames() -> Iterator[bytes]:
    """Every command at its longest, and a frame of an unknown type as long as frames get."""
    link_us = tuple(1_000 + 60 * number for number in range(16))
    messages: Sequence[m.Message] = (
        m.Identify(1),
        m.Ping(0xFFFFFFFF),
        m.KeepAlive(),
        m.Sticks(0xFFFF, link_us),
        m.Burst(0xFFFF, 0x7FFFFFFF),
        m.Silence(1, 2),
        m.Disturb(4, 1, 2),
        m.Disturb(1, 1, 2),
        m.MuteAcks(1, 2),
        m.Deafen(1, 2),
        m.Inject(tuple((number, -number) for number in range(8))),
        m.Inject(tuple((number, -number) for number in range(16))),
        m.Setting(1, 50_000),
        m.Restart(),
        m.RestartAt(1, 2),
        m.Release(),
    )
    for counter, message in enumerate(messages):
        yield m.encode(message, counter)
    yield encode_frame(0x3F, 99, bytes(range(1, 121)))
    yield b"\x01" * 300 + b"\0"


def _run_calls(frames: Iterator[bytes]) -> tuple[dict[int, int], int]:
    """Return the most cycles of each call, and the deepest stack, in bytes."""
    image = build_firmware([PROGRAM, LIBRARY], {}, (FIRMWARE,)).image
    with Emulator() as emulator:
        core = emulator.add_core(image)
        emulator.enable_markers(core)
        now_ns = emulator.run(50 * MS)
        for data in frames:
            emulator.feed(core, 0, now_ns + SPACING_NS, SPACING_NS, data)
            now_ns = emulator.run(now_ns + (len(data) + 2) * SPACING_NS)
        return _read_marks(emulator.markers(core))


def _read_marks(marks: Sequence[tuple[int, int]]) -> tuple[dict[int, int], int]:
    worst: Counter[int] = Counter()
    stack = 0
    empty = 0
    at = 0
    while at < len(marks) - 1:
        (value, begin), (_, end) = marks[at], marks[at + 1]
        if value == STACK_MARK:
            stack = max(stack, marks[at + 1][0] << 8 | marks[at + 2][0])
            at += 3
            continue
        if value == 1:
            empty = end - begin
        worst[value] = max(worst[value], end - begin - empty)
        at += 2
    return dict(worst), stack


def _line_costs() -> list[Cost]:
    """Return bytes on each port's line for each packet, with every packet's sticks set by the PC."""
    counts: Counter[Role] = Counter()
    packets = 0
    splitter = Splitter()
    boards = open_boards(AvrSettings(), seed=1)
    try:
        for number in range(RUN_NS // PERIOD_NS):
            pulses = tuple(1_000 + (number + 37 * channel) % 1_000 for channel in range(CHANNELS))
            boards.send(Role.TRANSMITTER, m.encode(m.Sticks(number + 1, pulses), 2 * number))
            boards.send(Role.TRANSMITTER, m.encode(m.KeepAlive(), 2 * number + 1))
            for chunk in boards.advance(boards.now_ns() + PERIOD_NS):
                counts[chunk.role] += len(chunk.data)
                if chunk.role is Role.RECEIVER:
                    packets += _applied(splitter.feed(chunk.data))
    finally:
        boards.close()
    return [
        Cost(f"line from the {role}, for each packet", counts[role] / packets, "bytes") for role in counts
    ]


def _applied(pieces: Sequence[bytes]) -> int:
    """Return how many of these frames say that a packet was applied."""
    frames = (decode_piece(piece) for piece in pieces)
    return sum(isinstance(frame, Frame) and frame.type == m.Applied.TYPE for frame in frames)


def table(costs: Sequence[Cost]) -> str:
    """Return the costs as lines of text, each beside its limit."""
    rows = []
    for cost in costs:
        limit = "" if cost.limit is None else f"at most {cost.limit:g}"
        mark = "" if cost.limit is None else ("within" if cost.is_within else "ABOVE")
        rows.append(f"{cost.what:<48}{cost.value:>9.6g} {cost.unit:<7} {limit:<15} {mark}".rstrip())
    return "\n".join(rows)


def main() -> int:
    """Print the table; return 1 if something is above its limit, 3 if it could not be measured."""
    try:
        costs = measure()
    except BenchError as error:
        print(f"propsoff: {error}", file=sys.stderr)
        return int(ExitCode.BENCH_ERROR)
    print("The firmware library on an 8-bit AVR (-mmcu=atmega1284p, -Os), measured in the emulator")
    print(table(costs))
    return 0 if all(cost.is_within for cost in costs) else 1


if __name__ == "__main__":
    sys.exit(main())

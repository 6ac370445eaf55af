"""How do emulated boards become a bench? Cores with real firmware, their radio modules, lines, and a witness.

The emulator runs a core up to the next thing that Python knows to happen. A frame that a board sends to its
module stops it there, `THINKING_NS` before that frame can have any effect, so nothing ever arrives in a
core's past and the result does not depend on the steps in which time is advanced.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from operator import itemgetter
from typing import Final

from harness.bench.protocol import Chunk, Role
from harness.chance import stream
from harness.clock import MS, US, S
from mocks.air import Air
from mocks.avr.baud import heard_as
from mocks.avr.builds import Builds, build_all
from mocks.avr.defects import FirmwareDefect
from mocks.avr.emulator import Emulator, Event, Kind
from mocks.avr.module import BYTE_NS, THINKING_NS, Module
from mocks.avr.pins import Capture
from mocks.avr.settings import AvrSettings
from mocks.line import BITS_PER_BYTE, lines_of
from mocks.power import Relays
from mocks.settings import MockSettings, describe_settings
from mocks.world import World

CRYSTAL_HZ: Final = 16_000_000
BENCH_UART: Final = 0
MODULE_UART: Final = 1
PACKET_BYTES: Final = 16
"""Dunlin's radio packet: identity, number, six pulses, check."""
PIN_PORT: Final = "B"
WITNESS_PORT: Final = "C"
CHANNELS: Final = 6
STICKS_AT_REST_MV: Final = (0, 0, 2_500, 2_500, 2_500, 0)
"""Voltages at the transmitter's stick inputs: motors closed, the rest in the middle of 5 V, no shutter."""
SUPPLY_INPUT: Final = 6
SUPPLY_DIVIDER: Final = 4
TEMPERATURE_INPUT: Final = 7
RELAY_NS: Final = 5 * MS
"""Time that a small relay takes (common practice, no source)."""
REFRESH_NS: Final = 500 * US
"""In real time the boards are run at least this often."""
BY_TIME: Final = itemgetter(2)


class Boards:
    """The emulated devices with all that is around them, in virtual time from 0 ns."""

    def __init__(self, settings: AvrSettings, seed: int, builds: Builds) -> None:
        self.settings = settings
        roles = settings.roles()
        self.baud: Mapping[Role, int] = dict.fromkeys(roles, settings.baud)
        self.facts: Mapping[str, str] = {
            **{f"{role} port": f"emulated {role}" for role in roles},
            **builds.facts(),
            "avr": describe_settings(settings),
            "defect": builds.defect,
        }
        self.world = World()
        self.emulator = Emulator()
        self._byte_ns = BITS_PER_BYTE * S // settings.baud
        self._lines = {role: lines_of(role, role, settings, seed) for role in roles}
        self._to_pc = [(role, line) for role, (line, _) in self._lines.items()]
        self._cores: dict[Role, int] = {}
        self._device_ns: dict[int, int] = {}
        chance = stream(seed, "mock air")
        self._air = air = Air(self.world, settings, payload_bytes=PACKET_BYTES, chance=chance)
        self._relays = Relays(self.world, air, RELAY_NS)
        self._modules: dict[Role, Module] = {}
        for role in builds.images:
            self._add_board(role, builds.images[role], seed, air)
        self._roles = {core: role for role, core in self._cores.items()}
        self._capture = self._captured() if settings.witness == "captured" else None
        self._set_inputs()

    def _add_board(self, role: Role, image: bytes, seed: int, air: Air) -> None:
        chance = stream(seed, f"avr {role}")
        settings = self.settings
        skews = {
            Role.TRANSMITTER: settings.transmitter_skew_ppm,
            Role.RECEIVER: settings.receiver_skew_ppm,
            Role.WITNESS: settings.witness_skew_ppm,
        }
        core = self.emulator.add_core(
            image,
            frequency_hz=CRYSTAL_HZ + CRYSTAL_HZ // 1_000_000 * skews[role],
            power_on_ns=chance.randrange(settings.power_on_within_ns + 1),
            seed=chance.getrandbits(32),
        )
        self._cores[role] = core
        if role is not Role.WITNESS:
            give = partial(self._to_module_uart, core)
            self._modules[role] = Module(self.world, air, settings, give)

    def _set_inputs(self) -> None:
        """Put the sticks to rest, give the receiver its sensors, join its pins to the witness's."""
        analog = self.emulator.analog
        for channel, millivolt in enumerate(STICKS_AT_REST_MV):
            analog(self._cores[Role.TRANSMITTER], channel, millivolt)
        receiver = self._cores[Role.RECEIVER]
        analog(receiver, SUPPLY_INPUT, self.settings.supply_mv // SUPPLY_DIVIDER)
        analog(receiver, TEMPERATURE_INPUT, 500 + 10 * self.settings.temperature_degc)
        for bit in range(CHANNELS):
            if self._capture is not None:
                self.emulator.watch(receiver, PIN_PORT, bit)
            elif Role.WITNESS in self._cores:
                witness = self._cores[Role.WITNESS]
                self.emulator.wire(receiver, PIN_PORT, bit, witness, WITNESS_PORT, bit)

    def _captured(self) -> Capture:
        """Return a witness of the bench protocol that is fed with the emulator's own edges."""
        settings = MockSettings(witness=True, witness_skew_ppm=self.settings.witness_skew_ppm)
        return Capture(self.world, self._lines[Role.WITNESS], settings)

    def now_ns(self) -> int:
        """Return virtual time."""
        return self.world.now_ns

    def send(self, role: Role, data: bytes) -> None:
        """Put the PC's bytes on the line of a port; raises BenchError if it is hopelessly behind."""
        core = self._cores.get(role)
        if core is None:
            assert self._capture is not None
            self._capture.port.send(data)
            return
        for end_ns, piece in self._lines[role][1].write(data, self.world.now_ns):
            first_ns = end_ns - (len(piece) - 1) * self._byte_ns
            heard = heard_as(piece, self._byte_ns, self._device_byte_ns(core))
            self.emulator.feed(core, BENCH_UART, first_ns, self._byte_ns, heard)

    def advance(self, until_ns: int) -> list[Chunk]:
        """Simulate up to `until_ns` and return what arrived at the PC, in order."""
        world, emulator = self.world, self.emulator
        while world.now_ns < until_ns:
            due_ns = world.due_ns()
            target_ns = until_ns if due_ns is None else min(until_ns, due_ns)
            reached_ns = emulator.run(target_ns, THINKING_NS)
            for event in emulator.events(pieces=reached_ns == until_ns):
                self._handle(event)
            world.run(reached_ns)
        arrived: list[Chunk] = []
        for role, line in self._to_pc:
            line.take(role, until_ns, arrived)
        arrived.sort(key=BY_TIME)
        return arrived

    @property
    def relays(self) -> Relays:
        """The relay in the antenna path; the boards' power cannot be switched."""
        return self._relays

    @property
    def has_attenuator(self) -> bool:
        """Whether an attenuator between the radios can be turned."""
        return self._air.has_range

    def turn_attenuator(self, attenuation_x10: int) -> None:
        """Set it, in tenths of a dB."""
        self._air.turn_attenuator(attenuation_x10)

    def backlog_bytes(self, role: Role) -> int:
        """Return how many of the PC's bytes wait for a port's line."""
        return self._lines[role][1].backlog_bytes(self.world.now_ns)

    def due_ns(self) -> int:
        """Return when the boards should be run next: firmware always has something to do."""
        return self.world.now_ns + REFRESH_NS

    def close(self) -> None:
        """Free the emulated cores; may be called twice."""
        self.emulator.close()

    def _to_module_uart(self, core: int, first_end_ns: int, data: bytes) -> None:
        self.emulator.feed(core, MODULE_UART, first_end_ns, BYTE_NS, data)

    def _handle(self, event: Event) -> None:
        """Pass on what a core did."""
        role = self._roles[event.core]
        if event.kind is Kind.BENCH:
            heard = heard_as(event.data, self._device_byte_ns(event.core), self._byte_ns)
            self._lines[role][0].carry(event.at_ns, heard)
        elif event.kind is Kind.MODULE and role in self._modules:
            self._modules[role].take(event.data, event.at_ns)
        elif event.kind is Kind.EDGE and self._capture is not None:
            self._capture.edge(event)
        elif event.kind is Kind.RESET:
            self._device_ns.pop(event.core, None)

    def _device_byte_ns(self, core: int) -> int:
        """Return how long a byte takes on a board's bench port; firmware sets that once after each start."""
        known = self._device_ns.get(core)
        if known is None:
            known = self.emulator.byte_ns(core, BENCH_UART)
            if known:
                self._device_ns[core] = known
        return known


def open_boards(
    settings: AvrSettings, seed: int, defect: FirmwareDefect | None = None, *, near_miss: bool = False
) -> Boards:
    """Return emulated boards with healthy firmware, with a defect compiled in, or with its near-miss.

    Builds what is not built yet, which takes a second or two. Raises BenchError if compiler or emulator
    are missing, UserError if a macro in `settings` is none.
    """
    return Boards(settings, seed, build_all(settings, defect, near_miss=near_miss))

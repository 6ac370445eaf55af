"""How do the mock's parts fit together? A transmitter and a receiver, the air between, a serial line to each.

Each part draws from its own stream of chance, so that a fault in one does not reshuffle another.
"""

from __future__ import annotations

from operator import itemgetter

from harness.bench.protocol import Chunk, Role
from harness.chance import stream
from harness.codec.messages import StartCause
from harness.plan.model import Link
from mocks.air import Air
from mocks.defects.model import Patch
from mocks.device import Life, Surroundings
from mocks.line import BatchedLineToPC, LineToDevice, LineToPC, Loss, Noise
from mocks.port import Make, Port
from mocks.receiver import Receiver
from mocks.settings import MockSettings, check_settings, fitted_link
from mocks.telemetry import check_payload
from mocks.transmitter import Transmitter
from mocks.world import World

BY_TIME = itemgetter(2)


class Pair:
    """Both mock devices with all that is around them, in virtual time from 0."""

    def __init__(self, link: Link, settings: MockSettings, seed: int, patch: Patch) -> None:
        self.settings = settings = patch.settings(settings)
        self.link = fitted_link(link, settings)
        check_settings(self.link, settings)
        check_payload(self.link)
        patch.check(self.link)
        self.world = World()
        self._seed = seed
        self._patch = patch
        self._air = Air(
            self.world, settings, channels=len(self.link.channels), chance=stream(seed, "mock air")
        )
        self.ports = {self._behind(role): self._port(role) for role in Role}
        self._lines = [(role, port.to_pc) for role, port in self.ports.items()]
        clocks = {Role.TRANSMITTER: settings.transmitter_clock_us, Role.RECEIVER: settings.receiver_clock_us}
        for role in Role:
            self.ports[self._behind(role)].boot(Life(StartCause.POWER, clocks[role], 0))

    def send(self, role: Role, data: bytes) -> None:
        """Put the PC's bytes on the line of a port."""
        self.ports[role].send(data)

    def advance(self, until_ns: int) -> list[Chunk]:
        """Simulate up to `until_ns` and return what arrived at the PC, in order."""
        self.world.run(until_ns)
        arrived: list[Chunk] = []
        for role, line in self._lines:
            line.take(role, until_ns, arrived)
        arrived.sort(key=BY_TIME)
        return arrived

    def backlog_bytes(self, role: Role) -> int:
        """Return how many of the PC's bytes wait for a port's line."""
        return self.ports[role].backlog_bytes()

    def due_ns(self) -> int | None:
        """Return when something happens next in the world or arrives at the PC; None is never."""
        due = [line.due_ns() for _, line in self._lines]
        return min((at_ns for at_ns in (self.world.due_ns(), *due) if at_ns is not None), default=None)

    def _behind(self, role: Role) -> Role:
        """Return the port that the device of this role is behind."""
        if not self.settings.swapped_ports:
            return role
        return Role.RECEIVER if role is Role.TRANSMITTER else Role.TRANSMITTER

    def _port(self, role: Role) -> Port:
        make: Make = self._make_transmitter if role is Role.TRANSMITTER else self._make_receiver
        return Port(self.world, self._lines_of(role), (self.link, self.settings), make)

    def _make_transmitter(self, around: Surroundings, life: Life) -> Transmitter:
        self.transmitter = self._patch.transmitter(around, life, self._air)
        return self.transmitter

    def _make_receiver(self, around: Surroundings, life: Life) -> Receiver:
        self.receiver = self._air.receiver = self._patch.receiver(around, life)
        return self.receiver

    def _lines_of(self, role: Role) -> tuple[LineToPC, LineToDevice]:
        settings = self.settings
        is_transmitter = role is Role.TRANSMITTER
        share = settings.transmitter_message_loss if is_transmitter else settings.receiver_message_loss
        loss = Loss(share, stream(self._seed, f"mock {role} message loss")) if share else None
        to_pc, to_device = (self._noise(f"mock {role} noise {way}") for way in ("to PC", "to device"))
        baud, room = settings.baud, settings.output_buffer_bytes
        if settings.usb_latency_ns:
            line: LineToPC = BatchedLineToPC(baud, room, loss, to_pc, settings.usb_latency_ns)
        else:
            line = LineToPC(baud, room, loss, to_pc)
        return line, LineToDevice(self._behind(role), baud, to_device)

    def _noise(self, name: str) -> Noise | None:
        errors = self.settings.bit_errors
        return Noise(errors, stream(self._seed, name)) if errors else None

"""How do the mock's parts fit together? A transmitter and a receiver, the air between, a serial line to each.

A witness of the receiver's pins, with a line of its own, stands beside them if the settings have one.
Each part draws from its own stream of chance, so that a fault in one does not reshuffle another.
"""

from __future__ import annotations

from collections.abc import Mapping
from operator import itemgetter

from harness.bench.protocol import WITHOUT_POWER, Chunk, Role
from harness.chance import stream
from harness.codec.messages import StartCause
from harness.plan.model import Link
from mocks.air import Air, packet_bytes
from mocks.defects import Defect, Patch, chosen
from mocks.device import Life, Surroundings
from mocks.inputs import make_inputs
from mocks.line import lines_of
from mocks.pins import ServoPins
from mocks.port import Make, Port
from mocks.power import Relays
from mocks.receiver import Receiver
from mocks.settings import DUNLIN, MockSettings, check_settings, describe_settings, fitted_link
from mocks.telemetry import check_payload
from mocks.transmitter import Transmitter
from mocks.witness import Witness
from mocks.world import World

NO_DISTANCE = "give the rig file's mock a range, such as `mock: {distance: 1 m}`"
BY_TIME = itemgetter(2)


class Pair:
    """Both mock devices with all that is around them, in virtual time from 0."""

    def __init__(
        self, link: Link, settings: MockSettings, seed: int, patch: Patch, defect: str = "none"
    ) -> None:
        self.settings = settings = patch.settings(settings)
        self.link = fitted_link(link, settings)
        check_settings(self.link, settings)
        check_payload(self.link)
        patch.check(self.link, defect)
        roles = settings.roles()
        self.baud: Mapping[Role, int] = dict.fromkeys(roles, settings.baud)
        self.facts: Mapping[str, str] = {
            **{f"{role} port": f"virtual {role}" for role in roles},
            "mock": describe_settings(settings),
            "defect": defect,
            **({} if settings.distance_mm else {WITHOUT_POWER: NO_DISTANCE}),
        }
        self.world = World()
        self._seed = seed
        self._patch = patch
        self._air = Air(
            self.world,
            settings,
            payload_bytes=packet_bytes(len(self.link.channels)),
            chance=stream(seed, "mock air"),
        )
        self._chance = stream(seed, "mock defect")
        self._inputs = make_inputs(self.link, settings, stream(seed, "mock own sticks"))
        self.ports = {self._behind(role): self._port(role) for role in roles}
        self.relays = self._relays()
        self._lines = [(role, port.to_pc) for role, port in self.ports.items()]
        clocks = {
            Role.TRANSMITTER: settings.transmitter_clock_us,
            Role.RECEIVER: settings.receiver_clock_us,
            Role.WITNESS: settings.witness_clock_us,
        }
        for role in roles:
            self.ports[self._behind(role)].boot(Life(StartCause.POWER, clocks[role], 0))

    def now_ns(self) -> int:
        """Return virtual time."""
        return self.world.now_ns

    def close(self) -> None:
        """Hold nothing."""

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

    @property
    def has_attenuator(self) -> bool:
        """Whether an attenuator between the radios can be turned."""
        return self._air.has_range

    def turn_attenuator(self, attenuation_x10: int) -> None:
        """Set it, in tenths of a dB."""
        self._air.turn_attenuator(attenuation_x10)

    def backlog_bytes(self, role: Role) -> int:
        """Return how many of the PC's bytes wait for a port's line."""
        return self.ports[role].backlog_bytes()

    def due_ns(self) -> int | None:
        """Return when something happens next in the world or arrives at the PC; None is never."""
        due = [line.due_ns() for _, line in self._lines]
        return min((at_ns for at_ns in (self.world.due_ns(), *due) if at_ns is not None), default=None)

    def _behind(self, role: Role) -> Role:
        """Return the port that the device of this role is behind."""
        if not self.settings.swapped_ports or role is Role.WITNESS:
            return role
        return Role.RECEIVER if role is Role.TRANSMITTER else Role.TRANSMITTER

    def _relays(self) -> Relays | None:
        if not self.settings.switches:
            return None
        takes_ns = self.settings.switch_takes_ns
        return Relays(
            self.world,
            self._air,
            takes_ns,
            lambda role: self.ports[self._behind(role)],
            lambda: self.receiver,
        )

    def _port(self, role: Role) -> Port:
        makers: dict[Role, Make] = {
            Role.TRANSMITTER: self._make_transmitter,
            Role.RECEIVER: self._make_receiver,
            Role.WITNESS: self._make_witness,
        }
        return Port(
            self.world,
            lines_of(role, self._behind(role), self.settings, self._seed),
            (self.link, self.settings),
            makers[role],
        )

    def _make_transmitter(self, around: Surroundings, life: Life) -> Transmitter:
        self.transmitter = self._patch.transmitter(around, life, self._air)
        self.transmitter.inputs = self._inputs
        return self.transmitter

    def _make_receiver(self, around: Surroundings, life: Life) -> Receiver:
        self.receiver = self._air.receiver = self._patch.receiver(around, life)
        self.receiver.chance = self._chance
        if self._air.has_range:
            self.receiver.signal_dbm = self._air.signal_dbm
        if self.settings.witness:
            ServoPins(self.receiver, lambda: self.witness.note_pulse)
        return self.receiver

    def _make_witness(self, around: Surroundings, life: Life) -> Witness:
        self.witness = Witness(around, life)
        return self.witness


def open_pair(
    link: Link | None = None,
    settings: MockSettings | None = None,
    seed: int = 0,
    defect: Defect | None = None,
    near_miss: bool = False,
) -> Pair:
    """Return mock devices built for `link` (Dunlin's if None), healthy, with a defect, or with its near-miss.

    Raises UserError if link, settings and defect do not go together.
    """
    name, patch = chosen(defect, near_miss=near_miss)
    return Pair(link or DUNLIN, settings or MockSettings(), seed, patch, name)

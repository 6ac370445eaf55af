"""What stands behind a bench port? Two lines and a device, which may restart."""

from __future__ import annotations

from collections.abc import Callable

from harness.codec.messages import StartCause
from harness.plan.model import Link
from mocks.device import Device, Life, Surroundings
from mocks.line import LineToDevice, LineToPC
from mocks.settings import MockSettings
from mocks.world import World

Make = Callable[[Surroundings, Life], Device]


class Port:
    """One bench port of the mock. `make` builds the device for each of its lives; None while it is away."""

    def __init__(
        self,
        world: World,
        lines: tuple[LineToPC, LineToDevice],
        made_for: tuple[Link, MockSettings],
        make: Make,
    ) -> None:
        self.to_pc, self._to_device = lines
        self.device: Device | None = None
        self._lives = 0
        self._world = world
        self._make = make
        link, settings = made_for
        self._away_ns = settings.restart_for_ns
        self._around = Surroundings(world, self.to_pc, settings, link, self._restart)

    def boot(self, life: Life) -> None:
        """Start a device."""
        self.device = self._make(self._around, life)
        self.device.start()

    def lose_power(self) -> None:
        """Take the device away in mid-word; it knows nothing afterwards."""
        self._lives += 1
        if self.device is not None:
            self.device.alive = False
            self.device = None
        self.to_pc.lose_power(self._world.now_ns)

    def get_power(self) -> None:
        """Boot a device that lost its power, with its clock and counters at 0, after its time to boot."""
        if self.device is None:
            self._lives += 1
            back_ns = self._world.now_ns + self._away_ns
            self._world.at(back_ns, self._boot_once, (self._lives, Life(StartCause.POWER, 0, 0)))

    def send(self, data: bytes) -> None:
        """Put the PC's bytes on the line; raises BenchError if the line is hopelessly behind."""
        for due_ns, piece in self._to_device.write(data, self._world.now_ns):
            self._world.at(due_ns, self._deliver, piece)

    def backlog_bytes(self) -> int:
        """Return how many of the PC's bytes wait for the line."""
        return self._to_device.backlog_bytes(self._world.now_ns)

    def _deliver(self, piece: bytes) -> None:
        """Hand bytes to the device; one that is away misses them."""
        if self.device is not None:
            self.device.receive(piece)

    def _restart(self, old: Device) -> None:
        """Take a device away once its output has drained, and start it anew after its time away."""
        self.device = None
        back_ns = self.to_pc.drained_ns(self._world.now_ns) + self._away_ns
        self._world.at(back_ns, self._boot_once, (self._lives, old.next_life))

    def _boot_once(self, planned: tuple[int, Life]) -> None:
        """Start a device unless its power went or came since."""
        lives, life = planned
        if lives == self._lives:
            self.boot(life)

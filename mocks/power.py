"""What happens when a mock device loses its power, and gets it back? A relay each, one in the antenna path.

A transmitter without power breaks off its packet, and its collapsing supply leaves a burst of noise on the
air; a receiver's pins fall silent. Serial adapters have a supply of their own. Left out: supplies that fall
slowly, and a device that is fed through its serial input.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from harness.bench.protocol import BOOTS_NS, TARGETS, Means, Moment, Role, Target
from harness.clock import MS
from harness.errors import BenchError
from mocks.air import Air
from mocks.port import Port
from mocks.receiver import Receiver
from mocks.world import World

TAKES_NS: Final = 20 * MS
"""Time that the bench knows a relay to act in: small ones take 5 ms to 15 ms (common practice, no source)."""
_FED: Final[Mapping[str, Role]] = {
    "transmitter power": Role.TRANSMITTER,
    "receiver power": Role.RECEIVER,
}


class Relays:
    """The relays of a simulated bench: by `means` to the bench, and what they do to the devices.

    `port_of` finds the port that a device is behind, `receiver` the latest life of the receiver; without them
    there is only the relay in the antenna path. Each acts after `takes_ns`.
    """

    def __init__(
        self,
        world: World,
        air: Air,
        takes_ns: int,
        port_of: Callable[[Role], Port] | None = None,
        receiver: Callable[[], Receiver] | None = None,
    ) -> None:
        self._world = world
        self._air = air
        self._takes_ns = takes_ns
        self._port_of = port_of
        self._receiver = receiver
        self._turns: dict[Target, int] = {}
        self._asked: dict[Target, int] = {}
        targets = TARGETS if port_of is not None else TARGETS[-1:]
        self.means: Mapping[Target, Means] = dict.fromkeys(targets, "line")

    def switch(self, target: Target, *, on: bool) -> None:
        """Begin to switch something on or off; a later command to the same relay overrides an earlier one."""
        if target not in self.means:
            raise BenchError(f"the simulated bench has no relay for the {target}")
        self._asked[target] = self._world.now_ns
        turn = self._turns[target] = self._turns.get(target, 0) + 1
        self._world.at(self._world.now_ns + self._takes_ns, self._act, (target, on, turn))

    def switched(self, target: Target) -> Moment:
        """Return when the last order to a relay took effect, as a bench can know it."""
        asked_ns = self._asked[target]
        return Moment(asked_ns, asked_ns + TAKES_NS)

    def _act(self, order: tuple[Target, bool, int]) -> None:
        target, on, turn = order
        if turn != self._turns[target]:
            return
        if target == "antenna":
            self._air.is_open = not on
            return
        assert self._port_of is not None
        port = self._port_of(_FED[target])
        if on:
            port.get_power()
            return
        died: Any = port.device
        port.lose_power()
        if target == "transmitter power" and died is not None:
            self._air.torn(died)
            self._noise()

    def _noise(self) -> None:
        """Let the receiver hear what a transmitter leaves on the air as its supply collapses."""
        assert self._receiver is not None
        if self._receiver().alive:
            self._receiver().hear_noise()


class WithRelays:
    """What a virtual bench says of its relays, as `harness.bench.protocol.Switched` has it."""

    relays: Relays | None = None
    boots_ns = BOOTS_NS
    patience_ns = TAKES_NS

    @property
    def means(self) -> Mapping[Target, Means]:
        """What can be switched, and by what."""
        return self.relays.means if self.relays is not None else {}

    def switch(self, target: Target, *, on: bool) -> None:
        """Begin to switch. Raises BenchError where there is no such relay."""
        if self.relays is None:
            raise BenchError("this simulated bench has no relays: write `switches: true` in its mock section")
        self.relays.switch(target, on=on)

    def switched(self, target: Target) -> Moment | None:
        """Return when the last order took effect; None before the relay is sure to have acted."""
        assert self.relays is not None
        moment = self.relays.switched(target)
        return moment if self.now_ns() >= moment.latest_ns else None

    def now_ns(self) -> int:
        """Return virtual time."""
        raise NotImplementedError

"""How does the harness reach the mock in virtual time? As a bench like any other that costs no waiting."""

from __future__ import annotations

from collections.abc import Sequence

from harness.bench.protocol import Chunk, ControlLine, Role
from harness.errors import BenchError
from harness.plan.model import Link
from mocks.defects import Defect
from mocks.devices import Devices
from mocks.pair import Pair, open_pair
from mocks.power import WithRelays
from mocks.receiver import Receiver
from mocks.settings import MockSettings
from mocks.transmitter import Transmitter


class VirtualBench(WithRelays):
    """A `harness.bench.protocol.Bench` over simulated devices; time starts at 0."""

    is_hardware = False
    is_virtual = True

    def __init__(self, devices: Devices) -> None:
        self.baud = devices.baud
        self.facts = devices.facts
        self._devices = devices
        self.relays = devices.relays
        self._is_open = True

    def now_ns(self) -> int:
        """Return virtual time."""
        return self._devices.now_ns()

    def send(self, role: Role, data: bytes) -> int:
        """Put bytes on the line; returns the time now. Raises BenchError if the line is hopelessly behind."""
        self._require_open(role)
        self._devices.send(role, data)
        return self._devices.now_ns()

    def advance(self, until_ns: int) -> Sequence[Chunk]:
        """Simulate up to `until_ns` and return what arrived, in order of arrival."""
        self._require_open(Role.TRANSMITTER)
        return self._devices.advance(until_ns)

    def control(self, role: Role, line: ControlLine, *, level: bool) -> bool:  # noqa: ARG002
        """Return False: simulated ports have no modem control lines."""
        self._require_open(role)
        return False

    @property
    def has_attenuator(self) -> bool:
        """Whether an attenuator between the radios can be turned."""
        return self._devices.has_attenuator

    def turn_attenuator(self, attenuation_x10: int) -> None:
        """Set it, in tenths of a dB."""
        self._devices.turn_attenuator(attenuation_x10)

    def close(self) -> None:
        """End the conversation; may be called twice. Afterwards every other call raises BenchError."""
        self._is_open = False
        self._devices.close()

    def _require_open(self, role: Role) -> None:
        if not self._is_open:
            port = self.facts[f"{role} port"]
            raise BenchError("the virtual bench is closed", role=role, port=port, at_ns=self.now_ns())


class MockBench(VirtualBench):
    """A virtual bench over the mock devices of a `Pair`."""

    def __init__(self, pair: Pair) -> None:
        super().__init__(pair)
        self.settings = pair.settings
        self.link = pair.link
        self._pair = pair

    @property
    def transmitter(self) -> Transmitter:
        """The transmitter in its latest life; not `alive` while it restarts."""
        return self._pair.transmitter

    @property
    def receiver(self) -> Receiver:
        """The receiver in its latest life; not `alive` while it restarts."""
        return self._pair.receiver


def open_virtual(
    link: Link | None = None,
    settings: MockSettings | None = None,
    seed: int = 0,
    defect: Defect | None = None,
    near_miss: bool = False,
) -> MockBench:
    """Return a bench with mock devices built for `link` (Dunlin's if None), healthy or with a defect.

    With `near_miss` the defect's near-miss takes its place. Raises UserError if link, settings and defect
    do not go together.
    """
    return MockBench(open_pair(link, settings, seed, defect, near_miss))

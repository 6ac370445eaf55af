"""How does the harness reach the mock in virtual time? As a bench like any other that costs no waiting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from harness.bench.protocol import Chunk, ControlLine, Role
from harness.errors import BenchError
from harness.plan.model import Link
from mocks.defects import Defect, chosen
from mocks.pair import Pair
from mocks.receiver import Receiver
from mocks.settings import DUNLIN, MockSettings, describe_settings
from mocks.transmitter import Transmitter


class VirtualBench:
    """A `harness.bench.protocol.Bench` over a pair of mock devices; time starts at 0."""

    is_hardware = False
    is_virtual = True

    def __init__(self, pair: Pair, defect: str) -> None:
        self.settings = pair.settings
        self.link = pair.link
        self.baud: Mapping[Role, int] = dict.fromkeys(Role, pair.settings.baud)
        self.facts: Mapping[str, str] = {
            **{f"{role} port": f"virtual {role}" for role in Role},
            "mock": describe_settings(pair.settings),
            "defect": defect,
        }
        self._pair = pair
        self._is_open = True

    @property
    def transmitter(self) -> Transmitter:
        """The transmitter in its latest life; not `alive` while it restarts."""
        return self._pair.transmitter

    @property
    def receiver(self) -> Receiver:
        """The receiver in its latest life; not `alive` while it restarts."""
        return self._pair.receiver

    def now_ns(self) -> int:
        """Return virtual time."""
        return self._pair.world.now_ns

    def send(self, role: Role, data: bytes) -> int:
        """Put bytes on the line; returns the time now. Raises BenchError if the line is hopelessly behind."""
        self._require_open(role)
        self._pair.send(role, data)
        return self._pair.world.now_ns

    def advance(self, until_ns: int) -> Sequence[Chunk]:
        """Simulate up to `until_ns` and return what arrived, in order of arrival."""
        self._require_open(Role.TRANSMITTER)
        return self._pair.advance(until_ns)

    def control(self, role: Role, line: ControlLine, *, level: bool) -> bool:  # noqa: ARG002
        """Return False: the mock's ports have no modem control lines."""
        self._require_open(role)
        return False

    def close(self) -> None:
        """End the conversation; may be called twice. Afterwards every other call raises BenchError."""
        self._is_open = False

    def _require_open(self, role: Role) -> None:
        if not self._is_open:
            port = self.facts[f"{role} port"]
            raise BenchError("the virtual bench is closed", role=role, port=port, at_ns=self.now_ns())


def open_virtual(
    link: Link | None = None,
    settings: MockSettings | None = None,
    seed: int = 0,
    defect: Defect | None = None,
    near_miss: bool = False,
) -> VirtualBench:
    """Return a bench with mock devices built for `link` (Dunlin's if None), healthy or with a defect.

    With `near_miss` the defect's near-miss takes its place. Raises UserError if link, settings and defect
    do not go together.
    """
    name, patch = chosen(defect, near_miss=near_miss)
    return VirtualBench(Pair(link or DUNLIN, settings or MockSettings(), seed, patch), name)

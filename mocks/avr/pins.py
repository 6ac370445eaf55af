"""What came out of the receiver's pins? The emulator's edges, told by a witness of the bench protocol."""

from __future__ import annotations

from harness.codec.messages import StartCause
from mocks.avr.emulator import Event
from mocks.device import Life
from mocks.line import LineToDevice, LineToPC
from mocks.port import Port
from mocks.settings import DUNLIN, MockSettings
from mocks.witness import Witness
from mocks.world import World


class PinCapture(Witness):
    """A witness that is no board: it is told of the emulator's own edges."""

    def name(self) -> str:
        """Return what stands for a firmware's name."""
        return "emulated pins"


class Capture:
    """Turns edges, exact to the processor's cycle, into pulses for a witness at its own port."""

    def __init__(self, world: World, lines: tuple[LineToPC, LineToDevice], settings: MockSettings) -> None:
        self._world = world
        self._rose: dict[int, int] = {}
        self.port = Port(world, lines, (DUNLIN, settings), PinCapture)
        self.port.boot(Life(StartCause.POWER, 0, 0))

    def edge(self, event: Event) -> None:
        """Take an edge; times must be in order, and not before the world's."""
        if event.level:
            self._rose[event.bit] = event.at_ns
        elif event.bit in self._rose:
            self._world.at(event.at_ns, self._pulse, (event.bit, self._rose.pop(event.bit)))

    def _pulse(self, pulse: tuple[int, int]) -> None:
        """Tell the witness of a pulse that ends now."""
        channel, rose_ns = pulse
        witness, now_ns = self.port.device, self._world.now_ns
        if isinstance(witness, Witness):
            witness.note_pulse(channel, now_ns, now_ns - rose_ns)

"""What becomes of a packet in the air? Air time, loss and acknowledgement, one packet at a time.

A transmission lasts (overhead bits + 8 x payload bytes) / air rate. Each attempt and each acknowledgement can
be lost by itself. A two-state fade (Gilbert, Bell System Technical Journal 39:1253-1265, 1960; Elliott,
42:1977-1997, 1963) begins and ends between packets and holds for all attempts of a packet, both ways.
With a distance the signal can get too weak as well (`mocks.range`).
A packet also says whose it is and whether the check inside it is right; the radios do not look at that, and
its length counts with the overhead. Left out: collisions, capture, frequency hopping, and bit errors by
chance that the radio's checksum misses.
"""

from __future__ import annotations

from random import Random
from typing import Any, Final, NamedTuple, Protocol

from harness.clock import S
from harness.codec.messages import MAX_TELEMETRY, SIGNAL_UNKNOWN
from mocks.range import Range
from mocks.settings import WorldSettings
from mocks.world import World

OWN: Final = 0
"""The identity of the link's own transmitter."""
FOREIGN: Final = 1
"""The identity of another transmitter on the same address."""


class Packet(NamedTuple):
    """What the mock devices send: a number, the pulse of each channel in us, whose it is, and its check.

    A packet that is not `sound` is whole for the radio, but the check that the firmware put inside is wrong.
    """

    number: int
    pulses: tuple[int, ...]
    sender: int = OWN
    sound: bool = True


NUMBER_BYTES = 2
BITS_PER_CHANNEL = 12
"""Holds pulses up to 4095 us; the mock's own layout of a radio packet."""


def air_time_ns(payload_bytes: int, *, overhead_bits: int, rate_bit_s: int) -> int:
    """Return how long a transmission takes, in ns: (overhead + 8 x payload) / rate."""
    return (overhead_bits + 8 * payload_bytes) * S // rate_bit_s


def packet_bytes(channels: int) -> int:
    """Return the payload size of a control packet."""
    return NUMBER_BYTES + (channels * BITS_PER_CHANNEL + 7) // 8


class Hearing(Protocol):
    """A receiver's radio."""

    def hear(self, packet: Any) -> bytes | None:
        """Take a whole packet; return the acknowledgement's payload, or None for no acknowledgement."""
        ...


class Waiting(Protocol):
    """A transmitter's radio, waiting for an acknowledgement."""

    def answered(self, payload: bytes) -> None:
        """Take the acknowledgement."""
        ...

    def unanswered(self, nothing: None) -> None:
        """Learn that the time for an acknowledgement is over."""
        ...


class Fading:
    """Whether the link is in a fade; the chance moves it once per packet."""

    __slots__ = ("_begins", "_ends", "bad", "chance")

    def __init__(self, settings: WorldSettings, chance: Random) -> None:
        self.chance = chance.random
        self._begins = float(settings.good_to_bad)
        self._ends = float(settings.bad_to_good)
        self.bad = False

    def step(self) -> None:
        """Move on to the next packet."""
        turned = self.chance() < (self._ends if self.bad else self._begins)
        self.bad ^= turned


class Air:
    """The medium between a transmitter and a receiver; `payload_bytes` is the size of a packet.

    What a packet holds is the radios' affair: it is handed over as it came.
    """

    def __init__(self, world: World, settings: WorldSettings, *, payload_bytes: int, chance: Random) -> None:
        self.receiver: Hearing | None = None
        self.is_open = False
        """Whether the antenna path is open: then nothing comes through."""
        self._died: Waiting | None = None
        self._world = world
        self._settings = settings
        self._packet_ns = self.time_ns(payload_bytes)
        self._chance = chance.random
        self._fading = Fading(settings, chance) if settings.good_to_bad else None
        in_good, in_bad = (
            1 - (1 - settings.loss) * (1 - loss) for loss in (settings.loss_in_good, settings.loss_in_bad)
        )
        self._packet_loss = (float(in_good), float(in_bad))
        self._ack_ns = [settings.turn_round_ns + self.time_ns(size) for size in range(MAX_TELEMETRY + 1)]
        kept = 1 - settings.ack_loss
        self._ack_loss = (float(1 - (1 - in_good) * kept), float(1 - (1 - in_bad) * kept))
        self._range = Range(settings) if settings.distance_mm is not None else None
        self._packet_bits = settings.air_overhead_bits + 8 * payload_bytes
        self._strong = self._packet_loss, self._ack_loss
        self._signal_dbm = SIGNAL_UNKNOWN
        self._feel_signal()

    @property
    def has_range(self) -> bool:
        """Whether there is a distance, so that power and attenuator matter."""
        return self._range is not None

    def set_power(self, power_x10: int) -> None:
        """Set the transmitter's power, in tenths of a dBm."""
        if self._range is not None:
            self._range.power_x10 = power_x10
            self._feel_signal()

    def turn_attenuator(self, attenuation_x10: int) -> None:
        """Set the attenuator that somebody can turn, in tenths of a dB."""
        if self._range is not None:
            self._range.turned_x10 = attenuation_x10
            self._feel_signal()

    def signal_dbm(self) -> int:
        """Return how strong a packet arrives at the receiver, as it reports it."""
        return self._signal_dbm

    def _feel_signal(self) -> None:
        """Work out signal and losses anew. An acknowledgement counts as long as an empty one: it is short."""
        if self._range is None:
            return
        self._signal_dbm = self._range.reported_dbm()
        packets, answers = self._strong
        lost = self._range.packet_loss(self._packet_bits)
        self._packet_loss = _added(packets, lost)
        self._ack_loss = _added(answers, self._range.answer_loss(self._settings.air_overhead_bits))

    def torn(self, sender: Waiting | None) -> None:
        """Let the packet that this transmitter has on the air break off: its power is gone."""
        self._died = sender

    def time_ns(self, payload_bytes: int) -> int:
        """Return the air time of a transmission with this payload, in ns."""
        settings = self._settings
        return air_time_ns(
            payload_bytes, overhead_bits=settings.air_overhead_bits, rate_bit_s=settings.air_rate_bit_s
        )

    def send(self, packet: Any, sender: Waiting, *, first: bool, patience_ns: int) -> None:
        """Transmit one attempt; `first` attempts move the fading on.

        The sender is told of the acknowledgement, or of its absence `patience_ns` after the packet's end.
        """
        if first and self._fading is not None:
            self._fading.step()
        end_ns = self._world.now_ns + self._packet_ns
        if self._lost(self._packet_loss) or self.is_open:
            self._world.at(end_ns + patience_ns, sender.unanswered, None)
        else:
            self._world.at(end_ns, self._arrive, (packet, sender, patience_ns))

    def _arrive(self, sent: tuple[Any, Waiting, int]) -> None:
        packet, sender, patience_ns = sent
        whole = self.receiver is not None and not self.is_open and sender is not self._died
        payload = self.receiver.hear(packet) if self.receiver is not None and whole else None
        now_ns = self._world.now_ns
        if payload is None or self._lost(self._ack_loss) or self.is_open:
            self._world.at(now_ns + patience_ns, sender.unanswered, None)
        else:
            self._world.at(now_ns + self._ack_ns[len(payload)], sender.answered, payload)

    def _lost(self, share: tuple[float, float]) -> bool:
        loss = share[self._fading is not None and self._fading.bad]
        return loss > 0 and self._chance() < loss


def _added(losses: tuple[float, float], loss: float) -> tuple[float, float]:
    """Return both losses with another one, independent of them; without it they stay as they are."""
    return (1 - (1 - losses[0]) * (1 - loss), 1 - (1 - losses[1]) * (1 - loss)) if loss else losses

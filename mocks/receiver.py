"""What does the mock receiver do? Acknowledge, apply packets to its outputs, and go to failsafe without them.

The radio takes packets in and acknowledges them by itself; the loop takes them out of its FIFO and applies
them, when it comes round and nothing blocks it. The failsafe timer is a hardware timer that each applied
packet restarts, so a blocked loop does not hold it up. The servo pulses are in `mocks.pins`.
Left out: the supply.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from random import Random
from statistics import median_low
from struct import Struct
from typing import ClassVar

from harness.bench.protocol import Role
from harness.clock import US, S
from harness.codec.messages import (
    SIGNAL_UNKNOWN,
    Ability,
    Applied,
    Counters,
    Deafen,
    Inject,
    MuteAcks,
    OutputChange,
    OutputReason,
    Result,
    WireRole,
)
from mocks.air import OWN, Packet
from mocks.device import Device, Handler, Life, Surroundings
from mocks.settings import FAILSAFE_SHARE
from mocks.telemetry import Layout, fits, steady_values

FREE_MEMORY = 1_024
PERIODS = 5
"""A receiver that counts packet periods goes by the median of so many: one lost packet makes two of one."""
Pulses = tuple[int, ...]


def _unknown() -> int:
    return SIGNAL_UNKNOWN


class Receiver(Device):
    """One life of a receiver.

    A defect is a subclass that overrides one of the small decisions `shown`, `failsafe_outputs`,
    `failsafe_due_ns`, `refreshes`, `returned`, `believed`, `hear_noise`, `free_memory`, `takes_again`,
    `sensed`, `payload`, `driven`, `reported`, or the number `PRELOADED`.
    """

    ROLE = Role.RECEIVER
    WIRE_ROLE = WireRole.RECEIVER
    ABILITIES: ClassVar[Ability] = (
        Ability.INJECT | Ability.MUTE_ACKS | Ability.RESTART | Ability.RESTART_AT | Ability.DEAFEN
    )
    PRELOADED: ClassVar[int] = 1
    """Acknowledgement payloads waiting in the radio; one makes telemetry one packet old."""
    chance: Random
    """For defects that come by chance; whoever makes the receiver sets it."""
    PINS_IN_TURN: ClassVar[bool] = False
    """Whether a servo pulse begins when the one of the channel before it ends, or all begin together."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life, around.settings.receiver_skew_ppm)
        settings, link = around.settings, around.link
        self._mirrored = [
            (index, channel.output_us) for index, channel in enumerate(link.channels)
            if channel.direction == "reversed"
        ]  # fmt: skip
        self._declared: tuple[int | None, ...] = settings.failsafe_us or tuple(
            channel.failsafe_us for channel in link.channels
        )
        at_rest = tuple(channel.output_us(channel.rest_us) for channel in link.channels)
        self.outputs = at_rest
        self.outputs = self.failsafe_outputs()
        share_ns = link.failsafe.within_ns * FAILSAFE_SHARE.numerator // FAILSAFE_SHARE.denominator
        self.failsafe_ns = self.span_ns(settings.failsafe_after_ns or share_ns)
        self.in_failsafe = True
        self.refreshed_ns = self.world.now_ns
        self._periods: deque[int] = deque(maxlen=PERIODS)
        self._timing = False
        self._prompt = not settings.receiver_loop_ns and not settings.block_every_ns
        self._fifo: deque[Packet] = deque()
        self._coming_round = False
        self._last_number: int | None = None
        self._muted_ns = self._deaf_ns = (0, 0)
        self._pack_applied = Struct(f"<HIbB{len(link.channels)}H").pack
        self.packets = self.duplicates = self.overruns = self.bad_packets = 0
        self.signal_dbm: Callable[[], int] = _unknown
        """How strong packets arrive, as the radio tells it."""
        self._raw = steady_values(link)
        self._layout = Layout(link)
        self._layout.load(self.sensed(self._raw))
        self._answer = self._layout.payload(0)
        self._preloaded = deque([self._answer] * self.PRELOADED)
        self._heard = 0

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs for a packet's pulses."""
        if not self._mirrored:
            return pulses
        outputs = list(pulses)
        for index, output_us in self._mirrored:
            outputs[index] = output_us(pulses[index])
        return tuple(outputs)

    def failsafe_outputs(self) -> Pulses:
        """Return the outputs in failsafe; a channel that declares no pulse keeps its own."""
        return tuple(
            held if declared is None else declared
            for declared, held in zip(self._declared, self.outputs, strict=True)
        )

    def failsafe_due_ns(self) -> int | None:
        """Return when failsafe begins if no packet comes any more; None is never.

        Packets are counted in their own period, the median of the last few; frames run on by themselves,
        one as long as a packet period by the receiver's clock. A tick is when the receiver looks.
        """
        settings, due_ns = self.settings, self.refreshed_ns + self.failsafe_ns
        frame_ns = self.span_ns(self.link.packet_period_ns)
        if settings.failsafe_by == "packets" and self._periods:
            due_ns = self.refreshed_ns + self.failsafe_ns // frame_ns * median_low(self._periods)
        elif settings.failsafe_by == "frames":
            since_ns = self.refreshed_ns - self.started_ns
            due_ns = self.started_ns + (since_ns // frame_ns + self.failsafe_ns // frame_ns) * frame_ns
        tick_ns = self.span_ns(settings.failsafe_tick_ns)
        return due_ns + (self.started_ns - due_ns) % tick_ns if tick_ns else due_ns

    def refreshes(self, outputs: Pulses) -> bool:  # noqa: ARG002
        """Return whether an applied packet with these outputs restarts the failsafe timer."""
        return True

    def returned(self, outputs: Pulses) -> Pulses:
        """Return the outputs for the first packet after a lost link."""
        return outputs

    def believed(self, packet: Packet) -> bool:
        """Return whether a packet counts: it is whole, and the link's own transmitter sent it."""
        return packet.sound and packet.sender == OWN

    def hear_noise(self) -> None:
        """Take a burst of noise for what it is: nothing. A transmitter leaves one as its supply collapses."""

    def free_memory(self) -> int:
        """Return how many bytes of memory are free."""
        return FREE_MEMORY

    def takes_again(self) -> bool:
        """Return whether a packet that came before is put in the FIFO again."""
        return False

    def sensed(self, raw: list[int]) -> list[int]:
        """Return the values that go into the payload for the sensors' raw values."""
        return raw

    def payload(self) -> bytes:
        """Return the payload that is loaded into the radio as a new packet comes."""
        return self._layout.payload(self._heard)

    def reported(self, outputs: Pulses) -> Pulses:
        """Return the outputs as the report tells them."""
        return outputs

    def driven(self) -> Pulses:
        """Return the pulses that the pins get in the servo frame that begins now."""
        return self.outputs

    def commands(self) -> dict[type, Handler]:
        """Return the commands of a receiver."""
        return {Inject: self._inject, MuteAcks: self._mute_acks, Deafen: self._deafen}

    def start(self) -> None:
        """Drive failsafe outputs until the first packet, and count."""
        super().start()
        self.change_outputs(self.outputs, OutputReason.START)
        self.world.at(self.world.now_ns + self.span_ns(S), self._count, None)

    def let_go(self) -> None:
        """End injections, muting and deafness."""
        self._muted_ns = self._deaf_ns = (0, 0)
        self._load(steady_values(self.link))

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet from the air; return the acknowledgement's payload, or None for no acknowledgement.

        A packet that finds the FIFO full is not taken and not acknowledged. One that is not believed is
        acknowledged as if it had come before, and so is what a deaf firmware throws away.
        """
        if not self.alive:
            return None
        number = packet.number
        if self._deaf_ns[1] and self._deaf():
            pass
        elif not self.believed(packet):
            self.bad_packets += 1
        elif number == self._last_number:
            self.duplicates += 1
            if self.takes_again():
                self._queue(packet)
        elif self._queue(packet):
            self._last_number = number
            self._answer = self._preloaded.popleft()
            self._heard += 1
            self._preloaded.append(self.payload())
        else:
            self.overruns += 1
            return None
        begin_ns, end_ns = self._muted_ns
        return None if begin_ns <= self.world.now_ns < end_ns else self._answer

    def _queue(self, packet: Packet) -> bool:
        if self._prompt:
            self._apply(packet)
            return True
        if len(self._fifo) >= self.settings.fifo_depth:
            return False
        self._fifo.append(packet)
        if not self._coming_round:
            self._coming_round = True
            self.world.at(self._next_round_ns(), self._come_round, None)
        return True

    def _next_round_ns(self) -> int:
        """Return when the loop looks at the radio next. A blocking routine ends with each of its periods."""
        settings, age_ns = self.settings, self.world.now_ns - self.started_ns
        if settings.receiver_loop_ns:
            age_ns += -age_ns % settings.receiver_loop_ns
        if settings.block_every_ns:
            left_ns = settings.block_every_ns - age_ns % settings.block_every_ns
            if left_ns <= settings.block_for_ns:
                age_ns += left_ns
        return self.started_ns + age_ns

    def _come_round(self, _: None) -> None:
        self._coming_round = False
        while self._fifo and self.alive:
            packet = self._fifo.popleft()
            if not self._deaf():
                self._apply(packet)

    def _deaf(self) -> bool:
        begin_ns, end_ns = self._deaf_ns
        return begin_ns <= self.world.now_ns < end_ns

    def _apply(self, packet: Packet) -> None:
        """Drive the outputs and report it; a packet always restarts a failsafe timer that ran out."""
        outputs = self.shown(packet.pulses)
        if self.in_failsafe and self.packets:
            outputs = self.returned(outputs)
        if self.in_failsafe or self.refreshes(outputs):
            self.refresh()
        self.in_failsafe = False
        self.outputs = outputs
        self.packets += 1
        told = self.reported(outputs)
        self.say_packed(
            Applied.TYPE,
            self._pack_applied(packet.number, self.now_us(), self.signal_dbm(), len(told), *told),
        )
        if not self._timing:
            self._time_failsafe()

    def refresh(self) -> None:
        """Restart the failsafe timer."""
        if not self.in_failsafe:
            self._periods.append(self.world.now_ns - self.refreshed_ns)
        self.refreshed_ns = self.world.now_ns

    def _time_failsafe(self) -> None:
        due_ns = self.failsafe_due_ns()
        if due_ns is not None:
            self._timing = True
            if self.settings.failsafe_by == "packets":  # a shorter period may bring it forward
                due_ns = min(due_ns, self.world.now_ns + self.span_ns(self.link.packet_period_ns))
            self.world.at(due_ns, self._look_for_loss, None)

    def _look_for_loss(self, _: None) -> None:
        """Begin failsafe when its time has come, or look again when it would: one timer, set lazily."""
        self._timing = False
        if self.in_failsafe or not self.alive:
            return
        due_ns = self.failsafe_due_ns()
        if due_ns is None or due_ns > self.world.now_ns:
            self._time_failsafe()
            return
        self.in_failsafe = True
        self.change_outputs(self.failsafe_outputs(), OutputReason.FAILSAFE)

    def change_outputs(self, outputs: Pulses, reason: OutputReason) -> None:
        """Drive outputs without a packet and report it."""
        self.outputs = outputs
        self.say(OutputChange(self.now_us(), reason, self.reported(outputs)))

    def _count(self, _: None) -> None:
        if not self.alive:
            return
        self.world.at(self.world.now_ns + self.span_ns(S), self._count, None)
        restarts = self.life.restarts & 0xFFFF
        totals = (self.packets, self.duplicates, self.bad_packets, restarts)
        self.say(Counters(*totals, self.free_memory(), self.bad_frames))

    def _inject(self, inject: Inject) -> Result:
        raw = list(self._raw)
        for number, value in inject.values:
            if number >= len(raw):
                return Result.OUT_OF_RANGE
            field = self.link.telemetry[number]
            if field.source != "injected" or not fits(field, value):
                return Result.OUT_OF_RANGE
            raw[number] = value
        self._load(raw)
        return Result.DONE

    def _load(self, raw: list[int]) -> None:
        self._raw = raw
        self._layout.load(self.sensed(raw))

    def _mute_acks(self, mute: MuteAcks) -> Result:
        begin_ns = self.world.now_ns + self.span_ns(mute.delay_us * US)
        self._muted_ns = (begin_ns, begin_ns + self.span_ns(mute.duration_us * US))
        return Result.DONE

    def _deafen(self, deafen: Deafen) -> Result:
        begin_ns = self.world.now_ns + self.span_ns(deafen.delay_us * US)
        self._deaf_ns = (begin_ns, begin_ns + self.span_ns(deafen.duration_us * US))
        return Result.DONE

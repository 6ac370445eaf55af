"""Two defects together: errors that hide each other until something changes, and errors that need both."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from typing import ClassVar, Final

from harness.clock import MS
from harness.codec.messages import Inject, OutputReason, Result, StartCause
from mocks.air import Packet
from mocks.defects import fidelity, limits, pins, radio, readings, sticks, telemetry
from mocks.defects.mixing import combined
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Device, Handler, Life, Surroundings
from mocks.receiver import Pulses, Receiver
from mocks.settings import MockSettings
from mocks.transmitter import Transmitter

BACK: Final = 16
"""Packets that a failsafe timer looks back, wrongly."""
DRAWS_NS: Final = 180 * MS
DRAWS_A_PART_NS: Final = 8 * MS
RADIO_AWAY_NS: Final = 20 * MS
TRIM_US: Final = 4


class TimesOldPacket(Receiver):
    """Times failsafe from the packet 16 before the last, and waits 16 packet periods longer in return.

    Both errors cancel at the link's own packet rate. After a gap it has no older packets than the new ones.
    """

    LOOKS_BACK: ClassVar[int] = BACK

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._period_ns = self.span_ns(self.link.packet_period_ns)
        self._times: deque[int] = deque(maxlen=self.LOOKS_BACK + 1)

    def refresh(self) -> None:
        """Note when packets were applied; the first one after a gap stands for those before it too."""
        now_ns = self.world.now_ns
        if self.in_failsafe:
            before = range(self.LOOKS_BACK, 0, -1)
            self._times.extend(now_ns - place * self._period_ns for place in before)
        super().refresh()
        self._times.append(now_ns)

    def failsafe_due_ns(self) -> int | None:
        """Return when the oldest time that was kept is old enough."""
        due_ns = self._times[0] + self.failsafe_ns + self.LOOKS_BACK * self._period_ns
        return max(due_ns, self.world.now_ns)


class TimesLastPacket(TimesOldPacket):
    """Times it from the last packet, and waits no longer."""

    LOOKS_BACK = 0


class HasOnlyWatchdog(Receiver):
    """Has no failsafe, and a watchdog that each packet resets: it starts the receiver again instead."""

    def change_outputs(self, outputs: Pulses, reason: OutputReason) -> None:
        """Start again in place of failsafe: that drives failsafe outputs too."""
        if reason is OutputReason.FAILSAFE:
            self.next_life = replace(self.next_life, cause=StartCause.WATCHDOG)
            self._go_down(None)
        else:
            super().change_outputs(outputs, reason)


class WatchesRadio(Receiver):
    """Has failsafe, and starts only its radio again, which hears nothing for 20 ms."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._radio_back_ns = 0

    def change_outputs(self, outputs: Pulses, reason: OutputReason) -> None:
        """Drive the outputs, and start the radio if this is failsafe."""
        super().change_outputs(outputs, reason)
        if reason is OutputReason.FAILSAFE:
            self._radio_back_ns = self.world.now_ns + RADIO_AWAY_NS

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet if the radio is there."""
        return super().hear(packet) if self.world.now_ns >= self._radio_back_ns else None


class SwapsSurfaces(Receiver):
    """Drives the first two control surfaces with each other's pulses."""

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs for the pulses with these two exchanged."""
        return super().shown(_swapped(pulses, *_surfaces(self)))


class ReversesSurfaces(Receiver):
    """Mirrors the first two control surfaces."""

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs with these two mirrored."""
        outputs = super().shown(pulses)
        for number in _surfaces(self):
            channel = self.link.channels[number]
            outputs = fidelity.changed(outputs, number, fidelity.mirrored(channel, outputs[number]))
        return outputs


class SendsSwapped(Transmitter):
    """Sends the first two control surfaces in each other's place."""

    def carried(self, sticks: Pulses) -> Pulses:
        """Return the pulses with these two exchanged."""
        return _swapped(super().carried(sticks), *_surfaces(self))


class SendsMirrored(Transmitter):
    """Sends the first two control surfaces mirrored."""

    def carried(self, sticks: Pulses) -> Pulses:
        """Return the pulses with these two mirrored."""
        pulses = super().carried(sticks)
        for number in _surfaces(self):
            channel = self.link.channels[number]
            pulses = fidelity.changed(pulses, number, fidelity.mirrored(channel, pulses[number]))
        return pulses


def _surfaces(device: Device) -> tuple[int, int]:
    """Return the numbers of the first two channels that are no throttle, or of the first two."""
    found = [number for number, one in enumerate(device.link.channels) if one.role != "throttle"]
    return (found[0], found[1]) if len(found) > 1 else (0, 1)


def _swapped(pulses: Pulses, first: int, second: int) -> Pulses:
    other = fidelity.changed(pulses, first, pulses[second])
    return fidelity.changed(other, second, pulses[first])


class TrimsUp(Transmitter):
    """Adds 4 us to the first control surface and holds it at the end of its range."""

    ROOM_US: ClassVar[int] = 0

    def carried(self, sticks: Pulses) -> Pulses:
        """Return the pulses with that one longer."""
        number = fidelity.surface(self.link)
        most = self.link.channels[number].range.high_us + self.ROOM_US
        return fidelity.changed(sticks, number, min(most, sticks[number] + TRIM_US))


class TrimsUpFreely(TrimsUp):
    """Leaves room for the trim beyond the end."""

    ROOM_US = TRIM_US


class TrimsDown(Receiver):
    """Takes 4 us off the first control surface."""

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs for the pulses with that one shorter."""
        number = fidelity.surface(self.link)
        return super().shown(fidelity.changed(pulses, number, pulses[number] - TRIM_US))


class MirrorsSteps(Receiver):
    """Mirrors the first control surface once more, counted in steps from 0 to its travel: one step off."""

    OFF_US: ClassVar[int] = 1

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs for the pulses with that one mirrored."""
        number = fidelity.surface(self.link)
        channel = self.link.channels[number]
        turned = fidelity.mirrored(channel, pulses[number]) - self.OFF_US
        return super().shown(fidelity.changed(pulses, number, turned))


class MirrorsBack(MirrorsSteps):
    """Mirrors it about the same middle."""

    OFF_US = 0


class DrawsNewTelemetry(Receiver):
    """Draws each new set of telemetry values on its display, and does nothing else meanwhile."""

    DRAWS_NS: ClassVar[int] = DRAWS_NS

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._drawn_ns = 0

    def commands(self) -> dict[type, Handler]:
        """Return the commands, with drawing after an injection."""
        return super().commands() | {Inject: self._inject_and_draw}

    def _inject_and_draw(self, inject: Inject) -> Result:
        self._drawn_ns = self.world.now_ns + self.DRAWS_NS
        return self._inject(inject)

    def _next_round_ns(self) -> int:
        return max(super()._next_round_ns(), self._drawn_ns)


class DrawsInParts(DrawsNewTelemetry):
    """Draws a part of it each time the values change."""

    DRAWS_NS = DRAWS_A_PART_NS


def _with_loop(settings: MockSettings) -> MockSettings:
    return replace(settings, receiver_loop_ns=MS)


def _of(module_defects: tuple[Defect, ...], name: str) -> Defect:
    return next(defect for defect in module_defects if defect.name == name)


_SCALED = _of(telemetry.DEFECTS, "telemetry-scaled")
_TURNED = _of(readings.DEFECTS, "telemetry-bytes-turned")
_BURSTS = _of(radio.DEFECTS, "burst-loss")
_AGAIN = _of(radio.DEFECTS, "duplicates-applied")
_SLOW = _of(sticks.DEFECTS, "slow-loop")
_SHALLOW = _of(limits.DEFECTS, "fifo-one-deep")
_PINS = _of(pins.DEFECTS, "pins-swapped")


DEFECTS = (
    Defect(
        name="failsafe-trimmed-to-rate",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="failsafe counts from the packet 16 before the last, and waits longer by what that is at 50 Hz",
        cause="a timer that was wrong was lengthened by trial until it fitted, at one packet rate",
        caught_by="no_false_failsafe",
        plan="failsafe",
        near_miss="failsafe counts from the last packet and waits no longer",
        patch=Patch(receiver=TimesOldPacket),
        near_patch=Patch(receiver=TimesLastPacket),
    ),
    Defect(
        name="failsafe-by-watchdog",
        felt=Felt.CONTROL,
        severity="serious",
        wrong="there is no failsafe; a watchdog restarts the receiver, which then drives the same outputs",
        cause="failsafe was never written, and nobody missed it as long as the watchdog bit",
        caught_by="no_false_failsafe",
        plan="failsafe",
        near_miss="failsafe engages, and only the radio is started again, which takes 20 ms",
        patch=Patch(receiver=HasOnlyWatchdog),
        near_patch=Patch(receiver=WatchesRadio),
    ),
    Defect(
        name="elevons-swapped-and-reversed",
        felt=Felt.WRONG,
        severity="dangerous",
        wrong="two control surfaces are swapped and reversed: rolling looks right, pitch goes the other way",
        cause="servos plugged in by colour, and reversed until rolling looked right",
        caught_by="fidelity",
        plan="acceptance",
        near_miss="the transmitter swaps and reverses them as well, so that each follows its stick",
        patch=combined(Patch(receiver=SwapsSurfaces, needs_channels=2), Patch(receiver=ReversesSurfaces)),
        near_patch=combined(
            Patch(transmitter=SendsMirrored, receiver=SwapsSurfaces, needs_channels=2),
            Patch(transmitter=SendsSwapped, receiver=ReversesSurfaces),
        ),
    ),
    Defect(
        name="swapped-twice",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="outputs are swapped, and pins swapped back: the model does right and the report is wrong",
        cause="a swapped table was made good at the connector instead of in the table",
        caught_by="pins",
        plan="first-look",
        near_miss="the table is right, and so is the order of the pins, which take turns",
        patch=combined(_PINS.patch, Patch(receiver=sticks.SwapsBack, needs_channels=2)),
        near_patch=_PINS.near_patch,
    ),
    Defect(
        name="trims-cancel",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="4 us added at one end and taken off at the other cancel, but not at the end of the travel",
        cause="a trim in each of two devices, and a limit between them",
        caught_by="fidelity",
        plan="first-look",
        near_miss="the limit between them leaves room for the trim",
        patch=Patch(transmitter=TrimsUp, receiver=TrimsDown),
        near_patch=Patch(transmitter=TrimsUpFreely, receiver=TrimsDown),
    ),
    Defect(
        name="reversed-twice",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="a channel is mirrored at both ends about different middles and comes out 1 us off",
        cause="one end counts its steps from 0 to 1000, the other from 1 to 1000",
        caught_by="fidelity",
        plan="first-look",
        near_miss="both ends mirror it about the same middle",
        patch=Patch(transmitter=fidelity.SendsReversed, receiver=MirrorsSteps),
        near_patch=Patch(transmitter=fidelity.SendsReversed, receiver=MirrorsBack),
    ),
    Defect(
        name="losses-made-up",
        felt=Felt.MISSING,
        severity="serious",
        wrong="3 % of the packets are lost in bursts, and others are applied twice: the count looks right",
        cause="a shaded antenna, and a receiver that does not compare packet numbers",
        caught_by="delivery",
        plan="acceptance",
        near_miss="0.2 % are lost, and repeated packets are dropped",
        patch=combined(_BURSTS.patch, _AGAIN.patch),
        near_patch=combined(_BURSTS.near_patch, _AGAIN.near_patch),
    ),
    Defect(
        name="slow-loop-one-place",
        felt=Felt.MISSING,
        severity="serious",
        wrong="a loop of 45 ms empties a radio that holds one packet: most packets get lost",
        cause="each was bearable alone: a slow loop with a deep queue, a short queue with a quick loop",
        caught_by="delivery",
        plan="first-look",
        near_miss="a loop of 5 ms empties a radio that holds eight",
        patch=combined(_SHALLOW.patch, _SLOW.patch),
        near_patch=combined(_SHALLOW.near_patch, _SLOW.near_patch),
    ),
    Defect(
        name="display-draws-telemetry",
        felt=Felt.LATE,
        severity="serious",
        wrong="each time a telemetry value changes, the receiver draws its display for 180 ms",
        cause="a display that is drawn on change only, and a value that stood still while it was tried",
        caught_by="control_gap",
        plan="first-look",
        near_miss="it draws a part of its display, for 8 ms",
        patch=Patch(settings=_with_loop, receiver=DrawsNewTelemetry, needs_telemetry=True),
        near_patch=Patch(settings=_with_loop, receiver=DrawsInParts, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-scaled-and-turned",
        felt=Felt.TELEMETRY,
        severity="serious",
        wrong="telemetry is 100 times too large, and its bytes come in the wrong order",
        cause="a structure from another project: another unit, and another processor",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="values are scaled and turned, and both are undone before they are sent",
        patch=combined(_TURNED.patch, _SCALED.patch),
        near_patch=combined(_TURNED.near_patch, _SCALED.near_patch),
    ),
)

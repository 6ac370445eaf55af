"""Defects in how telemetry is loaded into the radio: values that stop, come late, or are not there yet."""

from __future__ import annotations

from typing import ClassVar, Final

from harness.clock import MS, US, S
from harness.codec.messages import OutputReason
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver

BYTE: Final = 0xFF
EVERY_NS: Final = 2 * S


class FreezesAfterCut(Receiver):
    """Loads no new payload once it was in failsafe."""

    THAWS: ClassVar[bool] = False

    def __init__(self, around: Surroundings, life: Life) -> None:
        self._frozen: bytes | None = None
        super().__init__(around, life)

    def change_outputs(self, outputs: Pulses, reason: OutputReason) -> None:
        """Keep the payload that is there at link loss."""
        super().change_outputs(outputs, reason)
        if reason is OutputReason.FAILSAFE and not self.THAWS:
            self._frozen = self._layout.payload(self._heard)

    def payload(self) -> bytes:
        """Return the payload, or the one that was kept."""
        return super().payload() if self._frozen is None else self._frozen


class ThawsAfterCut(FreezesAfterCut):
    """Loads payloads again with the first packet that comes."""

    THAWS = True


class CountsPayloads(Receiver):
    """Loads a payload when a count of 8 bits is what it was, plus 1: never again once it has come round."""

    MASK: ClassVar[int] = BYTE << 1 | 1

    def __init__(self, around: Surroundings, life: Life) -> None:
        self._due = 1
        super().__init__(around, life)
        self._kept = super().payload()

    def payload(self) -> bytes:
        """Return a new payload if it is time for one, or the last."""
        if self._heard & BYTE == self._due:
            self._due = (self._heard & BYTE) + 1 & self.MASK
            self._kept = super().payload()
        return self._kept


class CountsRound(CountsPayloads):
    """Compares in 8 bits, so that the count comes round with what it is compared with."""

    MASK = BYTE


class LoadsSeldom(Receiver):
    """Loads new values every 2 s."""

    AT_ONCE: ClassVar[bool] = False

    def __init__(self, around: Surroundings, life: Life) -> None:
        self._slow: bytes | None = None
        self._loaded_ns = -EVERY_NS
        super().__init__(around, life)

    def payload(self) -> bytes:
        """Return the last payload that was loaded."""
        now_ns = self.world.now_ns
        if self._slow is None or self.AT_ONCE or now_ns - self._loaded_ns >= self.span_ns(EVERY_NS):
            self._slow, self._loaded_ns = super().payload(), now_ns
        return self._slow


class LoadsChanges(LoadsSeldom):
    """Loads what changed at once."""

    AT_ONCE = True


class BlanksPayload(Receiver):
    """Loads zeros where it has had no time to fill the payload."""

    def pressed(self) -> bool:
        """Return whether there is no time."""
        return False

    def payload(self) -> bytes:
        """Return the payload, or zeros."""
        ready = super().payload()
        return bytes(len(ready)) if self.pressed() else ready


class BlanksWhileMoving(BlanksPayload):
    """Has no time while outputs move."""

    LEAST_US: ClassVar[int] = 1

    def __init__(self, around: Surroundings, life: Life) -> None:
        self._moved = False
        super().__init__(around, life)

    def shown(self, pulses: Pulses) -> Pulses:
        """Return the outputs, and note whether one of them moves."""
        outputs = super().shown(pulses)
        pairs = zip(outputs, self.outputs, strict=True)
        self._moved = any(abs(new - old) >= self.LEAST_US for new, old in pairs)
        return outputs

    def pressed(self) -> bool:
        """Return whether the last packet moved an output."""
        return self._moved


class BlanksWhileLeaping(BlanksWhileMoving):
    """Would have none if an output moved further than any travel."""

    LEAST_US = 4096


class BlanksInBursts(BlanksPayload):
    """Has no time when packets follow each other within 5 ms."""

    CLOSE_NS: ClassVar[int] = 5 * MS

    def __init__(self, around: Surroundings, life: Life) -> None:
        self._came_ns = -S
        super().__init__(around, life)

    def pressed(self) -> bool:
        """Return whether this packet follows another one closely."""
        before_ns, self._came_ns = self._came_ns, self.world.now_ns
        return self._came_ns - before_ns < self.CLOSE_NS


class FillsQuickly(BlanksInBursts):
    """Needs 200 us to fill it, less than a packet takes."""

    CLOSE_NS = 200 * US


DEFECTS = (
    Defect(
        name="telemetry-frozen-after-cut",
        felt=Felt.TELEMETRY,
        severity="serious",
        wrong="after the first link loss telemetry shows for ever what it showed then",
        cause="the task that loads it waits for an acknowledgement that the lost link never gave",
        caught_by="telemetry_age",
        plan="first-look",
        near_miss="loading rests in failsafe, and goes on with the first packet",
        patch=Patch(receiver=FreezesAfterCut, needs_telemetry=True),
        near_patch=Patch(receiver=ThawsAfterCut, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-count-wraps",
        felt=Felt.TELEMETRY,
        severity="serious",
        wrong="after 256 packets telemetry never changes again",
        cause="a count of 8 bits is compared with itself plus 1 in 16 bits, and 256 never comes",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="both sides are compared in 8 bits",
        patch=Patch(receiver=CountsPayloads, needs_telemetry=True),
        near_patch=Patch(receiver=CountsRound, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-seldom",
        felt=Felt.TELEMETRY,
        severity="serious",
        wrong="new values are loaded only every 2 s",
        cause="telemetry shares the slow task of the display",
        caught_by="telemetry_age",
        plan="first-look",
        near_miss="the slow task looks every 2 s, and what changes is loaded at once",
        patch=Patch(receiver=LoadsSeldom, needs_telemetry=True),
        near_patch=Patch(receiver=LoadsChanges, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-starved",
        felt=Felt.TELEMETRY,
        severity="nuisance",
        wrong="while sticks move the values are zeros",
        cause="the payload is cleared early and filled by a task that servo updates push aside",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="only a move longer than any travel would take that much time",
        patch=Patch(receiver=BlanksWhileMoving, needs_telemetry=True),
        near_patch=Patch(receiver=BlanksWhileLeaping, needs_telemetry=True),
    ),
    Defect(
        name="telemetry-blank-in-bursts",
        felt=Felt.TELEMETRY,
        severity="nuisance",
        wrong="packets that follow each other within 5 ms bring back zeros",
        cause="the payload is cleared at once and filled 5 ms later",
        caught_by="telemetry_value",
        plan="first-look",
        near_miss="filling takes 200 us, less than a packet",
        patch=Patch(receiver=BlanksInBursts, needs_telemetry=True),
        near_patch=Patch(receiver=FillsQuickly, needs_telemetry=True),
    ),
)

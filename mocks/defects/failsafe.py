"""Defects in what happens when packets stop, and when they come back."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from harness.clock import MS
from harness.codec.messages import OutputReason
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver
from mocks.settings import FAILSAFE_SHARE, MockSettings

TOO_LATE = Fraction(105, 100)
IN_TIME = Fraction(104, 100) * FAILSAFE_SHARE
"""Share of the declared time: 0.9984."""
SLOW_TASK = Fraction(35, 1000)
REPEAT_NS = 100 * MS
TABLE_US = 10


class NeverEngages(Receiver):
    """Has no failsafe."""

    def failsafe_due_ns(self) -> int | None:
        """Return that failsafe never begins."""
        return None


class EngagesFromSlowTask(Receiver):
    """Looks for link loss only now and then, by up to 3.5 % of the declared time later than a timer would."""

    def failsafe_due_ns(self) -> int | None:
        """Return the slow task's first turn after the failsafe time."""
        every_ns = int(self.link.failsafe.within_ns * SLOW_TASK)
        due_ns = self.refreshed_ns + self.failsafe_ns
        return due_ns + (self.started_ns - due_ns) % every_ns


class HoldsThrottle(Receiver):
    """Leaves the throttle where it was when the link was lost."""

    def failsafe_outputs(self) -> Pulses:
        """Return failsafe outputs with the throttle's last pulse."""
        held = zip(self.link.channels, super().failsafe_outputs(), self.outputs, strict=True)
        return tuple(last if channel.role == "throttle" else right for channel, right, last in held)


class RepeatsFailsafe(Receiver):
    """Writes the same failsafe outputs again every 100 ms, as careful firmware does."""

    def change_outputs(self, outputs: Pulses, reason: OutputReason) -> None:
        """Drive outputs, and plan to drive them again if this is failsafe."""
        super().change_outputs(outputs, reason)
        if reason is OutputReason.FAILSAFE:
            self.world.at(self.world.now_ns + REPEAT_NS, self._again, self.refreshed_ns)

    def _again(self, lost_ns: int) -> None:
        if self.alive and self.in_failsafe and self.refreshed_ns == lost_ns:
            self.change_outputs(self.outputs, OutputReason.FAILSAFE)


class _TimedBy(Receiver):
    """Engages after a fixed share of the declared time."""

    SHARE = Fraction(1)

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self.failsafe_ns = self.span_ns(int(self.link.failsafe.within_ns * self.SHARE))


class EngagesLate(_TimedBy):
    """Engages 5 % after the declared time."""

    SHARE = TOO_LATE


class EngagesLastMoment(_TimedBy):
    """Engages 4 % later than a healthy mock, just within the declared time."""

    SHARE = IN_TIME


class _EngagesEarly(Receiver):
    """Engages at a share of the time before which it must not."""

    SHARE = Fraction(1)

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self.failsafe_ns = self.span_ns(int(self.link.failsafe.earliest_ns * self.SHARE))


class EngagesTooEarly(_EngagesEarly):
    """Engages 10 % before the earliest time declared."""

    SHARE = Fraction(90, 100)


class EngagesSoon(_EngagesEarly):
    """Engages 5 % after the earliest time declared."""

    SHARE = Fraction(105, 100)


class ForgetsMotor(Receiver):
    """Closes every throttle but the last one."""

    def failsafe_outputs(self) -> Pulses:
        """Return failsafe outputs with the last throttle where it was."""
        outputs = super().failsafe_outputs()
        throttles = [n for n, channel in enumerate(self.link.channels) if channel.role == "throttle"]
        return tuple(self.outputs[n] if n == throttles[-1] else us for n, us in enumerate(outputs))


class SwapsMotors(Receiver):
    """Has the first and the last throttle's failsafe pulse the wrong way round, and they are equal."""

    def failsafe_outputs(self) -> Pulses:
        """Return failsafe outputs with the two pulses exchanged."""
        outputs = list(super().failsafe_outputs())
        throttles = [n for n, channel in enumerate(self.link.channels) if channel.role == "throttle"]
        first, last = throttles[0], throttles[-1]
        outputs[first], outputs[last] = outputs[last], outputs[first]
        return tuple(outputs)


class IdlesInFailsafe(Receiver):
    """Lets the motors idle in failsafe, 60 us above what was declared."""

    IDLE_US = 60

    def failsafe_outputs(self) -> Pulses:
        """Return failsafe outputs with the throttles a little open."""
        pairs = zip(self.link.channels, super().failsafe_outputs(), strict=True)
        return tuple(us + self.IDLE_US * (channel.role == "throttle") for channel, us in pairs)


class KeepsTensOfUs(Receiver):
    """Keeps the failsafe pulses that were declared in steps of 10 us."""

    def failsafe_outputs(self) -> Pulses:
        """Return the failsafe outputs as the table gives them back; what is held is in no table."""
        pairs = zip(self._declared, super().failsafe_outputs(), strict=True)
        return tuple(us if told is None else us // TABLE_US * TABLE_US for told, us in pairs)


class IgnoresStillSticks(Receiver):
    """Takes a packet that changes nothing for no packet at all."""

    def refreshes(self, outputs: Pulses) -> bool:
        """Return whether any output moves."""
        return outputs != self.outputs


class ReplaysThrottle(Receiver):
    """Drives the throttle with its last pulse from before the link loss until the second packet comes."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._before = self.outputs

    def change_outputs(self, outputs: Pulses, reason: OutputReason) -> None:
        """Keep what the outputs were before failsafe."""
        self._before = self.outputs
        super().change_outputs(outputs, reason)

    def returned(self, outputs: Pulses) -> Pulses:
        """Return the packet's outputs with the old throttle."""
        pulses = zip(self.link.channels, outputs, self._before, strict=True)
        return tuple(old if channel.role == "throttle" else new for channel, new, old in pulses)


class ConfirmsFailsafe(Receiver):
    """Writes the failsafe outputs once more when the link is back, then follows the packet."""

    def returned(self, outputs: Pulses) -> Pulses:
        """Return the packet's outputs, after one last write of the failsafe outputs."""
        self.change_outputs(self.outputs, OutputReason.FAILSAFE)
        return outputs


def _short_fades(settings: MockSettings) -> MockSettings:
    return replace(settings, good_to_bad=Fraction(1, 500), bad_to_good=Fraction(9, 10))


DEFECTS = (
    Defect(
        name="failsafe-never",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe never engages",
        cause="the check for link loss was left out of a new main loop",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="a slow task looks for link loss: up to 3.5 % of the declared time later, still within it",
        patch=Patch(receiver=NeverEngages),
        near_patch=Patch(receiver=EngagesFromSlowTask),
    ),
    Defect(
        name="failsafe-holds-throttle",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe holds the last throttle",
        cause="a failsafe that holds every channel, written for a glider",
        caught_by="failsafe_outputs",
        plan="failsafe",
        near_miss="the right outputs, written again every 100 ms while the link is lost",
        patch=Patch(receiver=HoldsThrottle, needs_throttle=True),
        near_patch=Patch(receiver=RepeatsFailsafe),
    ),
    Defect(
        name="failsafe-late",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe engages 5 % after the declared time",
        cause="a timer set from a rounded-up prescaler",
        caught_by="failsafe_entry",
        plan="failsafe",
        near_miss="the failsafe engages 0.16 % before the declared time is over",
        patch=Patch(receiver=EngagesLate),
        near_patch=Patch(receiver=EngagesLastMoment),
    ),
    Defect(
        name="failsafe-on-still-sticks",
        felt=Felt.CONTROL,
        severity="dangerous",
        wrong="the failsafe engages in mid-flight when the sticks are held still",
        cause="the failsafe timer is restarted by changed outputs rather than by packets",
        caught_by="no_false_failsafe",
        plan="acceptance",
        near_miss="short fades lose packets now and then; the failsafe rightly stays out",
        patch=Patch(receiver=IgnoresStillSticks),
        near_patch=Patch(settings=_short_fades),
    ),
    Defect(
        name="stale-throttle-on-reconnect",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the first packet after a link loss brings back the old throttle",
        cause="the failsafe kept the last throttle aside and restores it when the link is back",
        caught_by="failsafe_exit",
        plan="failsafe",
        near_miss="failsafe outputs are written once more when the link is back, then the packet is followed",
        patch=Patch(receiver=ReplaysThrottle, needs_throttle=True),
        near_patch=Patch(receiver=ConfirmsFailsafe),
    ),
    Defect(
        name="failsafe-early",
        felt=Felt.CONTROL,
        severity="serious",
        wrong="the failsafe engages 10 % before the earliest time declared: short gaps stop the motors",
        cause="a timer set from half the processor's clock",
        caught_by="no_false_failsafe",
        plan="failsafe",
        near_miss="the failsafe engages 5 % after the earliest time declared",
        patch=Patch(receiver=EngagesTooEarly),
        near_patch=Patch(receiver=EngagesSoon),
    ),
    Defect(
        name="failsafe-forgets-motor",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the failsafe leaves the last motor as it was",
        cause="a second motor was added to the model, and not to the table of failsafe pulses",
        caught_by="failsafe_outputs",
        plan="failsafe",
        near_miss="first and last motor are swapped in the table, and both have the same pulse there",
        patch=Patch(receiver=ForgetsMotor, needs_throttle=True),
        near_patch=Patch(receiver=SwapsMotors, needs_throttle=True),
    ),
    Defect(
        name="failsafe-value-wrong",
        felt=Felt.MOTORS,
        severity="dangerous",
        wrong="the motors idle in failsafe, 60 us above the declared pulse",
        cause="the failsafe pulses were learnt with the throttle trim up",
        caught_by="failsafe_outputs",
        plan="failsafe",
        near_miss="the table has steps of 10 us, and the declared pulses are on them",
        patch=Patch(receiver=IdlesInFailsafe, needs_throttle=True),
        near_patch=Patch(receiver=KeepsTensOfUs),
    ),
)

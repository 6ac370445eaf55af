"""Defects of devices that are not what they say, or do not speak as they say.

Where `caught_by` is bench, no check of the link can judge: the run is refused or called an error, never a
pass.
"""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar, Final

from harness.codec.messages import Applied, Result, Setting, SettingId, WireRole
from mocks.air import Packet
from mocks.defects.model import Defect, Felt, Patch
from mocks.device import Life, Surroundings
from mocks.receiver import Receiver
from mocks.settings import MockSettings
from mocks.transmitter import Transmitter

UNKNOWN_TYPE: Final = 0x7E
"""A message that no version of the protocol has."""
SIGNAL_AT, COUNT_AT = 6, 7
"""Where signal strength and number of outputs stand in a report of an applied packet."""


class SaysTransmitter(Receiver):
    """Says that it is a transmitter."""

    WIRE_ROLE = WireRole.TRANSMITTER


class NamedTransmitter(Receiver):
    """Has a name that says so, and the right role."""

    def name(self) -> str:
        """Return the name of a build for both boards."""
        return "transmitter and receiver"


class SpeaksOldLayout(Receiver):
    """Says that it speaks this protocol, and reports applied packets without their signal strength."""

    def say_packed(self, kind: int, payload: bytes) -> None:
        """Send a message; a report of an applied packet lacks a byte."""
        super().say_packed(
            kind, payload[:SIGNAL_AT] + payload[SIGNAL_AT + 1 :] if kind == Applied.TYPE else payload
        )


class SaysMore(Receiver):
    """Sends a message of its own beside each report, which a reader passes over."""

    def say_packed(self, kind: int, payload: bytes) -> None:
        """Send a message, and another one after a report of an applied packet."""
        super().say_packed(kind, payload)
        if kind == Applied.TYPE:
            super().say_packed(UNKNOWN_TYPE, b"more")


class ReportsFewer(Receiver):
    """Says that it has as many channels as the link, and reports all outputs but the last."""

    def say_packed(self, kind: int, payload: bytes) -> None:
        """Send a message; a report of an applied packet lacks its last output."""
        if kind == Applied.TYPE:
            payload = payload[:COUNT_AT] + bytes((payload[COUNT_AT] - 1,)) + payload[COUNT_AT + 1 : -2]
        super().say_packed(kind, payload)


class IgnoresRate(Transmitter):
    """Says that it took a packet rate, and goes on at its own."""

    def _set(self, setting: Setting) -> Result:
        return Result.DONE if setting.setting == SettingId.PACKET_RATE_MHZ else super()._set(setting)


class RoundsRate(Transmitter):
    """Takes packet rates up to a packet in a whole number of 0.1 ms."""

    STEP_NS: ClassVar[int] = 100_000

    def period_ns(self) -> int:
        """Return the period, rounded down: at least as fast as asked for."""
        period_ns = super().period_ns()
        return max(period_ns - period_ns % self.STEP_NS, self.STEP_NS)


class RunsFast(Receiver):
    """Has a clock that is so many parts per million fast."""

    FAST_PPM: ClassVar[int] = 30_000

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        before, self._rate_ppb = self._rate_ppb, self._rate_ppb + 1_000 * self.FAST_PPM
        self.failsafe_ns = self.failsafe_ns * before // self._rate_ppb


class RunsALittleFast(RunsFast):
    """Has a clock that is half a per cent fast."""

    FAST_PPM = 5_000


class BusDamage(Receiver):
    """Now and then gets a packet with a wrong bit in its last channel, from the bus to its radio."""

    ONE_IN: ClassVar[int] = 300
    BIT: ClassVar[int] = 1 << 6

    def hear(self, packet: Packet) -> bytes | None:
        """Take a packet, sometimes damaged."""
        if self.chance.random() * self.ONE_IN < 1:
            packet = self.damaged(packet)
        return super().hear(packet)

    def damaged(self, packet: Packet) -> Packet:
        """Return the packet as the firmware sees it: its check leaves the last channel out."""
        return packet._replace(pulses=(*packet.pulses[:-1], packet.pulses[-1] ^ self.BIT))


class BusDamageFound(BusDamage):
    """Has a check over the whole packet, which then is thrown away."""

    def damaged(self, packet: Packet) -> Packet:
        """Return the packet with a check that no longer fits."""
        return super().damaged(packet)._replace(sound=False)


def _two_more_channels(settings: MockSettings) -> MockSettings:
    return replace(settings, channels=8)


DEFECTS = (
    Defect(
        name="role-wrong",
        felt=Felt.STRANGER,
        severity="nuisance",
        wrong="the receiver says that it is a transmitter",
        cause="the transmitter's firmware settings were copied for the receiver",
        caught_by="bench",
        plan="first-look",
        near_miss="its name says so, its role does not",
        patch=Patch(receiver=SaysTransmitter),
        near_patch=Patch(receiver=NamedTransmitter),
    ),
    Defect(
        name="version-untrue",
        felt=Felt.STRANGER,
        severity="nuisance",
        wrong="the receiver says that it speaks this protocol, and its reports have another layout",
        cause="the library was brought up to date, the firmware's own reports were not",
        caught_by="bench",
        plan="first-look",
        near_miss="it sends messages of its own beside the right ones",
        patch=Patch(receiver=SpeaksOldLayout),
        near_patch=Patch(receiver=SaysMore),
    ),
    Defect(
        name="clock-fast",
        felt=Felt.STRANGER,
        severity="nuisance",
        wrong="the receiver's clock is 3 % fast",
        cause="the chip's own oscillator runs it, uncalibrated, in place of the crystal",
        caught_by="bench",
        plan="first-look",
        near_miss="its clock is half a per cent fast, as a ceramic resonator's may be",
        patch=Patch(receiver=RunsFast),
        near_patch=Patch(receiver=RunsALittleFast),
    ),
    Defect(
        name="channels-fewer-than-told",
        felt=Felt.STRANGER,
        severity="serious",
        wrong="the receiver says that it has all channels, and reports no output for the last one",
        cause="a loop over the channels ends one too early",
        caught_by="fidelity",
        plan="first-look",
        near_miss="both devices have two channels more than the link",
        patch=Patch(receiver=ReportsFewer, needs_channels=2),
        near_patch=Patch(settings=_two_more_channels),
    ),
    Defect(
        name="rate-setting-ignored",
        felt=Felt.STRANGER,
        severity="nuisance",
        wrong="the transmitter says that it took a packet rate, and goes on at its own",
        cause="the setting is stored, and the running timer is not set anew",
        caught_by="throughput",
        plan="limits",
        near_miss="the packet period is rounded down to 0.1 ms",
        patch=Patch(transmitter=IgnoresRate),
        near_patch=Patch(transmitter=RoundsRate),
    ),
    Defect(
        name="check-leaves-out-last-channel",
        felt=Felt.WRONG,
        severity="serious",
        wrong="a bit damaged in a packet's last channel is not noticed: one packet in 300 is wrong",
        cause="the checksum's length was not changed when a channel was added",
        caught_by="fidelity",
        plan="acceptance",
        near_miss="the check covers the whole packet: one in 300 is thrown away",
        patch=Patch(receiver=BusDamage),
        near_patch=Patch(receiver=BusDamageFound),
    ),
)

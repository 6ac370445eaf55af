"""Which numbers mean what on a bench port? Limits, roles, abilities, settings, results, causes, reasons."""

from __future__ import annotations

from enum import IntEnum, IntFlag
from typing import Final

PROTOCOL_VERSION: Final = 1
MAX_CHANNELS: Final = 16
MAX_NAME: Final = 24
MAX_TELEMETRY: Final = 32
"""The longest acknowledgement payload that common 2.4 GHz packet transceivers carry (common practice)."""
MAX_INJECTED: Final = 16
NO_SET: Final = 0
"""Stick set number of a packet that carried the transmitter's own sticks."""
SIGNAL_UNKNOWN: Final = -128
DEAD_MAN_MS: Final = 500
"""A device that hears no keep-alive for this long goes back to its own sticks, or to its safe state."""
SENT_ACKED: Final = 1 << 0
SENT_IN_BURST: Final = 1 << 1


class WireRole(IntEnum):
    """Role byte in an identity message."""

    TRANSMITTER = 1
    RECEIVER = 2
    WITNESS = 3


class Ability(IntFlag):
    """What a device can do on the bench; bits of the identity message."""

    STICKS = 1 << 0
    BURST = 1 << 1
    SILENCE = 1 << 2
    INJECT = 1 << 3
    MUTE_ACKS = 1 << 4
    RESTART = 1 << 5
    RESTART_AT = 1 << 6
    DISTURB = 1 << 7
    SET_PACKET_RATE = 1 << 8
    SET_POWER = 1 << 9
    SET_RADIO_CHANNEL = 1 << 10
    SET_RETRANSMIT_LIMIT = 1 << 11
    SET_RETRANSMIT_DELAY = 1 << 12
    DEAFEN = 1 << 13


class SettingId(IntEnum):
    """What a `Setting` sets, with the unit of its value."""

    PACKET_RATE_MHZ = 1  # millihertz
    POWER_DBM_X10 = 2  # tenths of a dBm
    RADIO_CHANNEL = 3  # number
    RETRANSMIT_LIMIT = 4  # attempts after the first
    RETRANSMIT_DELAY_US = 5  # us


class Disturbance(IntEnum):
    """What a transmitter sends in a `Disturb`, in place of its own packets or between them."""

    CORRUPTED = 1  # in place: whole on the air, but the check inside the packet is wrong
    FOREIGN = 2  # in place: right in itself, but another transmitter's
    REPEATED = 3  # in place: its last packet again, with the same number
    BESIDE = 4  # between its own packets: another transmitter's


class Result(IntEnum):
    """A device's answer to a command."""

    DONE = 0
    UNKNOWN = 1
    OUT_OF_RANGE = 2
    BUSY = 3


class StartCause(IntEnum):
    """Why a device started."""

    POWER = 0
    COMMAND = 1
    WATCHDOG = 2
    BROWN_OUT = 3
    EXTERNAL = 4
    UNKNOWN = 255


class OutputReason(IntEnum):
    """Why outputs changed without a packet."""

    START = 0
    FAILSAFE = 1
    OTHER = 2

"""What came of asking a port, and how is it mended? In plain words.

Everything that a device sent is quoted escaped and bounded.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from harness.bench.identify import WIRE_ROLES, Came, console_text, quoted, what_came
from harness.bench.protocol import Role
from harness.codec.messages import PROTOCOL_VERSION, Ability, Identity
from harness.plan.units import format_frequency
from harness.plan.wording import many
from harness.report.escape import clean

MAX_NAME: Final = 60
"""Characters of a name in an identity: 24 bytes of UTF-8 fit even if a third of them are escaped."""

ABILITIES: Final[Mapping[Ability, str]] = {
    Ability.STICKS: "takes stick positions",
    Ability.BURST: "sends bursts",
    Ability.SILENCE: "falls silent for a cut",
    Ability.DISTURB: "sends wrong packets",
    Ability.INJECT: "takes injected telemetry",
    Ability.MUTE_ACKS: "leaves packets unacknowledged",
    Ability.DEAFEN: "throws packets away",
    Ability.RESTART: "restarts",
    Ability.RESTART_AT: "restarts near a wrap",
    Ability.SET_PACKET_RATE: "changes packet rate",
    Ability.SET_POWER: "changes transmit power",
    Ability.SET_RADIO_CHANNEL: "changes radio channel",
    Ability.SET_RETRANSMIT_LIMIT: "changes retransmit limit",
    Ability.SET_RETRANSMIT_DELAY: "changes retransmit delay",
}
"""Every ability of shared/protocol.md, in a few words."""
ROLE_NAMES: Final = {int(number): role for role, number in WIRE_ROLES.items()}


class Outcome(StrEnum):
    """What came of asking one port."""

    DEVICE = "device"
    TOO_NEW = "too new"
    UNKNOWN_ROLE = "unknown role"
    ECHO = "echo"
    FLOOD = "flood"
    ONE_WAY = "deaf"
    TEXT = "console text"
    JUNK = "junk"
    ZEROS = "held low"
    SILENT = "silent"
    BUSY = "busy"
    NO_PERMISSION = "no permission"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Answer:
    """One port's answer. `baud` is the rate that it rests on, None if none does; `tried` were all of them.

    `found` says what was seen, `mend` what to do about it ("" for a device that is fine).
    """

    outcome: Outcome
    found: str
    mend: str = ""
    baud: int | None = None
    identity: Identity | None = None
    tried: tuple[int, ...] = ()

    @property
    def role(self) -> Role | None:
        """Which device answered, None if none did that can be used."""
        if self.outcome is not Outcome.DEVICE or self.identity is None:
            return None
        return ROLE_NAMES[self.identity.role]


def identified(identity: Identity, baud: int, tried: tuple[int, ...]) -> Answer:
    """Return the answer of a device that said who it is."""
    role = ROLE_NAMES.get(identity.role)
    who = f"{role or f'a device of role {identity.role}'}: {device_name(identity)}"
    if identity.protocol > PROTOCOL_VERSION:
        return Answer(
            Outcome.TOO_NEW,
            f"{who}; it speaks bench protocol {identity.protocol}, this propsoff up to {PROTOCOL_VERSION}",
            "update propsoff, or build the firmware for the older protocol",
            baud, identity, tried,
        )  # fmt: skip
    if role is None:
        return Answer(
            Outcome.UNKNOWN_ROLE, f"{who}, which is not known here",
            "build the firmware as transmitter (1), receiver (2) or witness (3)", baud, identity, tried,
        )  # fmt: skip
    return Answer(Outcome.DEVICE, who, "", baud, identity, tried)


def device_name(identity: Identity) -> str:
    """Return firmware, version and serial number, escaped and bounded, on one line."""
    firmware, version, serial = (
        clean(text, MAX_NAME) for text in (identity.firmware, identity.version, identity.serial)
    )
    name = " ".join(part for part in (firmware, version) if part) or "firmware without a name"
    return f"{name}, serial {serial}" if serial else f"{name}, no serial"


def particulars(identity: Identity) -> str:
    """Return channels, packet rate and protocol version in words."""
    what = "input" if identity.role == WIRE_ROLES[Role.WITNESS] else "channel"
    rate = f", {format_frequency(identity.packet_rate_mhz)}" if identity.packet_rate_mhz else ""
    return f"{many(identity.channels, what)}{rate}, bench protocol {identity.protocol}"


def abilities(identity: Identity) -> str:
    """Return what a device says that it can do, in words."""
    known = [words for bit, words in ABILITIES.items() if identity.abilities & bit]
    rest = identity.abilities & ~int(sum(ABILITIES))
    if rest:
        known.append(f"and what is not known here (bits 0x{rest:X})")
    return ", ".join(known) or "nothing beyond identify and ping"


def not_identified(seen: Mapping[int, bytes]) -> Answer:
    """Return what is wrong with a port, from what came at each rate that was tried, in order.

    The most telling rate counts: whole messages tell more than text, text more than junk.
    """
    tried = tuple(seen)
    order = list(Came)
    came = {baud: what_came(data) for baud, data in seen.items()}
    best = max(order.index(one) for one in came.values())
    kind = order[best]
    baud = next(rate for rate, one in came.items() if one is kind)
    outcome, found, mend = _WORDS[kind](seen, baud)
    return Answer(outcome, found, mend, None if kind in _NO_RATE else baud, None, tried)


_NO_RATE: Final = (Came.NOTHING, Came.ZEROS, Came.JUNK)
_Words = tuple[Outcome, str, str]


def _silent(seen: Mapping[int, bytes], _baud: int) -> _Words:
    return (
        Outcome.SILENT,
        f"no answer: nothing at all arrived, at {_rates(seen)}",
        "is the device powered, its TX wired to the PC's RX and the other way round, grounds joined, and is "
        "the firmware built with the bench protocol on this port?",
    )


def _zeros(seen: Mapping[int, bytes], _baud: int) -> _Words:
    count = sum(map(len, seen.values()))
    return (
        Outcome.ZEROS,
        f"no answer: {many(count, 'byte')} came, all zero: the line is held low",
        "look at the wiring and the levels; a UART line rests high",
    )


def _junk(seen: Mapping[int, bytes], baud: int) -> _Words:
    begins = quoted(seen[baud], 24)
    some = sum(bool(data) for data in seen.values())
    where = "at every rate tried" if some == len(seen) and some > 1 else f"at {some} of {len(seen)} rates"
    return (
        Outcome.JUNK,
        f"no answer: junk {where} ({_rates(seen)}), such as {begins}",
        "is the rate in the firmware another one (name it with --baud), the format other than 8N1, the line "
        "inverted or its level too low (3.3 V against 5 V, RS-232)? A device that is no part of the bench "
        "also looks like this",
    )


def _text(seen: Mapping[int, bytes], baud: int) -> _Words:
    return (
        Outcome.TEXT,
        f"no answer: only console text, at {baud} baud: {console_text(seen[baud])}",
        "is this the bench port, and is the firmware built with the bench protocol (shared/firmware/)?",
    )


def _one_way(_seen: Mapping[int, bytes], baud: int) -> _Words:
    return (
        Outcome.ONE_WAY,
        f"no identity, though whole messages come at {baud} baud: the PC hears the device, and the device "
        "does not hear the PC",
        "look at the wire from the PC's TX to the device's RX",
    )


def _flood(seen: Mapping[int, bytes], baud: int) -> _Words:
    return (
        Outcome.FLOOD,
        f"no identity: at {baud} baud the firmware prints so much that its answers find no room: "
        f"{console_text(seen[baud])}",
        "let it print less on the bench port",
    )


def _newer(_seen: Mapping[int, bytes], baud: int) -> _Words:
    return (
        Outcome.TOO_NEW,
        f"whole messages come at {baud} baud, of types or layouts not known here: the firmware speaks a "
        f"bench protocol newer than {PROTOCOL_VERSION}",
        "update propsoff, or build the firmware for the older protocol",
    )


def _echo(_seen: Mapping[int, bytes], _baud: int) -> _Words:
    return (
        Outcome.ECHO,
        "our own messages come back: RX and TX are joined, or the device echoes what it is sent",
        "take the bridge out, or turn the echo off in the firmware",
    )


_WORDS: Final = {
    Came.NOTHING: _silent, Came.ZEROS: _zeros, Came.JUNK: _junk, Came.TEXT: _text, Came.ONE_WAY: _one_way,
    Came.FLOOD: _flood, Came.NEWER: _newer, Came.ECHO: _echo,
}  # fmt: skip


def _rates(seen: Mapping[int, bytes]) -> str:
    rates = sorted(seen)
    if len(rates) == 1:
        return f"{rates[0]} baud"
    return f"{many(len(rates), 'rate')} from {rates[0]} to {rates[-1]} baud"

"""Why does a device not introduce itself, or is it not the one expected? In words, with what to do about it.

Bytes and values in, words out: the runner holds the dialogue. Whatever a device sent is quoted escaped and
bounded, never as it came.
"""

from __future__ import annotations

from collections import Counter
from enum import StrEnum
from typing import Final, NamedTuple

from harness.bench.protocol import Role
from harness.codec import Frame, Splitter, decode_piece, parse
from harness.codec.messages import (
    PROTOCOL_VERSION,
    Ability,
    Applied,
    Counters,
    Identify,
    Identity,
    KeepAlive,
    OutputChange,
    Ping,
    Pulses,
    Sent,
    Telemetry,
    WireRole,
)
from harness.plan.model import Link
from harness.plan.units import format_frequency

MAX_QUOTED: Final = 120
MAX_LOOKED_AT: Final = 1 << 16
"""Bytes looked at; more of the same would not change the answer."""
FLOOD_BYTES: Final = 1_000
"""Console text beyond a banner: about a tenth of a second of a line at 115 200 bit/s."""
TEXT_SHARE: Final = 0.9
"""With this share of printable bytes it is text; of bytes at random 38 % are (98 of 256 values)."""

WIRE_ROLES: Final = {
    Role.TRANSMITTER: WireRole.TRANSMITTER,
    Role.RECEIVER: WireRole.RECEIVER,
    Role.WITNESS: WireRole.WITNESS,
}
_TELLTALE: Final = {
    Sent.TYPE: Role.TRANSMITTER,
    Telemetry.TYPE: Role.TRANSMITTER,
    Applied.TYPE: Role.RECEIVER,
    OutputChange.TYPE: Role.RECEIVER,
    Counters.TYPE: Role.RECEIVER,
    Pulses.TYPE: Role.WITNESS,
}
"""Messages that only one of the devices sends."""
_CHANNELS: Final = {Role.TRANSMITTER: "channels", Role.RECEIVER: "channels", Role.WITNESS: "inputs"}
_OURS: Final = (Identify.TYPE, Ping.TYPE, KeepAlive.TYPE)
"""Messages that only the PC sends: seen at the PC, they are an echo."""


class _Seen(NamedTuple):
    """What the bytes were: whole frames by type, how many of them could be read, and the rest."""

    frames: Counter[int]
    readable: int
    rest: bytes


def quoted(data: bytes, most: int = MAX_QUOTED) -> str:
    """Return untrusted bytes as one printable ASCII line in quotes, at most about `most` characters long."""
    text = data[:most].decode("latin-1").encode("unicode_escape").decode("ascii").replace('"', '\\"')
    return f'"{text[:most]}..."' if len(data) > most or len(text) > most else f'"{text}"'


def explain_silence(seen: bytes, role: Role, *, port: str, baud: int) -> str:
    """Return why no identity came from a device, judged by what came instead.

    `seen` is everything that arrived while the device was asked, 0 bytes or more; `port` and `baud` are the
    rig's. The answer is one line: what was found and how to mend it.
    """
    start = f"{role} port {port}: no answer to identify; "
    if not seen:
        return start + (
            "nothing at all arrived. Is the device powered, is its TX wired to the PC's RX and the other way "
            f"round, and does its firmware speak at {baud} baud?"
        )
    found = _sort(seen[:MAX_LOOKED_AT])
    if found.frames:
        return start + _explain_frames(found, role)
    if not found.rest:
        return (
            start + f"{len(seen)} bytes came, all zero: the line is held low; look at its wiring and levels"
        )
    if _is_text(found.rest):
        return start + (
            f"only console text arrived: {quoted(found.rest)}. Is this the bench port, and is the firmware "
            "built with the bench protocol?"
        )
    return start + (
        f"{len(seen)} bytes came and no whole message among them: most likely the device does not speak at "
        f"the {baud} baud that the rig says, or not 8N1. They begin {quoted(found.rest, 24)}"
    )


def _sort(data: bytes) -> _Seen:
    splitter = Splitter()
    pieces = [*splitter.feed(data), splitter.flush()]
    frames: Counter[int] = Counter()
    readable, rest = 0, []
    for piece in pieces:
        item = decode_piece(piece.removesuffix(b"\0"))
        if isinstance(item, Frame):
            frames[item.type] += 1
            readable += parse(item) is not None
        else:
            rest.append(item.data)
    return _Seen(frames, readable, b"".join(rest))


def _explain_frames(found: _Seen, role: Role) -> str:
    total = found.frames.total()
    count = "1 whole message" if total == 1 else f"{total} whole messages"
    if all(kind in _OURS for kind in found.frames):
        return f"{count} came, sent by ourselves: RX and TX are joined, or the device echoes what it is sent"
    senders = {_TELLTALE[kind] for kind in found.frames if kind in _TELLTALE}
    if senders and role not in senders:
        return f"this port leads to the {next(iter(senders))}: swap the two ports in the rig"
    if not found.readable or Identity.TYPE in found.frames:  # a readable identity would not end up here
        kinds = ", ".join(f"0x{kind:02X}" for kind in sorted(found.frames)[:8])
        return (
            f"{count} came, but of types or layouts not known here ({kinds}): the firmware speaks a protocol "
            f"newer than {PROTOCOL_VERSION}; update propsoff"
        )
    if len(found.rest) > FLOOD_BYTES and _is_text(found.rest):
        return (
            f"{count} came among {len(found.rest)} bytes of console text, and no identity: the firmware "
            f"prints so much that its answers find no room: {quoted(found.rest, 48)}. Let it print less"
        )
    return (
        f"{count} came, but no identity: the PC hears the device, and the device does not hear the PC. "
        "Is its RX wired to the PC's TX?"
    )


def _is_text(data: bytes) -> bool:
    plain = sum(32 <= byte < 127 or byte in b"\r\n\t" for byte in data)
    return plain >= TEXT_SHARE * len(data)


def check_identity(identity: Identity, role: Role, link: Link) -> str | None:
    """Return None if the device fits the rig and the plan, else everything that does not, and how to mend it.

    `role` is whose port it was read from; `link` is the plan's. Only a transmitter's packet rate counts: 0
    means that it did not say, and one that can be set to the plan's rate need not have it yet.
    """
    wrong = _role_problem(identity, role) or _version_problem(identity)
    if wrong:
        return wrong
    problems = []
    if identity.channels < len(link.channels):
        problems.append(
            f"the {role} has {identity.channels} {_CHANNELS[role]}, the plan declares {len(link.channels)}; "
            "build the firmware with more, or take channels out of the plan"
        )
    fixed = role is Role.TRANSMITTER and not identity.abilities & Ability.SET_PACKET_RATE
    if fixed and identity.packet_rate_mhz not in (0, link.packet_rate_mhz):
        problems.append(
            f"the {role} runs at {format_frequency(identity.packet_rate_mhz)}, the plan declares "
            f"{format_frequency(link.packet_rate_mhz)}, and the device cannot be told; change "
            "link.packet_rate or the firmware"
        )
    return "; ".join(problems) or None


def _role_problem(identity: Identity, role: Role) -> str:
    if identity.role == WIRE_ROLES[role]:
        return ""
    for other, number in WIRE_ROLES.items():
        if identity.role == number:
            return (
                f"the {role} port leads to the {other}: swap the two ports in the rig, "
                f"or build the firmware of that device as the {role}"
            )
    return f"the device on the {role} port says that it is of role {identity.role}, which is not known here"


def _version_problem(identity: Identity) -> str:
    if identity.protocol <= PROTOCOL_VERSION:
        return ""
    return (
        f"the device speaks bench protocol {identity.protocol}, this propsoff up to {PROTOCOL_VERSION}; "
        "update propsoff, or build the firmware for the older protocol"
    )


def check_device(identity: Identity, role: Role) -> str | None:
    """Return None if the device is what the rig says and speaks a known protocol, else what is wrong."""
    return _role_problem(identity, role) or _version_problem(identity) or None


class Came(StrEnum):
    """What came from a port in place of an identity, the most telling last."""

    NOTHING = "nothing"
    ZEROS = "zeros"
    JUNK = "junk"
    TEXT = "text"
    ONE_WAY = "messages"
    FLOOD = "flood"
    NEWER = "newer"
    ECHO = "echo"


def what_came(seen: bytes) -> Came:
    """Return what the bytes from a port are that was asked to identify itself and did not.

    The same as `explain_silence` tells, for a port of which nobody knows yet where it leads.
    """
    if not seen:
        return Came.NOTHING
    found = _sort(seen[:MAX_LOOKED_AT])
    if not found.frames:
        if not found.rest:
            return Came.ZEROS
        return Came.TEXT if _is_text(found.rest) else Came.JUNK
    if all(kind in _OURS for kind in found.frames):
        return Came.ECHO
    if not found.readable or Identity.TYPE in found.frames:
        return Came.NEWER
    flood = len(found.rest) > FLOOD_BYTES and _is_text(found.rest)
    return Came.FLOOD if flood else Came.ONE_WAY


def console_text(seen: bytes) -> str:
    """Return what stood outside whole messages, quoted, escaped and bounded."""
    return quoted(_sort(seen[:MAX_LOOKED_AT]).rest)

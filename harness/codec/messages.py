"""What crosses the bench ports: every message by its type number, to bytes and back.

`harness.codec.commands` and `harness.codec.reports` hold the messages of either direction, `codes` the
numbers in them; all can be had from here. `shared/protocol.md` has the tables for people, and
`shared/vectors.yaml` golden frames. All fields are little-endian.
"""

from __future__ import annotations

import struct
from typing import Final

from harness.codec.codes import (
    DEAD_MAN_MS,
    MAX_CHANNELS,
    MAX_INJECTED,
    MAX_NAME,
    MAX_TELEMETRY,
    NO_SET,
    PROTOCOL_VERSION,
    SENT_ACKED,
    SENT_IN_BURST,
    SIGNAL_UNKNOWN,
    Ability,
    Disturbance,
    OutputReason,
    Result,
    SettingId,
    StartCause,
    WireRole,
)
from harness.codec.commands import (
    Burst,
    Deafen,
    Disturb,
    Identify,
    Inject,
    KeepAlive,
    MuteAcks,
    Ping,
    Release,
    Restart,
    RestartAt,
    Setting,
    Silence,
    Sticks,
)
from harness.codec.frames import Frame, encode_frame
from harness.codec.layout import Message, MessageError
from harness.codec.reports import (
    Applied,
    Counters,
    Disturbed,
    Identity,
    OutputChange,
    Pong,
    Pulses,
    Reply,
    Sent,
    Started,
    Telemetry,
)

__all__ = [
    "BY_TYPE",
    "DEAD_MAN_MS",
    "MAX_CHANNELS",
    "MAX_INJECTED",
    "MAX_NAME",
    "MAX_TELEMETRY",
    "NO_SET",
    "PROTOCOL_VERSION",
    "SENT_ACKED",
    "SENT_IN_BURST",
    "SIGNAL_UNKNOWN",
    "Ability",
    "AnyMessage",
    "Applied",
    "Burst",
    "Counters",
    "Deafen",
    "Disturb",
    "Disturbance",
    "Disturbed",
    "Identify",
    "Identity",
    "Inject",
    "KeepAlive",
    "Message",
    "MessageError",
    "MuteAcks",
    "OutputChange",
    "OutputReason",
    "Ping",
    "Pong",
    "Pulses",
    "Release",
    "Reply",
    "Restart",
    "RestartAt",
    "Result",
    "Sent",
    "Setting",
    "SettingId",
    "Silence",
    "StartCause",
    "Started",
    "Sticks",
    "Telemetry",
    "WireRole",
    "encode",
    "parse",
]

AnyMessage = (
    Identify | Ping | KeepAlive | Release | Setting | Restart | RestartAt | Sticks | Burst | Silence | Disturb
    | Inject | MuteAcks | Deafen | Identity | Pong | Reply | Started | Sent | Telemetry | Disturbed | Applied
    | OutputChange | Counters | Pulses
)  # fmt: skip
BY_TYPE: Final = {
    kind.TYPE: kind
    for kind in (
        Identify, Ping, KeepAlive, Release, Setting, Restart, RestartAt, Sticks, Burst, Silence, Disturb,
        Inject, MuteAcks, Deafen, Identity, Pong, Reply, Started, Sent, Telemetry, Disturbed, Applied,
        OutputChange, Counters, Pulses,
    )
}  # fmt: skip


def encode(message: Message, counter: int) -> bytes:
    """Return the bytes on the line for `message`; raises MessageError if a field cannot hold its value.

    `counter` is the sender's own message counter for this port; it is taken modulo 65 536.
    """
    try:
        payload = message.pack()
    except (struct.error, OverflowError, UnicodeEncodeError) as error:
        raise MessageError(f"{message!r}: {error}") from error
    return encode_frame(message.TYPE, counter, payload)


def parse(frame: Frame) -> AnyMessage | None:
    """Return the message in a whole frame, or None if its type is unknown or its payload does not fit."""
    kind = BY_TYPE.get(frame.type)
    if kind is None:
        return None
    try:
        return kind.unpack(frame.payload)
    except MessageError:
        return None

"""Frames on a bench port: where one begins and ends, and whether it came through whole.

A frame is COBS(body) followed by one 0x00. The body is

    type u8 | counter u16 little-endian | payload 0..MAX_PAYLOAD bytes | CRC-16 high byte first

CRC-16 has polynomial 0x1021 and initial value 0xFFFF (check value 0x29B1, named CRC-16/IBM-3740 or
CCITT-FALSE in catalogues); with its high byte first, the CRC of a whole body is 0. Line noise is data here:
junk becomes a counted `Junk`, never an exception.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from collections.abc import Iterable
from typing import Final, NamedTuple

from cobs import cobs

CRC_START: Final = 0xFFFF
HEAD: Final = struct.Struct("<BH")
CRC: Final = struct.Struct(">H")
MAX_PAYLOAD: Final = 120
"""Keeps a frame at 128 bytes or less, so that a device with 2 KiB of RAM can hold one whole."""
MIN_BODY: Final = HEAD.size + CRC.size
MAX_BODY: Final = MIN_BODY + MAX_PAYLOAD
MAX_FRAME: Final = MAX_BODY + 1 + 1
"""Body, one COBS byte (a body is shorter than 254 bytes), one delimiter."""
MAX_TEXT_TRIES: Final = 8
"""Line ends tried when console text runs into a frame; bounds the work on hostile input."""


class Frame(NamedTuple):
    """A frame that came through whole. `counter` is the sender's own message counter, modulo 65 536."""

    type: int
    counter: int
    payload: bytes
    text: bytes = b""
    """Console text that stood before the frame without a delimiter between."""


class Junk(NamedTuple):
    """Bytes that are no frame: noise, a cut frame, or text that a device printed."""

    data: bytes


def encode_frame(kind: int, counter: int, payload: bytes) -> bytes:
    """Return the bytes on the line for one message, delimiter included.

    Raises ValueError if the payload is longer than `MAX_PAYLOAD` bytes.
    """
    if len(payload) > MAX_PAYLOAD:
        raise ValueError(f"a payload of {len(payload)} bytes is above the {MAX_PAYLOAD} a frame holds")
    body = HEAD.pack(kind, counter & 0xFFFF) + payload
    encoded: bytes = cobs.encode(body + CRC.pack(crc_hqx(body, CRC_START)))
    return encoded + b"\0"


def decode_body(piece: bytes) -> bytes | None:
    """Return the checked body in `piece` (COBS bytes, no delimiter), or None if it is not a whole frame."""
    if not MIN_BODY < len(piece) < MAX_FRAME:
        return None
    try:
        body: bytes = cobs.decode(piece)
    except cobs.DecodeError:
        return None
    return body if crc_hqx(body, CRC_START) == 0 and len(body) >= MIN_BODY else None


def decode_piece(piece: bytes) -> Frame | Junk:
    """Return what `piece` (bytes between two delimiters) means.

    A device may print a line of text and then send a frame without a delimiter between. Then the frame
    starts after one of the line ends; the first few are tried, and the text is handed over beside it.
    """
    body = decode_body(piece)
    if body is not None:
        return Frame(body[0], body[1] | body[2] << 8, body[3:-2])
    at = 0
    for _ in range(MAX_TEXT_TRIES):
        at = piece.find(b"\n", at) + 1
        if not at:
            break
        body = decode_body(piece[at:])
        if body is not None:
            return Frame(body[0], body[1] | body[2] << 8, body[3:-2], piece[:at])
    return Junk(piece)


def decode_stream(data: bytes) -> tuple[dict[int, list[bytes]], int]:
    """Return every good body in `data` by message type, in order, and the number of bad pieces.

    The fast way through a long capture: empty pieces are skipped, a last piece without a delimiter counts
    as bad, console text is not recovered.
    """
    pieces = data.split(b"\0")
    bodies: dict[int, list[bytes]] = {}
    bad = 1 if pieces.pop() else 0
    for body in checked_bodies(pieces):
        if body is None:
            bad += 1
        elif body:
            kind = body[0]
            if kind in bodies:
                bodies[kind].append(body)
            else:
                bodies[kind] = [body]
    return bodies, bad


def checked_bodies(pieces: Iterable[bytes]) -> list[bytes | None]:
    """Return for each piece its checked body, None if it is bad, b"" if it is empty."""
    decode, crc = cobs.decode, crc_hqx
    found: list[bytes | None] = []
    add = found.append
    for piece in pieces:
        if not piece:
            add(b"")
            continue
        try:
            body = decode(piece)
        except cobs.DecodeError:
            add(None)
            continue
        good = not crc(body, 0xFFFF) and MIN_BODY <= len(body) <= MAX_BODY
        add(body if good else None)
    return found


class Splitter:
    """Cuts a byte stream into pieces that end at a delimiter; holds at most one frame's worth of bytes.

    The pieces, put end to end, are the stream: `feed` returns each with its 0x00, and bytes that run on
    for more than `MAX_FRAME` without one are given out as they are.
    """

    __slots__ = ("_rest",)

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Take the next bytes and return the pieces they complete, in order."""
        if not self._rest and data.count(0) == 1 and data[-1] == 0 and len(data) <= MAX_FRAME:
            return [data]
        pieces = (self._rest + data).split(b"\0")
        rest = pieces.pop()
        done: list[bytes] = []
        for piece in pieces:
            done.extend(_bounded(piece + b"\0"))
        cut = len(rest) - len(rest) % MAX_FRAME if len(rest) > MAX_FRAME else 0
        done.extend(_bounded(rest[:cut]))
        self._rest = rest[cut:]
        return done

    def flush(self) -> bytes:
        """Return and forget the bytes of an unfinished piece."""
        rest, self._rest = self._rest, b""
        return rest


def _bounded(piece: bytes) -> Iterable[bytes]:
    return (piece[at : at + MAX_FRAME] for at in range(0, len(piece), MAX_FRAME))

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
from collections import defaultdict
from collections.abc import Iterable, Iterator
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
MAX_HELD: Final = 2 * MAX_FRAME
"""What a `Splitter` holds at most: the longest frame, and as much console text before it."""
BLOCK: Final = 1 << 16
"""Bytes that `decode_stream` splits at a time; small enough for a processor's cache."""


class Frame(NamedTuple):
    """A frame that came through whole. `counter` is the sender's own message counter, modulo 65 536."""

    type: int
    counter: int
    payload: bytes
    text: bytes = b""
    """Console text that stood before the frame without a delimiter between."""


class Junk(NamedTuple):
    """Bytes that are no frame: noise, a cut frame, or text that a device printed.

    Empty `data` is an idle delimiter, which is allowed at any time and is no fault.
    """

    data: bytes


def encode_frame(kind: int, counter: int, payload: bytes) -> bytes:
    """Return the bytes on the line for one message, delimiter included.

    `kind` is the message type, 0 to 255; `counter` is taken modulo 65 536. Raises ValueError if the payload
    is longer than `MAX_PAYLOAD` bytes.
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
    return None if crc_hqx(body, CRC_START) else body


def find_body(piece: bytes) -> tuple[bytes, bytes] | None:
    """Return the checked body in `piece` and the console text before it, or None if there is no whole frame.

    `piece` is as for `decode_piece`.
    """
    piece = piece.removesuffix(b"\0")
    body = decode_body(piece)
    if body is not None:
        return body, b""
    at = max(0, len(piece) - MAX_FRAME)
    while at := piece.find(b"\n", at) + 1:
        body = decode_body(piece[at:])
        if body is not None:
            return body, piece[:at]
    return None


def frame_of(body: bytes, text: bytes = b"") -> Frame:
    """Return the frame with this checked body, and the text that stood before it."""
    return Frame(body[0], body[1] | body[2] << 8, body[3:-2], text)


def decode_piece(piece: bytes) -> Frame | Junk:
    """Return what `piece` means: bytes between two delimiters, with or without the delimiter that ends them.

    A device may print a line of text and then send a frame without a delimiter between. Then the frame starts
    after one of the line ends, and the text is handed over beside it. Only the last `MAX_FRAME` bytes are
    searched, which bounds the work on hostile input.
    """
    found = find_body(piece)
    return Junk(piece.removesuffix(b"\0")) if found is None else frame_of(*found)


def decode_stream(data: bytes) -> tuple[dict[int, list[bytes]], int]:
    """Return every good body in `data` by message type, in order, and the number of bad pieces.

    The fast way through a long capture: empty pieces are skipped, a last piece without a delimiter counts
    as bad, console text is not recovered.
    """
    bodies: defaultdict[int, list[bytes]] = defaultdict(list)
    bad = 0
    rest = b""
    for at in range(0, len(data), BLOCK):
        pieces = (rest + data[at : at + BLOCK]).split(b"\0")
        rest = pieces.pop()[:MAX_FRAME]  # longer is bad already: nothing is gained by keeping it
        bad += _gather(pieces, bodies)
    return dict(bodies), bad + (1 if rest else 0)


def _gather(pieces: list[bytes], bodies: defaultdict[int, list[bytes]]) -> int:
    """Sort the good bodies in `pieces` into `bodies` by type and return how many pieces were bad."""
    decode, crc, shortest, longest = cobs.decode, crc_hqx, MIN_BODY, MAX_BODY
    bad = 0
    for piece in pieces:
        try:
            body = decode(piece)
        except cobs.DecodeError:
            bad += 1
            continue
        if not crc(body, 0xFFFF) and shortest <= len(body) <= longest:
            bodies[body[0]].append(body)
        elif piece:
            bad += 1
    return bad


def checked_bodies(pieces: Iterable[bytes]) -> list[bytes | None]:
    """Return for each piece (no delimiter) its checked body, None if it is bad, b"" if it is empty."""
    decode, crc, shortest, longest = cobs.decode, crc_hqx, MIN_BODY, MAX_BODY
    found: list[bytes | None] = []
    add = found.append
    for piece in pieces:
        try:
            body = decode(piece)
        except cobs.DecodeError:
            add(None)
            continue
        good = not crc(body, 0xFFFF) and shortest <= len(body) <= longest
        add(body if good or not piece else None)
    return found


class Splitter:
    """Cuts a byte stream into pieces that end at a delimiter; holds at most `MAX_HELD` bytes.

    The pieces, put end to end, are the stream: `feed` returns each with its 0x00. Bytes that run on without a
    delimiter are given out `MAX_FRAME` at a time, but the last `MAX_FRAME` before a delimiter stay together:
    a frame in there is not cut. How the stream was cut into `feed` calls makes no difference to the pieces.
    """

    __slots__ = ("_rest",)

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Take the next bytes and return the pieces they complete, in order."""
        if len(self._rest) + len(data) <= MAX_FRAME:  # nearly always, and then there is nothing to cut up
            end = data.find(0)
            if end < 0:
                self._rest += data
                return []
            if end == len(data) - 1:
                piece, self._rest = self._rest + data, b""
                return [piece]
        *pieces, rest = (self._rest + data).split(b"\0") if self._rest else data.split(b"\0")
        done: list[bytes] = []
        for piece in pieces:
            if len(piece) < MAX_FRAME:
                done.append(piece + b"\0")
            else:
                done.extend(_ended(piece + b"\0"))
        if len(rest) <= MAX_FRAME:
            self._rest = rest
            return done
        cut = max(0, len(rest) - MAX_FRAME - 1) // MAX_FRAME * MAX_FRAME
        done.extend(rest[at : at + MAX_FRAME] for at in range(0, cut, MAX_FRAME))
        self._rest = rest[cut:]
        return done

    def flush(self) -> bytes:
        """Return and forget the bytes of an unfinished piece."""
        rest, self._rest = self._rest, b""
        return rest


def _ended(piece: bytes) -> Iterator[bytes]:
    """Cut a piece that ends in a delimiter so that its last `MAX_FRAME` bytes stay together."""
    at = 0
    while len(piece) - at > MAX_FRAME:
        size = min(MAX_FRAME, len(piece) - at - MAX_FRAME)
        yield piece[at : at + size]
        at += size
    yield piece[at:]

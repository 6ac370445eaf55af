"""What came through whole? The checked bodies of many frames, end to end in one block of memory.

A long recording has millions of frames. They are decoded some thousands at a time, so that what is being
worked on fits into a processor's cache, and kept as one array: tables are read from it in one go.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from harness.codec.frames import MAX_FRAME, Frame, checked_bodies, decode_piece
from harness.measure.arrays import Flags, Ints, Rows, ints

AT_ONCE: Final = 1 << 14
"""Pieces decoded at a time."""
NOT_A_FRAME: Final = b"\xff"
CRC_BYTES: Final = 2


@dataclass(frozen=True, slots=True)
class Bodies:
    """Bodies in one array of bytes: each begins at `start` and has `size` bytes, its CRC included."""

    block: NDArray[np.uint8]
    start: Ints
    size: Ints

    def __len__(self) -> int:
        return len(self.start)

    def body(self, place: int) -> bytes:
        """Return one body."""
        start = int(self.start[place])
        return self.block[start : start + int(self.size[place])].tobytes()

    def rows(self, places: Ints, layout: np.dtype[np.void]) -> Rows:
        """Return the bodies at `places` as a structured array; each must have the layout's size at least."""
        ends = len(self.block) - layout.itemsize + 1
        if not len(places) or ends <= 0:
            return np.zeros(0, dtype=layout)
        from_each_byte: Rows = np.ndarray((ends,), dtype=layout, buffer=self.block, strides=(1,))
        rows: Rows = from_each_byte[self.start[places]]
        return rows


@dataclass(frozen=True, slots=True)
class Decoded:
    """What a port's pieces held: good bodies, and which piece each came in; text; how many pieces are bad."""

    bodies: Bodies
    good: Flags
    texts: list[bytes]
    bad: int


def decode(pieces: Sequence[bytes], sizes: Ints) -> Decoded:
    """Decode pieces of these sizes as they were recorded, each with its delimiter. No input raises."""
    blocks: list[bytes] = []
    lengths: list[Ints] = [ints([])]
    failed: list[int] = []
    for first in range(0, len(pieces), AT_ONCE):
        part = slice(first, first + AT_ONCE)
        bodies = checked_bodies(_undelimited(pieces[part], sizes[part]))
        whole = [body for body in bodies if body is not None]
        if len(whole) < len(bodies):
            failed += [first + place for place, body in enumerate(bodies) if body is None]
            whole = [body or b"" for body in bodies]
        blocks.append(b"".join(whole))
        lengths.append(np.fromiter(map(len, whole), dtype=np.int64, count=len(whole)))
    size = np.concatenate(lengths)
    start = np.cumsum(size) - size
    texts, found, bad = _second_look(pieces, failed)
    end = int(size.sum())
    for place, body in found:
        start[place], size[place] = end, len(body)
        end += len(body)
    block = np.frombuffer(b"".join([*blocks, *(body for _, body in found)]), dtype=np.uint8)
    good = size > 0
    return Decoded(Bodies(block, start[good], size[good]), good, texts, bad)


def _undelimited(pieces: Sequence[bytes], sizes: Ints) -> list[bytes]:
    """Return the pieces without their delimiters; one that has none cannot be a frame.

    Where each ends with the only delimiter in it, they are cut apart anew: that is the quick way.
    """
    joined = b"".join(pieces)
    if joined.count(0) == len(pieces) and sizes.all():
        ends = np.frombuffer(joined, dtype=np.uint8)[np.cumsum(sizes) - 1]
        if not ends.any():
            return joined.split(b"\0")[:-1]
    return [piece[:-1] if piece.endswith(b"\0") else NOT_A_FRAME for piece in pieces]


def _second_look(
    pieces: Sequence[bytes], failed: Sequence[int]
) -> tuple[list[bytes], list[tuple[int, bytes]], int]:
    """Find frames behind console text among the bad pieces: text, bodies by their places, how many stay bad.

    A piece that does not end at a delimiter was cut by length, so it is looked at together with the next one.
    """
    texts: list[bytes] = []
    bodies: list[tuple[int, bytes]] = []
    bad, rest, before = 0, b"", -1
    for place in failed:
        piece = pieces[place]
        rest = rest if place == before + 1 else b""
        before = place
        if not piece.endswith(b"\0"):
            rest = (rest + piece)[-2 * MAX_FRAME :]
            texts.append(piece)
            continue
        found = decode_piece((rest + piece[:-1])[-2 * MAX_FRAME :])
        rest = b""
        texts.append(found.text if isinstance(found, Frame) else piece[:-1])
        if isinstance(found, Frame):
            head = bytes((found.type, found.counter & 0xFF, found.counter >> 8))
            bodies.append((place, head + found.payload + bytes(CRC_BYTES)))
        else:
            bad += not _is_text(piece[:-1])
    return [text for text in texts if _is_text(text)], bodies, bad


def _is_text(data: bytes) -> bool:
    """Return whether bytes look printed rather than broken: nine in ten are ASCII text."""
    printed = sum(32 <= byte < 127 or byte in b"\t\r\n\x1b" for byte in data)
    return 10 * printed >= 9 * len(data) and bool(data)

"""Makes inputs for `fuzz.c`: golden frames, whole and damaged, mixed with time, questions and reports.

python fuzz_inputs.py FOLDER     writes a corpus for libFuzzer to begin with
"""

from __future__ import annotations

import sys
from pathlib import Path
from random import Random
from typing import Final

from firmware_host import plain_codec
from vectors import document, stream_bytes

from harness.chance import stream

PIECES: Final = {count // 5 * 16 | 15: count for count in range(0, 80, 5)}
"""Steps that feed bytes (`step` in fuzz.c), and how many each feeds."""
LARGEST: Final = max(PIECES, key=PIECES.__getitem__)


def fed(data: bytes) -> bytes:
    """Return the steps that feed these bytes, filled up with delimiters."""
    size = PIECES[LARGEST]
    pieces = [data[at : at + size].ljust(size, b"\0") for at in range(0, len(data), size)]
    return b"".join(bytes((LARGEST,)) + piece for piece in pieces)


def golden() -> list[bytes]:
    """Every stream and frame of the vectors file, as the library would get them."""
    frames = [bytes.fromhex(entry["frame"]) for entry in document()["messages"]]
    return frames + [stream_bytes(entry["bytes"]) for entry in document()["streams"]]


def damaged(data: bytes, chance: Random) -> bytes:
    """Return bytes with a few flipped, cut out, doubled or set to numbers at which something ends."""
    spoilt = bytearray(data)
    for _ in range(chance.choice((0, 1, 1, 3))):
        at = chance.randrange(len(spoilt) or 1)
        how = chance.randrange(4)
        if how == 0 and spoilt:
            spoilt[at] ^= 1 << chance.randrange(8)
        elif how == 3 and spoilt:
            spoilt[at] = chance.choice((1, 2, 8, 9, 17, 0x80, 0xFF))
        elif how == 1:
            del spoilt[at : at + chance.randrange(1, 5)]
        else:
            spoilt[at:at] = spoilt[at : at + 9]
    return bytes(spoilt)


def forged(data: bytes, chance: Random) -> bytes:
    """Return a damaged body in a frame with a good checksum; what is no frame is damaged as it is."""
    body = plain_codec.cobs_decode(data[:-1])
    return plain_codec.raw_frame(damaged(body[:-2], chance)[:123]) if body else damaged(data, chance)


def inputs(seed: int, count: int) -> list[bytes]:
    """Return `count` inputs, the same for the same seed."""
    chance = stream(seed, "firmware fuzz")
    sources = golden()
    made = []
    for _ in range(count):
        parts = [bytes(chance.randrange(256) for _ in range(2))]
        for _ in range(chance.randrange(1, 12)):
            parts.append(fed(chance.choice((damaged, forged, forged))(chance.choice(sources), chance)))
            parts.append(bytes(chance.randrange(256) for _ in range(chance.randrange(12))))
        made.append(b"".join(parts)[:60_000])
    return made


if __name__ == "__main__":
    for place, data in enumerate([b"\0\0" + fed(data) for data in golden()] + inputs(1, 200)):
        (Path(sys.argv[1]) / f"golden-{place}").write_bytes(data)

"""When did the PC leave a device alone for so long that it let go? A stalled PC is no fault of the link."""

from __future__ import annotations

from itertools import compress, pairwise
from typing import Final

import numpy as np

from harness.clock import MS
from harness.codec.codes import DEAD_MAN_MS
from harness.codec.frames import checked_bodies
from harness.codec.messages import KeepAlive, encode
from harness.measure.spans import Span
from harness.recording.model import Direction, PortPackets

DOUBTFUL_NS: Final = DEAD_MAN_MS * MS * 9 // 10
"""A device lets go 500 ms after the last keep-alive (shared/protocol.md); a tenth less is in doubt."""
KEEP_ALIVE_BYTES: Final = len(encode(KeepAlive(), 1))


def read_silences(port: PortPackets | None) -> tuple[Span, ...]:
    """Return every stretch between two keep-alives that was too long.

    A recording without keep-alives has none: no device was armed.
    """
    if port is None:
        return ()
    sizes = np.fromiter(map(len, port.data), dtype=np.int64, count=len(port.data))
    told = np.frombuffer(bytes(port.direction), dtype=np.uint8) == int(Direction.TO_DEVICE)
    maybe = np.flatnonzero(told & (sizes == KEEP_ALIVE_BYTES)).tolist()
    bodies = checked_bodies(port.data[place].removesuffix(b"\0") for place in maybe)
    kept = [body is not None and body[0] == KeepAlive.TYPE for body in bodies]
    times = [port.at_ns[place] for place in compress(maybe, kept)]
    return tuple(Span(one, other) for one, other in pairwise(times) if other - one > DOUBTFUL_NS)

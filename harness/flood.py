"""What if a device sends without end? What its port adds to the recording is bounded, and the rest counted.

A port may add `BURST_BYTES` at once and `BYTES_PER_S` on and on, each piece with what it takes beside its
bytes. The busiest link that a plan can declare needs less than half of that. Beyond it whole chunks are
thrown away before anybody looks at them; marks tell from when to when, and how many bytes.
"""

from __future__ import annotations

from typing import Final

from harness.bench.protocol import Role
from harness.clock import S
from harness.recording import RecordingWriter

PIECE_BYTES: Final = 64
"""What a packet block takes beside its data: head, options with hash, trailer (measured)."""
BYTES_PER_S: Final = 512 * 1024
"""1000 packets a second with three reports of 20 bytes each are 250 KB/s in the recording."""
BURST_BYTES: Final = 4 * 1024 * 1024
ENOUGH_BYTES: Final = BURST_BYTES // 4
"""A flood is over when so much may be added again."""
FLOODED: Final = "flooded"
FLOOD_OVER: Final = "flood over"


class Room:
    """How much one port may still add. `left` is taken down by whoever records, and filled up here."""

    __slots__ = ("_filled_ns", "_flooding", "dropped", "left")

    def __init__(self, now_ns: int) -> None:
        self.left = BURST_BYTES
        self.dropped = 0
        self._filled_ns = now_ns
        self._flooding = False

    @property
    def flooding(self) -> bool:
        """Whether bytes are thrown away."""
        return self._flooding

    def lacks(self, role: Role, size: int, at_ns: int, writer: RecordingWriter) -> bool:
        """Fill up by the time that passed; returns whether `size` bytes that came are to be thrown away."""
        self.left += (at_ns - self._filled_ns) * BYTES_PER_S // S
        self._filled_ns = at_ns
        self.left = min(self.left, BURST_BYTES)
        if self.left >= (ENOUGH_BYTES if self._flooding else 0):
            self.over(role, at_ns, writer)
            return False
        if not self._flooding:
            self._flooding = True
            writer.mark(at_ns, FLOODED, role=role)
        self.dropped += size
        return True

    def over(self, role: Role, at_ns: int, writer: RecordingWriter) -> None:
        """Mark the end of a flood, if there is one."""
        if self._flooding:
            writer.mark(at_ns, FLOOD_OVER, role=role, dropped=self.dropped)
            self._flooding, self.dropped = False, 0

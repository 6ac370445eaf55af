"""What becomes of one `Disturb`? When it is on, what it sent, and how much of that was acknowledged."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from harness.codec.messages import Disturbance, Disturbed

MOST: Final = 65_535
"""Where the report's counts stop."""


class Disturbing:
    """One disturbance of a mock transmitter; the radio tells it what became of its packets.

    `done` is called with it after each packet.
    """

    def __init__(
        self, kind: Disturbance, span_ns: tuple[int, int], done: Callable[[Disturbing], None]
    ) -> None:
        self.kind = kind
        self.begin_ns, self.end_ns = span_ns
        self.on_air = False
        self.over_us: int | None = None
        """When it ended, in device time; its last packet may still be on the air."""
        self._packets = self._acknowledged = 0
        self._done = done

    def is_on(self, now_ns: int) -> bool:
        """Return whether it goes on at this time."""
        return self.begin_ns <= now_ns < self.end_ns

    def in_place(self, now_ns: int) -> bool:
        """Return whether it takes the place of the transmitter's own packets at this time."""
        return self.kind is not Disturbance.BESIDE and self.is_on(now_ns)

    def sent(self) -> None:
        """Count a packet that goes on the air now."""
        self.on_air = True
        self._packets += 1

    def answered(self, payload: bytes) -> None:  # noqa: ARG002
        """Count an acknowledgement; what it carries is nobody's telemetry."""
        self._acknowledged += 1
        self.unanswered(None)

    def unanswered(self, _: None) -> None:
        """Go on: nothing is sent twice."""
        self.on_air = False
        self._done(self)

    def report(self) -> Disturbed:
        """Return the report of a disturbance that is over."""
        assert self.over_us is not None
        return Disturbed(self.kind, self.over_us, min(self._packets, MOST), min(self._acknowledged, MOST))

"""Which round is looked at, and how is that said? Its place in the soak."""

from __future__ import annotations

from dataclasses import dataclass

from harness.clock import S


@dataclass(frozen=True, slots=True)
class Place:
    """One round: `number` from 1, `start_ns` since the soak's first step; `ended` if it was played whole.

    `seams_ns` are the host times between which the round is looked at, None at the recording's own ends.
    """

    number: int
    start_ns: int
    ended: bool = True
    seams_ns: tuple[int | None, int | None] = (None, None)

    def __str__(self) -> str:
        return f"round {self.number} at {clock_words(self.start_ns)}"


def clock_words(time_ns: int) -> str:
    """Return a time since the start as hours, minutes and seconds: `1:02:03`."""
    seconds = max(0, time_ns) // S
    return f"{seconds // 3600}:{seconds // 60 % 60:02}:{seconds % 60:02}"

"""What happens next? A queue of due events in whole nanoseconds, in one thread.

Events at the same instant happen in the order in which they were planned, so equal seeds give equal runs.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush
from itertools import count
from typing import Any


class World:
    """Virtual time and what is due in it."""

    __slots__ = ("_next", "_queue", "now_ns")

    def __init__(self) -> None:
        self.now_ns = 0
        self._queue: list[tuple[int, int, Callable[[Any], None], Any]] = []
        self._next = count().__next__

    def at(self, due_ns: int, action: Callable[[Any], None], value: Any) -> None:
        """Plan `action(value)` for `due_ns`, which must not have passed."""
        assert due_ns >= self.now_ns
        heappush(self._queue, (due_ns, self._next(), action, value))

    def run(self, until_ns: int) -> None:
        """Let everything happen that is due up to and including `until_ns`; time never goes back."""
        queue = self._queue
        while queue and queue[0][0] <= until_ns:
            self.now_ns, _, action, value = heappop(queue)
            action(value)
        self.now_ns = max(self.now_ns, until_ns)

    def due_ns(self) -> int | None:
        """Return when the next event is due, or None if nothing is planned."""
        return self._queue[0][0] if self._queue else None

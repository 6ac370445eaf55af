"""May a throttle stick open now? With `--hold-to-run` only while somebody holds the space bar.

Sticks with every throttle at rest go out freely. Before the first that opens one the run waits, with the
sticks where they are; once one is open and the bar is let go, the run ends and closes it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from harness.clock import S
from harness.conversation import Conversation
from harness.plan import model as p

PATIENCE_NS: Final = 600 * S
"""So long is waited for somebody to hold the bar, with every throttle at rest."""
ASK: Final = "hold the space bar down: a throttle opens next, and closes as soon as you let go"
LET_GO: Final = "the space bar was let go while a throttle was open"
NOBODY: Final = f"nobody held the space bar for {PATIENCE_NS // S} s"


def opens(link: p.Link, pulses_us: tuple[int, ...]) -> bool:
    """Return whether a throttle stick is above its rest by more than its resolution."""
    return any(
        channel.role == "throttle" and pulse > channel.rest_us + channel.resolution_us
        for channel, pulse in zip(link.channels, pulses_us, strict=False)
    )


class HoldToRun:
    """The gate before every stick message; its `look` is one of the conversation's watchers."""

    def __init__(
        self, talk: Conversation, link: p.Link, is_held: Callable[[], bool], say: Callable[[str], None]
    ) -> None:
        self._talk = talk
        self._link = link
        self._is_held = is_held
        self._say = say
        self._is_open = False

    def look(self) -> None:
        """Raise KeyboardInterrupt, with the reason, if a throttle is open and nobody holds the bar."""
        if self._is_open and not self._is_held():
            raise KeyboardInterrupt(LET_GO)

    def before(self, pulses_us: tuple[int, ...]) -> int:
        """Wait, before these sticks are sent, until they may be; returns for how long, in ns.

        Raises KeyboardInterrupt, with the reason, when the bar was let go or nobody holds it.
        """
        if not opens(self._link, pulses_us):
            self._is_open = False
            return 0
        waited = 0 if self._is_open or self._is_held() else self._wait()
        self._is_open = True
        self.look()
        return waited

    def _wait(self) -> int:
        self._say(ASK)
        began = self._talk.bench.now_ns()
        if not self._talk.wait_for(self._is_held, until_ns=began + PATIENCE_NS):
            raise KeyboardInterrupt(NOBODY)
        return self._talk.bench.now_ns() - began

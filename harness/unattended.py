"""Is a throttle open while nobody commands it? On real ports that is looked at whenever it can happen.

The transmitter's own throttle stick, which no cap holds, rules before the first sticks are sent, after the
transmitter restarted until sticks are sent again, and once it is released.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from harness.bench.protocol import Role
from harness.clock import MS
from harness.codec import messages as m
from harness.conversation import Conversation
from harness.errors import BenchError
from harness.plan import model as p
from harness.watch import ThrottleWatch

LOOK_NS: Final = 500 * MS
"""Longest look before the first sticks; a link that is not up reports no outputs, and is not waited for."""
LOOKS: Final = 3
"""Reports of every throttle that are enough."""
TAKE_EFFECT_NS: Final = 100 * MS
"""Time for sticks to reach the outputs and the report of that to come back, beside three packets."""
SLACK_US: Final = 20
"""After a restart the sticks may still be, or be again, the commanded ones, right at the cap; outputs are
seldom true to the microsecond (2 % of the usual travel; common practice, no source)."""


class OwnThrottleError(BenchError):
    """A throttle stood open on its own stick, as `watch` saw. It names no port: none is gone."""

    def __init__(self, watch: ThrottleWatch) -> None:
        super().__init__(watch.found)
        self.watch = watch


def _effect_ns(plan: p.Plan) -> int:
    return TAKE_EFFECT_NS + 3 * plan.link.packet_period_ns


def refuse_open_throttle(talk: Conversation, plan: p.Plan, port: str) -> None:
    """Raise BenchError if a throttle is open before anything was commanded."""
    watch = ThrottleWatch(talk, plan)
    if not watch.spans:
        return
    watch.begin()
    try:
        enough = talk.bench.now_ns() + LOOK_NS
        talk.wait_for(lambda: bool(watch.found) or watch.looks >= LOOKS, until_ns=enough)
    finally:
        talk.on_applied = None
    if watch.found:
        raise BenchError(
            f"{watch.found}, then run again; nothing was commanded", role=Role.TRANSMITTER, port=port
        )


class RestartWatch:
    """Looks at the throttle outputs from a transmitter's restart until sticks sent since then take effect."""

    def __init__(self, talk: Conversation, plan: p.Plan) -> None:
        self._talk = talk
        self._plan = plan
        self._watch: ThrottleWatch | None = None
        self._started_ns = 0
        self._over_ns: int | None = None

    def started(self, role: Role) -> None:
        """Begin to look, unless it is another device or somebody looks already."""
        if role is Role.TRANSMITTER and (self._watch is not None or self._talk.on_applied is None):
            self._started_ns, self._over_ns = self._talk.bench.now_ns(), None
            self._watch = ThrottleWatch(self._talk, self._plan, slack_us=SLACK_US)
            self._watch.begin()

    def check(self) -> None:
        """Raise OwnThrottleError if one was open; stop looking once sticks rule again."""
        watch = self._watch
        if watch is None:
            return
        if watch.found:
            self._end()
            raise OwnThrottleError(watch)
        sticks_ns = self._talk.sticks_ns
        if self._over_ns is None and sticks_ns is not None and sticks_ns > self._started_ns:
            self._over_ns = sticks_ns + _effect_ns(self._plan)
        if self._over_ns is not None and self._talk.bench.now_ns() > self._over_ns:
            self._end()

    def _end(self) -> None:
        if self._watch is not None and self._talk.on_applied == self._watch.look:
            self._talk.on_applied = None
        self._watch = None


def release_watched(
    talk: Conversation, plan: p.Plan, rest: Callable[[], None], say: Callable[[str], None]
) -> None:
    """Release the transmitter and look; if its own throttle stick is open, close it for 10 s and say so.

    Released at once it would rule again, and somebody is to put it down first. The other devices stay.
    """
    watch = ThrottleWatch(talk, plan)
    if not watch.spans:
        return
    talk.send(Role.TRANSMITTER, m.Release())
    watch.begin()
    try:
        talk.wait_for(lambda: bool(watch.found), until_ns=talk.bench.now_ns() + _effect_ns(plan))
    finally:
        talk.on_applied = None
    watch.hold(rest, say)

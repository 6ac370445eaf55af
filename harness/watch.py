"""Does a throttle open while the transmitter uses its own sticks? Watched by the reports of the outputs.

Nothing can cap those sticks, so the outputs are watched, and the run takes the sticks back when one opens.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Final

from harness.bench.protocol import Role
from harness.clock import S
from harness.codec import messages as m
from harness.conversation import Conversation
from harness.errors import BenchError, StorageError
from harness.plan import model as p
from harness.timeline import REFRESH_NS, top_us

BLIND_NS: Final = 1 * S
"""Longest time without a report of every throttle's output while the transmitter uses its own sticks."""
HANDS_NS: Final = 10 * S
"""On hardware the sticks are held at rest for so long after that, for somebody to close the throttle."""
OWN_THROTTLE_LEAST: Final = Fraction(1, 20)
"""A throttle's own stick never rests on its end to the microsecond: this share of its travel is always
allowed (common practice, no source)."""
OWN_STICKS: Final = (
    "the transmitter now uses its own sticks: its throttle stick must be at its low end, and no cap holds it"
)


def own_throttle_spans(plan: p.Plan) -> tuple[tuple[int, int, int], ...]:
    """Return (channel, lowest, highest output in us) that each throttle may show on its own stick.

    The open side is capped at `safety.throttle_up_to` of the travel, on every bench; the closed side is free.
    """
    share = max(plan.safety.throttle_up_to, OWN_THROTTLE_LEAST)
    spans = []
    for index, channel in enumerate(plan.link.channels):
        if channel.role == "throttle":
            ends = channel.output_us(0), channel.output_us(top_us(channel, share))
            spans.append((index, min(ends), max(ends)))
    return tuple(spans)


class ThrottleWatch:
    """Looks at every reported throttle output while the transmitter uses its own sticks.

    No report of them all for `BLIND_NS` outside failsafe ends it too: nobody could see the throttle open.
    What was `found` stays, and `found_ns` tells when.
    """

    def __init__(self, talk: Conversation, plan: p.Plan, *, slack_us: int = 0) -> None:
        self.talk = talk
        self.link = plan.link
        self.spans = tuple(
            (index, low - slack_us, high + slack_us) for index, low, high in own_throttle_spans(plan)
        )
        self.seen_ns: int | None = None
        self.found = ""
        self.found_ns = 0
        self.looks = 0

    def begin(self) -> None:
        """Begin to look, or go on."""
        self.talk.on_applied = self.look
        if self.seen_ns is None:
            self.seen_ns = self.talk.bench.now_ns()

    def look(self, applied: m.Applied) -> None:
        """Note a throttle output outside its span, and that every throttle was seen."""
        outputs = applied.outputs_us
        for index, low, high in self.spans:
            if index < len(outputs) and not low <= outputs[index] <= high:
                channel = self.link.channels[index]
                least, most = max(low, channel.range.low_us), min(high, channel.range.high_us)
                self._trip(
                    f"{channel.name} went to {outputs[index]} us with the transmitter's own sticks, and only "
                    f"{least} us to {most} us is allowed; put the throttle's own stick at its low end"
                )
        if all(index < len(outputs) for index, _, _ in self.spans):
            self.looks += 1
            self.seen_ns = self.talk.bench.now_ns()

    def tripped(self) -> bool:
        """Return whether the sticks must be taken back now."""
        now = self.talk.bench.now_ns()
        if self.talk.in_failsafe and self.seen_ns is not None:
            self.seen_ns = now  # nothing is applied; the time starts anew when something is
        if self.spans and self.seen_ns is not None and now - self.seen_ns > BLIND_NS:
            self._trip(
                f"no throttle output was reported for {BLIND_NS / S:g} s with the transmitter's own sticks, "
                "so nobody watched the throttle; put the throttle's own stick at its low end"
            )
        return bool(self.found)

    def _trip(self, found: str) -> None:
        if not self.found:
            self.found, self.found_ns = found, self.talk.bench.now_ns()

    def hold(self, rest: Callable[[], None], say: Callable[[str], None]) -> None:
        """On hardware keep the sticks at rest for the rest of `HANDS_NS` if the watch has tripped.

        Released now, the open throttle would rule again. A lost port does not shorten it unless it is the
        transmitter's; KeyboardInterrupt, which a third signal alone raises by now, does. Raises StorageError
        at the end.
        """
        talk = self.talk
        if not self.found or not talk.bench.is_hardware:
            return
        say(f"{self.found}: do it now, the devices are released in {HANDS_NS // S} s")
        until_ns = self.found_ns + HANDS_NS
        lost, trouble = 0, None
        while talk.bench.now_ns() < until_ns and Role.TRANSMITTER in talk.alive and lost <= len(talk.ports):
            try:
                rest()
                talk.advance(min(until_ns, talk.bench.now_ns() + REFRESH_NS))
            except BenchError:  # each port can go once
                lost += 1
            except StorageError as error:  # from now on nothing is recorded, and the run can go on
                trouble = error
            except KeyboardInterrupt:
                break
        if trouble is not None:
            raise trouble

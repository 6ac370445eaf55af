"""Does a throttle open while the transmitter uses its own sticks? Watched by the reports of the outputs.

Nothing can cap those sticks, so the outputs are watched, and the run takes the sticks back when one opens.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from harness.clock import S
from harness.codec import messages as m
from harness.conversation import Conversation
from harness.plan import model as p
from harness.timeline import top_us

BLIND_NS: Final = 1 * S
"""Longest time without a report of the outputs while the transmitter uses its own sticks."""
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

    No report for `BLIND_NS` outside failsafe ends it too: nobody could see the throttle open.
    """

    def __init__(self, talk: Conversation, plan: p.Plan) -> None:
        self.talk = talk
        self.link = plan.link
        self.spans = own_throttle_spans(plan)
        self.since_ns: int | None = None
        self.found = ""

    def begin(self) -> None:
        """Begin to look, or go on."""
        self.talk.on_applied = self.look
        self.since_ns = self.since_ns or self.talk.bench.now_ns()

    def look(self, applied: m.Applied) -> None:
        """Note a throttle output outside its span."""
        for index, low, high in self.spans[: 0 if self.found else None]:
            if index < len(applied.outputs_us) and not low <= applied.outputs_us[index] <= high:
                name, shown = self.link.channels[index].name, applied.outputs_us[index]
                self.found = (
                    f"{name} went to {shown} us with the transmitter's own sticks, and only {low} us to "
                    f"{high} us is allowed; put the throttle's own stick at its low end"
                )

    def tripped(self) -> bool:
        """Return whether the sticks must be taken back now."""
        if self.spans and self.since_ns is not None and not self.found and not self.talk.in_failsafe:
            seen = max(self.since_ns, self.talk.applied_at_ns or 0)
            if self.talk.bench.now_ns() - seen > BLIND_NS:
                self.found = (
                    f"no output was reported for {BLIND_NS / S:g} s with the transmitter's own sticks, so "
                    "nobody watched the throttle"
                )
        return bool(self.found)

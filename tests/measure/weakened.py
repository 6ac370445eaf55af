"""An imaginary run of a margin step: which packets get lost at which level is known exactly."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from scenario import RUN_NS, RX, TX, Packet, Scenario, plan_for

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.plan import model as p

SETTLE_NS = 100 * MS
PATH = "steps[0]"
STEP = p.Margin(by="power", from_x10=0, to_x10=-200)


@dataclass
class Weakened(Scenario):
    """Levels in tenths one after the other, `packets` at each; `losing` says how many of them get lost.

    They get lost evenly, or with `bunched` in one row. `signal` is what the receiver reports at a level.
    """

    step: p.Margin = STEP
    levels: Sequence[int] = tuple(range(0, -201, -20))
    packets: int = 100
    losing: Callable[[int], int] = lambda level: 0
    signal: Callable[[int], int] = lambda level: wire.SIGNAL_UNKNOWN
    bunched: bool = False
    refused: Sequence[int] = ()
    pairs: list[tuple[int, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        steps = [p.PlanStep(action=self.step, name="margin", path=PATH)]
        self.plan = plan_for(link=self.plan.link, steps=steps)
        self.seconds = len(self.levels) * self.stay_ns / S
        self.lost = self._is_lost
        self.mark(RUN_NS, "step", path=PATH, kind="margin", name="margin", title="margin")
        for level in self.refused:
            self.mark(RUN_NS, "level refused", path=PATH, level_x10=level)
        for place, level in enumerate(self.levels):
            at_ns = RUN_NS + place * self.stay_ns
            self.mark(at_ns, "level", path=PATH, by=self.step.by, level_x10=level, settle_ns=SETTLE_NS)
            self.mark(at_ns + self.stay_ns - 1, "level end", path=PATH, level_x10=level)
        self.mark(self.end_ns, "step end", path=PATH)

    @property
    def stay_ns(self) -> int:
        """Time at a level."""
        return SETTLE_NS + self.packets * self.period_ns

    def place(self, at_ns: int) -> tuple[int, int]:
        """The level at a time, and the number of the packet among those that count; below 0 before them."""
        place, since = divmod(at_ns - RUN_NS, self.stay_ns)
        if not self.levels:
            return 0, -1
        level = self.levels[min(max(place, 0), len(self.levels) - 1)]
        return level, (since - SETTLE_NS) // self.period_ns if 0 <= place < len(self.levels) else -1

    def _is_lost(self, packet: Packet) -> bool:
        level, number = self.place(packet.at_ns)
        losing = self.losing(level)
        if number < 0:
            return losing == self.packets
        if self.bunched:
            return number < losing
        return (number + 1) * losing // self.packets > number * losing // self.packets

    def say(self, role: Any, message: Any, at_ns: int) -> None:
        """Have a device send a frame, with the signal of the level."""
        if isinstance(message, wire.Applied):
            message = replace(message, signal_dbm=self.signal(self.place(at_ns)[0]))
        super().say(role, message, at_ns)


def edge(at_x10: int, width_x10: int = 60, packets: int = 100) -> Callable[[int], int]:
    """Losses that go from none to all between two levels, half of them lost at `at_x10`."""
    return lambda level: round(packets * min(max((at_x10 - level) / width_x10 + 0.5, 0), 1))


def falling(level_x10: int) -> int:
    """A signal that follows the level."""
    return -60 + level_x10 // 10


__all__ = ["PATH", "RX", "STEP", "TX", "Weakened", "edge", "falling"]

"""Was the PC asleep, or stopped, while it should have kept the devices alive? Told by clocks, at every look.

By then the devices have let go by themselves, so a run does not go on where it was: the sticks would jump
to where they should have been meanwhile. It ends, with the throttle closed, and says so. A monotonic clock
that goes back ends it too: no time of such a run can be trusted.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from harness import clock
from harness.clock import S
from harness.errors import BenchError

ASLEEP_NS: Final = 1 * S
"""Twice the time after which devices let go; a shorter stall stands in the recording as a silence of the PC,
and the checks allow for it."""


class AsleepError(BenchError):
    """The PC did nothing for so long that the devices had let go by themselves; no port is gone.

    `passed_ns` is the time since the last look by the clock that never goes back.
    """

    def __init__(self, message: str, passed_ns: int) -> None:
        super().__init__(message)
        self.passed_ns = passed_ns


class ClockError(BenchError):
    """The clock that must never go back did."""


class Wakefulness:
    """Looks at the clocks; `now_ns` is the bench's, `slept_ns` tells how long the machine was suspended."""

    def __init__(self, now_ns: Callable[[], int], slept_ns: Callable[[], int] | None = None) -> None:
        self._now_ns = now_ns
        self._slept_ns = slept_ns or clock.slept_ns
        self.begin()

    def begin(self) -> None:
        """Count from now: whoever calls has had something else to do."""
        self._seen, self._slept = self._now_ns(), self._slept_ns()

    def look(self) -> None:
        """Raise AsleepError after more than `ASLEEP_NS` without a look, ClockError if time went back."""
        seen, slept = self._seen, self._slept
        self.begin()
        passed = self._seen - seen
        if passed < 0:
            raise ClockError(
                f"the PC's monotonic clock went back by {-passed / S:.3f} s, which it must never do: no time "
                "of this run can be trusted; look at the machine, or at the virtual machine that it is"
            )
        suspended = max(0, self._slept - slept)
        if passed + suspended > ASLEEP_NS:
            what = "was suspended" if suspended > passed else "was asleep, stopped or far too busy"
            raise AsleepError(
                f"the PC {what} for {(passed + suspended) / S:.1f} s: the devices let go by themselves "
                "meanwhile. This says nothing about the link; keep the PC awake and run again",
                passed,
            )

"""The one clock: whole nanoseconds that only go forward.

No other module reads `time` or `datetime`; a test holds every file to that.
"""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime
from typing import Protocol

US = 1_000
MS = 1_000_000
S = 1_000_000_000

SPIN_NS = 300 * US
"""Sleeping wakes about 95 us late, up to 300 us on a busy machine: sleep to here, then spin."""

WAKING_NS = 100 * US
"""A thread wakes about 95 us after it could (measured)."""

COARSE = time.get_clock_info("monotonic").resolution > 1e-4
"""Before Python 3.13 Windows' monotonic clock goes on in steps of 15.6 ms; its performance counter does not.

Sleeping is not so coarse there: since 3.11 `time.sleep` uses a timer of high resolution where it is to be had
(documentation of Python's module `time`).
"""


class Clock(Protocol):
    """Something that tells the time in nanoseconds and can wait for an instant."""

    def now_ns(self) -> int:
        """Return the time in ns since an arbitrary start; it never goes back."""
        ...

    def sleep_until_ns(self, due_ns: int) -> None:
        """Return at `due_ns`, or at once when that has passed."""
        ...


class SystemClock:
    """The machine's monotonic clock."""

    def now_ns(self) -> int:
        """Return monotonic time in ns."""
        return time.perf_counter_ns() if COARSE else time.monotonic_ns()

    def sleep_until_ns(self, due_ns: int) -> None:
        """Sleep to 300 us before `due_ns`, then spin: under 5 us late at the 99th percentile when idle.

        A sleep that wakes late, as on an old Windows, is late by so much; it never wakes too soon.
        """
        while (left := due_ns - self.now_ns()) > 0:
            if left > SPIN_NS:
                time.sleep((left - SPIN_NS) / S)


def give_way() -> None:
    """Let another thread of ours run, if one waits: longer than it takes to wake, shorter than anybody sees.

    Python's threads take turns after half a millisecond otherwise (`harness.bench.promptness.SWITCH_S`).
    """
    time.sleep(WAKING_NS / S)


def slept_ns() -> int:
    """Return for how long this machine has been suspended so far, in ns; 0 where no clock tells.

    The monotonic clock stands still meanwhile on Linux (clock_gettime(2): CLOCK_BOOTTIME "also includes any
    time that the system is suspended") and on macOS, where CLOCK_MONOTONIC is the one that goes on (from
    memory). On Windows the monotonic clock itself goes on (from memory).
    """
    awake_too = getattr(time, "CLOCK_MONOTONIC", None) if sys.platform == "darwin" else None
    kind = getattr(time, "CLOCK_BOOTTIME", awake_too)
    return 0 if kind is None else time.clock_gettime_ns(kind) - time.monotonic_ns()


class VirtualClock:
    """Time that moves only when told, for simulation and tests."""

    def __init__(self, now_ns: int = 0) -> None:
        self._now_ns = now_ns

    def now_ns(self) -> int:
        """Return virtual time in ns."""
        return self._now_ns

    def sleep_until_ns(self, due_ns: int) -> None:
        """Jump to `due_ns`; the past is ignored."""
        self._now_ns = max(self._now_ns, due_ns)


def wall_label() -> str:
    """Return the date and time in UTC, to the second: a label for people, never used in a calculation."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def label_of(seconds: int) -> str:
    """Return seconds since 1970 as a UTC date and time, written like `wall_label`."""
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def seconds_of(label: str) -> int:
    """Return a date, or a date and time, as seconds since 1970: `label_of` the other way round.

    Takes what ISO 8601 allows and Python reads, in UTC where no zone is written. Raises ValueError.
    """
    moment = datetime.fromisoformat(label)
    return int((moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp())


def wall_seconds() -> int:
    """Return seconds since 1970 in UTC: the recording's time-stamp offset, never used in a calculation."""
    return int(time.time())

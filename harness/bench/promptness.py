"""What is asked of the system so that bytes leave when due, and what did it grant? Undone at the end.

Always: timer slack of 1 ns instead of 50 us, and half a millisecond instead of five before another thread of
ours may run. Only if asked: the lowest real-time priority and memory that is never swapped out. A real-time
thread that spins could keep everything else from a machine with one processor: there it is not even tried.
On others it spins for 0.3 ms at most after each sleep (`harness.clock.SPIN_NS`), at the lowest such priority,
and what it starts, threads too, goes back to ordinary scheduling.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Mapping
from threading import enumerate as enumerate_threads
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from ctypes import CDLL

SWITCH_S: Final = 0.0005
"""With Python's own 5 ms a busy thread made a 4 ms tick 5 ms late at the median, so 0.7 ms (measured)."""
SLACK_NS: Final = 1
PRIORITY: Final = 1
"""Lowest of the real-time priorities (sched(7)): kernel threads that serve interrupts stay above it."""
PR_SET_TIMERSLACK: Final = 29
PR_GET_TIMERSLACK: Final = 30
MCL_CURRENT: Final = 1
MCL_FUTURE: Final = 2
"""Numbers from the kernel's headers linux/prctl.h and asm-generic/mman.h, from memory; tried on Linux."""
DISPLAY: Final = "display"
"""Name of the thread that draws what the screen shows, if there is one."""
SCHEDULING: Final = "scheduling"
MEMORY: Final = "memory"
SLACK: Final = "timer slack"
REFUSED: Final = "refused"
_COST: Final = {
    SCHEDULING: "while the machine is busy, messages may leave milliseconds late",
    MEMORY: "a page that was swapped out may hold a message up for milliseconds",
}
_PERMIT: Final = {
    SCHEDULING: "write `@dialout - rtprio 1` (your group) into /etc/security/limits.d/propsoff.conf "
    "and log in again",
    MEMORY: "write `@dialout - memlock unlimited` (your group) into /etc/security/limits.d/propsoff.conf "
    "and log in again",
}


class Promptness:
    """What was changed for this thread and process, from construction to `undo`, which any close may call."""

    def __init__(self, *, real_time: bool = False) -> None:
        self.facts: dict[str, str] = {}
        self._undo: list[Callable[[], object]] = []
        before = sys.getswitchinterval()
        self._undo.append(lambda: sys.setswitchinterval(before))
        sys.setswitchinterval(min(before, SWITCH_S))
        self._take(SLACK, _reduce_slack)
        if real_time:
            self._take(SCHEDULING, _go_real_time)
            self._take(MEMORY, _lock_memory)

    def undo(self) -> None:
        """Put everything back as it was; a second call does nothing."""
        while self._undo:
            self._undo.pop()()

    def _take(self, topic: str, change: Callable[[], tuple[str, Callable[[], object]]]) -> None:
        try:
            self.facts[topic], back = change()
        except _NotHereError as error:
            self.facts[topic] = f"{REFUSED}: {error}"
        except OSError as error:
            self.facts[topic] = f"{REFUSED}: errno {error.errno}, {error.strerror}"
        else:
            self._undo.append(back)


def refusals(facts: Mapping[str, str]) -> list[str]:
    """Return a line for each thing that was asked for and refused: what, what it costs, how to permit it."""
    names = {SCHEDULING: "real-time scheduling", MEMORY: "memory locking"}
    return [
        f"{name} {facts[topic]}; the run goes on without: {_COST[topic]}{_remedy(topic, facts[topic])}"
        for topic, name in names.items()
        if facts.get(topic, "").startswith(REFUSED)
    ]


def _remedy(topic: str, told: str) -> str:
    return f"; to permit it {_PERMIT[topic]}" if "errno" in told else ""


class _NotHereError(Exception):
    """What was asked for does not exist on this system or machine."""


def _c_library() -> CDLL:
    if sys.platform != "linux":
        raise _NotHereError(f"{sys.platform} has no such call that we know of")
    import ctypes

    return ctypes.CDLL(None, use_errno=True)


def _called(result: int) -> int:
    """Return what a C function returned; raises OSError if that was -1."""
    if result == -1:
        import ctypes

        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
    return result


def _prctl(option: int, value: int) -> int:
    """Call prctl(2), all of whose numbers are unsigned longs."""
    from ctypes import c_ulong

    return _called(_c_library().prctl(option, c_ulong(value), c_ulong(0), c_ulong(0), c_ulong(0)))


def _reduce_slack() -> tuple[str, Callable[[], object]]:
    """Have the system wake this thread when it asked to be, and not up to 50 us later (prctl(2))."""
    was = _prctl(PR_GET_TIMERSLACK, 0)
    _prctl(PR_SET_TIMERSLACK, SLACK_NS)
    return f"{SLACK_NS} ns, was {was} ns", lambda: _prctl(PR_SET_TIMERSLACK, was)


def _go_real_time() -> tuple[str, Callable[[], object]]:
    """Take turns at the lowest real-time priority (sched(7)); whatever we start is ordinary again.

    The display's thread goes along: one that is kept waiting in the middle of a drawing would keep Python's
    interpreter lock, and with it the thread that serves the ports.
    """
    if sys.platform != "linux":
        raise _NotHereError(f"{sys.platform} has no such call that we know of")
    if len(os.sched_getaffinity(0)) < 2:
        raise _NotHereError("one processor only, which a real-time thread could keep from everything else")
    mine = [0, *(one.native_id for one in enumerate_threads() if one.name == DISPLAY and one.native_id)]
    before = [(thread, os.sched_getscheduler(thread), os.sched_getparam(thread)) for thread in mine]
    for thread in mine:
        os.sched_setscheduler(thread, os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY))
    return f"real time, round robin, priority {PRIORITY}", lambda: _schedule(before)


def _schedule(before: list[tuple[int, int, os.sched_param]]) -> None:
    """Go back to a policy; a thread without privileges cannot take SCHED_RESET_ON_FORK off again."""
    if sys.platform != "linux":
        return
    for thread, policy, parameters in before:
        with contextlib.suppress(ProcessLookupError):  # the display is closed before us, maybe
            try:
                os.sched_setscheduler(thread, policy, parameters)
            except PermissionError:
                os.sched_setscheduler(thread, policy | os.SCHED_RESET_ON_FORK, parameters)


def _lock_memory() -> tuple[str, Callable[[], object]]:
    """Keep the process in memory (mlockall(2)).

    What it takes later is locked too only where there is no limit: beyond a limit the system would give the
    process no memory at all, and the run would end by that.
    """
    library = _c_library()
    import resource

    limit, _ = resource.getrlimit(resource.RLIMIT_MEMLOCK)
    flags = MCL_CURRENT | MCL_FUTURE if limit == resource.RLIM_INFINITY else MCL_CURRENT
    _called(library.mlockall(flags))
    told = "locked" if flags & MCL_FUTURE else "locked as it was at the start"
    return told, library.munlockall

"""The harness asks the system to be prompt, tells what was refused, and puts everything back."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import closing
from threading import Event, Thread

import pytest
from far_ends import pty_pair
from test_serial_bench import T

from harness.bench import promptness
from harness.bench.promptness import MEMORY, SCHEDULING, SLACK, Promptness, refusals
from harness.bench.serial import PortSpec, SerialBench

linux = pytest.mark.skipif(sys.platform != "linux", reason="calls that Linux has")


class Library:
    """The C library, as far as it is asked; `refuse` is the errno that a call fails with."""

    def __init__(self) -> None:
        self.refuse: dict[str, int] = {}
        self.slack = 50_000
        self.locked: list[int] = []

    def prctl(self, option: int, value: object, *_: object) -> int:
        if option == promptness.PR_GET_TIMERSLACK:
            return self.slack
        self.slack = value.value  # type: ignore[attr-defined]
        return 0

    def mlockall(self, flags: int) -> int:
        import ctypes

        if "mlockall" in self.refuse:
            ctypes.set_errno(self.refuse["mlockall"])
            return -1
        self.locked.append(flags)
        return 0

    def munlockall(self) -> int:
        self.locked.clear()
        return 0


class System:
    """What the scheduler was asked for."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.refuse = False
        self.policy = os.SCHED_OTHER
        self.policies: dict[int, int] = {}
        monkeypatch.setattr(os, "sched_setscheduler", self.schedule)
        monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1})

    def schedule(self, pid: int, policy: int, _parameters: object) -> None:
        if self.refuse:
            raise PermissionError(1, "Operation not permitted")
        self.policy = self.policies[pid] = policy


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> Library:
    fake = Library()
    monkeypatch.setattr(promptness, "_c_library", lambda: fake)
    return fake


@pytest.fixture
def system(monkeypatch: pytest.MonkeyPatch) -> System:
    return System(monkeypatch)


@pytest.fixture(autouse=True)
def switching() -> Iterator[None]:
    before = sys.getswitchinterval()
    yield
    assert sys.getswitchinterval() == before


@linux
def test_only_slack_and_switching_change_unless_more_is_asked(library: Library, system: System) -> None:
    prompt = Promptness()
    assert prompt.facts == {SLACK: "1 ns, was 50000 ns"}
    assert (library.slack, system.policy, library.locked) == (1, os.SCHED_OTHER, [])
    assert sys.getswitchinterval() == pytest.approx(promptness.SWITCH_S)
    prompt.undo()
    assert library.slack == 50_000


@linux
def test_real_time_is_the_lowest_priority_and_ends_with_what_we_start(
    library: Library, system: System
) -> None:
    prompt = Promptness(real_time=True)
    assert system.policy == os.SCHED_RR | os.SCHED_RESET_ON_FORK
    assert os.sched_get_priority_min(os.SCHED_RR) == promptness.PRIORITY
    assert library.locked
    assert refusals(prompt.facts) == []
    prompt.undo()
    prompt.undo()
    assert (system.policy, library.locked) == (os.SCHED_OTHER, [])


@linux
def test_the_display_goes_along_and_no_other_thread_does(library: Library, system: System) -> None:
    stop = Event()
    threads = {name: Thread(target=stop.wait, name=name) for name in (promptness.DISPLAY, "judging")}
    for thread in threads.values():
        thread.start()
    try:
        prompt = Promptness(real_time=True)
        assert set(system.policies) == {0, threads[promptness.DISPLAY].native_id}
        prompt.undo()
        assert set(system.policies.values()) == {os.SCHED_OTHER}
    finally:
        stop.set()
        for thread in threads.values():
            thread.join()


@linux
@pytest.mark.parametrize(("limit", "flags"), [(8 << 20, 1), (-1, 3)])
def test_memory_to_come_is_locked_only_where_there_is_no_limit(
    library: Library, system: System, monkeypatch: pytest.MonkeyPatch, limit: int, flags: int
) -> None:
    import resource

    monkeypatch.setattr(resource, "getrlimit", lambda _: (limit, limit))
    prompt = Promptness(real_time=True)
    assert library.locked == [flags]
    prompt.undo()


@linux
def test_what_is_refused_is_told_with_its_cost_and_remedy(library: Library, system: System) -> None:
    system.refuse, library.refuse = True, {"mlockall": 12}
    prompt = Promptness(real_time=True)
    scheduling, memory = refusals(prompt.facts)
    assert "real-time scheduling refused: errno 1, Operation not permitted" in scheduling
    assert "milliseconds late" in scheduling
    assert "rtprio 1" in scheduling
    assert "memory locking refused: errno 12" in memory
    assert "memlock unlimited" in memory
    assert not any("\n" in line for line in (scheduling, memory))
    prompt.undo()


@linux
def test_a_machine_with_one_processor_is_not_given_to_a_real_time_thread(
    library: Library, system: System, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0})
    prompt = Promptness(real_time=True)
    assert system.policy == os.SCHED_OTHER
    (line,) = refusals(prompt.facts)
    assert "one processor only" in line
    assert "limits.d" not in line  # nothing that could be permitted
    prompt.undo()


def test_a_system_without_these_calls_is_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    prompt = Promptness(real_time=True)
    assert all(prompt.facts[topic].startswith("refused: win32") for topic in (SLACK, SCHEDULING, MEMORY))
    assert len(refusals(prompt.facts)) == 2  # nobody asked for the slack
    prompt.undo()


@linux
def test_the_machine_itself_gives_the_slack_back() -> None:
    def slack() -> int:
        return promptness._prctl(promptness.PR_GET_TIMERSLACK, 0)

    def run() -> None:  # slack is a thread's own
        before = slack()
        prompt = Promptness()
        seen.append((slack(), prompt.facts[SLACK]))
        prompt.undo()
        seen.append((slack(), before))

    seen: list[tuple[int, object]] = []
    thread = Thread(target=run)
    thread.start()
    thread.join()
    assert seen[0][0] == 1
    assert seen[1][0] == seen[1][1]


@pytest.mark.pty
@linux
def test_the_bench_is_prompt_while_it_is_open(library: Library, system: System) -> None:
    with pty_pair() as (_, near), closing(SerialBench({T: PortSpec(near)}, real_time=True)) as bench:
        assert bench.facts[SCHEDULING].startswith("real time")
        assert library.slack == 1
    assert (library.slack, system.policy) == (50_000, os.SCHED_OTHER)

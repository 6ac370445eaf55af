"""The harness shows a run through a thread, and never waits for a terminal that takes nothing."""

from threading import Event

import pytest
from test_report_live import SNAPSHOT

from harness.report import apart
from harness.report.apart import Apart


class Screen:
    """Keeps what it is told; `stopped` makes every call wait, as a terminal after Ctrl-S."""

    def __init__(self):
        self.told = []
        self.stopped = Event()
        self.stopped.set()
        self.reached = Event()

    def _wait(self):
        self.reached.set()
        self.stopped.wait()

    def update(self, snapshot):
        self._wait()
        self.told.append(snapshot.step_index)

    def say(self, line):
        self._wait()
        self.told.append(line)

    def close(self):
        self.told.append("closed")


@pytest.fixture
def screen():
    found = Screen()
    yield found
    found.stopped.set()


def at(step):
    from dataclasses import replace

    return replace(SNAPSHOT, step_index=step)


def test_tells_everything_by_the_time_it_is_closed(screen):
    shown = Apart(screen)
    for line in ("one", "two", "three"):
        shown.say(line)
    shown.update(at(4))
    shown.close()
    assert [word for word in screen.told if word != 4] == ["one", "two", "three", "closed"]
    assert screen.told[-2:] == [4, "closed"]


def test_a_stopped_terminal_holds_nobody_up(screen):
    shown = Apart(screen)
    screen.stopped.clear()
    shown.say("first")
    assert screen.reached.wait(10)
    for step in range(100):
        shown.update(at(step))
        shown.say(f"line {step}")
    assert screen.told == []  # and we are here all the same
    screen.stopped.set()
    shown.close()
    assert screen.told == ["first", *(f"line {step}" for step in range(100)), 99, "closed"]


def test_a_terminal_that_stays_stopped_is_given_up(screen, monkeypatch):
    monkeypatch.setattr(apart, "LAST_WORDS_S", 0.01)
    shown = Apart(screen)
    screen.stopped.clear()
    shown.say("never seen")
    shown.close()
    shown.close()
    assert screen.told == []


def test_lines_beyond_the_bound_are_counted(screen, monkeypatch):
    monkeypatch.setattr(apart, "LINES_MAX", 3)
    shown = Apart(screen)
    screen.stopped.clear()
    shown.say("first")
    assert screen.reached.wait(10)
    for number in range(10):
        shown.say(str(number))
    screen.stopped.set()
    shown.close()
    assert screen.told == [
        "first", "7 lines were left out: the terminal took none meanwhile", "7", "8", "9", "closed",
    ]  # fmt: skip

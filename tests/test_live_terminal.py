"""The harness draws its view on a real terminal, in real time, and leaves the screen as it found it."""

import fcntl
import os
import re
import signal
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from test_real_time import ROOT, bench, no_signal_ignored  # noqa: F401 - fixtures

termios = pytest.importorskip("termios")
pytestmark = [pytest.mark.pty, pytest.mark.slow]
LABELS = ("step ", "time ", "link ", "delivery ", "latency ", "alarms ")
TOKEN = re.compile(r"\x1b\[(\??)([0-9;]*)([A-Za-z])|([^\x1b])", re.DOTALL)


class Screen:
    """A terminal as far as the view uses one: what stands on it, and whether the cursor is seen (ECMA-48)."""

    def __init__(self):
        self.rows, self.row, self.column, self.has_cursor = [""], 0, 0, True

    def feed(self, text):
        for private, numbers, command, char in TOKEN.findall(text):
            if char:
                self._put(char)
            elif private:
                self.has_cursor = command == "h" if numbers == "25" else self.has_cursor
            elif command == "A":
                self.row = max(0, self.row - int(numbers or 1))
            elif command == "K":
                self.rows[self.row] = ""
            else:
                assert command in "mJH", (numbers, command)

    def _put(self, char):
        if char == "\r":
            self.column = 0
        elif char == "\n":
            self.row, self.column = self.row + 1, 0
            self.rows += [""] * (self.row + 1 - len(self.rows))
        else:
            row = self.rows[self.row].ljust(self.column)
            self.rows[self.row] = row[: self.column] + char + row[self.column + 1 :]
            self.column += 1

    def labels(self):
        return [label for label in LABELS if any(row.startswith(label) for row in self.rows)]


class Watched:
    """A run whose errors and view go to a terminal of some size."""

    def __init__(self, *words, size=(24, 80), term="xterm-256color"):
        self.far, near = os.openpty()
        self.resize(*size)
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": term, "PYTHONIOENCODING": "utf-8"}
        for name in ("COLUMNS", "LINES", "NO_COLOR"):
            environment.pop(name, None)
        command = [sys.executable, "-m", "harness", "run", "plan.yaml", "--rig", "rig.yaml", "--props-off"]
        self.process = subprocess.Popen(
            [*command, "--out", "out", *words], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=near,
            env=environment,
        )  # fmt: skip
        os.close(near)
        self.shown = ""

    def resize(self, rows, columns):
        fcntl.ioctl(self.far, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def read(self):
        """Read on; returns False once the run has closed the terminal."""
        try:
            data = os.read(self.far, 65_536)
        except OSError:
            return False
        self.shown += data.decode(errors="replace")
        return bool(data)

    def wait_for(self, pattern):
        while not re.search(pattern, self.shown, re.DOTALL):
            assert self.read(), self.shown

    def end(self):
        """Read to the end; returns the exit code and the screen."""
        while self.read():
            pass
        self.process.communicate()
        screen = Screen()
        screen.feed(self.shown)
        return self.process.returncode, screen


@pytest.fixture
def watched(bench):  # noqa: F811 - the fixture
    started = []

    def start(*words, **more):
        started.append(Watched(*words, **more))
        return started[-1]

    yield start
    for run in started:
        run.process.kill()
        run.process.wait()
        os.close(run.far)


def test_the_view_comes_and_goes(watched):
    run = watched()
    run.wait_for("3 of 3.*Ctrl-C stops")
    midway = Screen()
    midway.feed(run.shown[: run.shown.rindex("Ctrl-C stops")])
    assert midway.labels() == list(LABELS)
    assert not midway.has_cursor
    code, screen = run.end()
    assert code == 0
    assert screen.has_cursor
    assert screen.labels() == []
    assert any("take the propellers off" in row for row in screen.rows), "what was said stays"


def test_the_screen_is_given_back_when_the_run_is_stopped(watched):
    run = watched()
    run.wait_for("2 of 3")
    run.process.send_signal(signal.SIGINT)
    code, screen = run.end()
    assert code == 5
    assert screen.has_cursor
    assert screen.labels() == []


def test_a_terminal_that_changes_its_size_ends_nothing(watched):
    run = watched()
    run.wait_for("2 of 3")
    for size in ((10, 40), (40, 132), (1, 5), (24, 80)):
        run.resize(*size)
        before = run.shown.count("\x1b[2J")
        while run.shown.count("\x1b[2J") == before:
            assert run.read()
    code, screen = run.end()
    assert (code, screen.has_cursor) == (0, True)


def test_a_terminal_that_goes_away_ends_the_run_as_a_hangup_would_not(watched):
    """Nobody looks any more, but no signal came: the run goes on to its end."""
    run = watched()
    run.wait_for("2 of 3")
    os.close(run.far)
    run.far = os.open(os.devnull, os.O_RDONLY)
    out, _ = run.process.communicate()
    assert run.process.returncode == 0, out
    assert Path("out/verdict.json").exists()


def test_lines_are_shown_where_a_view_cannot_be(watched):
    code, screen = watched(term="dumb").end()
    assert code == 0
    assert screen.labels() == []
    assert any(row.startswith("plan: step 2 of 3: ") for row in screen.rows)

"""The harness shows how a run goes without getting in its way."""

import io
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from report_samples import HOSTILE
from rich.cells import cell_len
from view_samples import FAILSAFE

from harness.clock import MS, S, VirtualClock
from harness.report.live import (
    ALARM_LINES_MAX,
    LINE_EVERY_NS,
    REFRESH_NS,
    STEP_LINES_MAX,
    LiveView,
    PlainLines,
    Quiet,
    SaidOnly,
    progress_for,
)
from harness.report.snapshot import Alarm, Snapshot

COMMAND = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
COLOUR = re.compile(r"\x1b\[(?:[0-9]+;)*(?:3[0-7]|9[0-7])(?:;[0-9]+)*m")

SNAPSHOT = Snapshot(
    plan="first-look",
    step_path="steps[2]",
    step_title="sweep every channel",
    step_index=2,
    steps_total=12,
    elapsed_ns=20 * S,
    left_ns=61 * S,
    packets_sent=1000,
    packets_applied=998,
    recent_delivery=(199, 200),
    link_state="linked",
)


def plain(shown):
    """Return what was written without terminal commands."""
    return COMMAND.sub("", shown)


class Terminal(io.StringIO):
    def isatty(self):
        return True


class Gone(io.StringIO):
    """A stream whose reader has left."""

    def __init__(self):
        super().__init__()
        self.tries = 0

    def write(self, text):
        self.tries += 1
        raise BrokenPipeError

    def isatty(self):
        return True


@pytest.fixture
def clock():
    return VirtualClock(10**15)


@pytest.fixture(autouse=True)
def _ordinary_terminal(monkeypatch):
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLUMNS", "80")
    for name in ("NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE", "TTY_INTERACTIVE"):
        monkeypatch.delenv(name, raising=False)


class TestPlainLines:
    def test_writes_a_line_as_each_step_begins(self, clock):
        out = io.StringIO()
        lines = PlainLines(clock, out)
        for index in (2, 2, 3):
            lines.update(replace(SNAPSHOT, step_index=index))
        assert out.getvalue() == (
            "first-look: step 3 of 12: sweep every channel, 1:01 left\n"
            "first-look: step 4 of 12: sweep every channel, 1:01 left\n"
        )

    def test_writes_how_it_goes_every_ten_seconds(self, clock):
        out = io.StringIO()
        lines = PlainLines(clock, out)
        for _ in range(25):
            lines.update(SNAPSHOT)
            clock.sleep_until_ns(clock.now_ns() + S)
        assert out.getvalue().splitlines()[1:] == 2 * [
            "first-look: step 3 of 12: sweep every channel: 1:01 left, link linked, "
            "1000 packets sent, 998 applied, recently 99.5 %"
        ]

    def test_tells_nothing_of_delivery_before_the_first_packet(self, clock):
        out = io.StringIO()
        lines = PlainLines(clock, out)
        lines.update(replace(SNAPSHOT, recent_delivery=(0, 0), note="waiting"))
        clock.sleep_until_ns(clock.now_ns() + LINE_EVERY_NS)
        lines.update(replace(SNAPSHOT, recent_delivery=(0, 0), note="waiting", left_ns=3723 * S))
        assert out.getvalue().endswith("1:02:03 left, link linked, 1000 packets sent, 998 applied, waiting\n")

    def test_does_not_flood_a_log_with_thousands_of_steps(self, clock):
        out = io.StringIO()
        lines = PlainLines(clock, out)
        for index in range(10_000):
            lines.update(replace(SNAPSHOT, step_index=index))
        assert len(out.getvalue().splitlines()) == STEP_LINES_MAX

    def test_escapes_what_it_is_told(self, clock):
        out = io.StringIO()
        lines = PlainLines(clock, out)
        lines.say(HOSTILE)
        lines.update(replace(SNAPSHOT, plan=HOSTILE, step_title=HOSTILE, note=HOSTILE))
        assert all(line.isprintable() for line in out.getvalue().splitlines())
        assert len(out.getvalue().splitlines()) == 2

    def test_goes_quiet_when_nobody_listens(self, clock):
        gone = Gone()
        lines = PlainLines(clock, gone)
        lines.say("a")
        lines.say("b")
        assert gone.tries == 1

    def test_tells_an_alarm_once_as_it_begins_and_once_as_it_ends(self, clock):
        out = io.StringIO()
        lines = PlainLines(clock, out)
        on = Alarm(4, "link lost, and no cut is on", 31 * S)
        for alarms in (
            (),
            (on,),
            (on,),
            (replace(on, ended_ns=33 * S),),
            (replace(on, ended_ns=33 * S),),
            (),
        ):
            lines.update(replace(SNAPSHOT, alarms=alarms))
        assert out.getvalue().splitlines()[1:] == [
            "ALARM at 0:31: link lost, and no cut is on",
            "over after 2.0 s: link lost, and no cut is on",
        ]

    def test_tells_a_short_alarm_that_was_over_before_anybody_looked(self, clock):
        out = io.StringIO()
        lines = PlainLines(clock, out)
        lines.update(replace(SNAPSHOT, alarms=(Alarm(1, "late", S, 2 * S),)))
        assert len(out.getvalue().splitlines()) == 3

    def test_does_not_flood_a_log_with_alarms(self, clock):
        out = io.StringIO()
        lines = PlainLines(clock, out)
        for number in range(1, 10_000):
            lines.update(replace(SNAPSHOT, alarms=(Alarm(number, "late", number * S),)))
        told = out.getvalue().splitlines()[1:]
        assert len(told) == ALARM_LINES_MAX
        assert told[-1].endswith("; further alarms are only counted")

    def test_tells_all_that_is_known_every_ten_seconds(self, clock):
        out = io.StringIO()
        lines = PlainLines(clock, out)
        for _ in range(2):
            lines.update(replace(FAILSAFE, alarms=()))
            clock.sleep_until_ns(clock.now_ns() + LINE_EVERY_NS)
        assert out.getvalue().splitlines()[-1] == (
            "first-look: step 12 of 14 (2 of 8): link cut for 700 ms: at most 0:13 left, "
            "link failsafe for 0.4 s, 1536 packets sent, 1535 applied, recently 99.6 %, "
            "latency 0.6 ms +- 0.9, round 1 of at most 8, until look 1 of 4, alarms so far: 2"
        )


class TestLiveView:
    def test_shows_step_time_packets_and_link(self, clock):
        out = Terminal()
        view = LiveView(clock, out)
        view.update(SNAPSHOT)
        shown = plain(out.getvalue())
        assert "3 of 12: sweep every channel" in shown
        assert "0:20 gone, 1:01 left" in shown
        assert "link        linked for 0.0 s" in shown
        assert "1000 sent,    998 applied" in shown
        view.close()

    def test_draws_no_more_often_than_eight_times_a_second(self, clock):
        out = Terminal()
        view = LiveView(clock, out)
        drawn = 0
        for _ in range(1000):
            before = out.tell()
            view.update(SNAPSHOT)
            drawn += out.tell() != before
            clock.sleep_until_ns(clock.now_ns() + MS)
        assert drawn == S // REFRESH_NS == 8
        view.close()

    def test_says_lines_above_the_display(self, clock):
        out = Terminal()
        view = LiveView(clock, out)
        view.update(SNAPSHOT)
        view.say("the receiver [bold]restarted[/bold]")
        assert "the receiver [bold]restarted[/bold]" in out.getvalue()
        view.close()

    def test_keeps_hostile_text_from_the_terminal(self, clock):
        out = Terminal()
        view = LiveView(clock, out)
        view.update(replace(SNAPSHOT, plan=HOSTILE, step_title=HOSTILE, note=HOSTILE))
        view.say(HOSTILE)
        view.close()
        shown = out.getvalue()
        assert "\x1b[2J" not in shown
        assert "\x1b]0;x" not in shown
        assert "\u202e" not in shown
        assert "\\x1b[2J[bold]a[/bold]" in shown

    def test_gives_the_terminal_back(self, clock):
        out = Terminal()
        view = LiveView(clock, out)
        view.update(SNAPSHOT)
        view.close()
        view.close()
        shown = out.getvalue()
        assert shown.rindex("\x1b[?25h") > shown.rindex("\x1b[?25l"), "the cursor stays hidden"
        view.update(SNAPSHOT)
        view.say("late")
        assert out.getvalue() == shown

    def test_writes_nothing_when_closed_before_it_began(self, clock):
        out = Terminal()
        LiveView(clock, out).close()
        assert "first-look" not in out.getvalue()

    def test_goes_quiet_when_nobody_looks(self, clock):
        view = LiveView(clock, Gone())
        view.update(SNAPSHOT)
        view.say("x")
        view.close()

    @pytest.mark.parametrize("first", ["say", "close"])
    def test_goes_quiet_whatever_comes_first(self, clock, first, monkeypatch):
        out = Terminal()
        view = LiveView(clock, out)
        view.update(SNAPSHOT)
        monkeypatch.setattr(out, "write", Gone().write)
        view.say("x") if first == "say" else view.close()
        clock.sleep_until_ns(clock.now_ns() + S)
        view.update(SNAPSHOT)
        view.say("y")
        view.close()

    def test_survives_a_run_without_length(self, clock):
        out = Terminal()
        view = LiveView(clock, out)
        view.update(replace(SNAPSHOT, elapsed_ns=0, left_ns=0, link_state="odd"))
        assert "·" * 30 in out.getvalue()
        view.close()

    def test_draws_in_colour_only_where_it_is_wanted(self, clock, monkeypatch):
        shown = []
        for word in ("", "1"):
            monkeypatch.setenv("NO_COLOR", word)
            out = Terminal()
            view = LiveView(clock, out)
            view.update(FAILSAFE)
            shown.append(out.getvalue())
            view.close()
        assert COLOUR.search(shown[0])
        assert not COLOUR.search(shown[1])
        assert plain(shown[0]) == plain(shown[1]), "a colour says what no shape says"

    def test_uses_what_its_stream_can_encode(self, clock):
        raw = io.BytesIO()

        class Ascii(io.TextIOWrapper):
            def isatty(self):
                return True

        view = LiveView(clock, Ascii(raw, encoding="ascii", write_through=True))
        view.update(FAILSAFE)
        assert b"%%%%" in raw.getvalue()
        view.close()

    def test_follows_the_terminal_s_size(self, clock, monkeypatch):
        """After a change nobody knows where the old lines are: all is cleared (ECMA-48, 8.3.39, ED)."""
        out = Terminal()
        view = LiveView(clock, out)
        for columns, lines in (("80", "24"), ("40", "10"), ("120", "40"), ("7", "2"), ("0", "0")):
            monkeypatch.setenv("COLUMNS", columns)
            monkeypatch.setenv("LINES", lines)
            clock.sleep_until_ns(clock.now_ns() + S)
            before = out.tell()
            view.update(FAILSAFE)
            drawn = out.getvalue()[before:]
            assert ("\x1b[2J" in drawn) == (columns != "80")
            width = int(columns) or 80
            assert max(cell_len(line) for line in plain(drawn).splitlines()) <= width
        view.close()

    def test_is_due_when_it_would_draw(self, clock):
        view = LiveView(clock, Terminal())
        assert view.is_due()
        view.update(SNAPSHOT)
        assert not view.is_due()
        clock.sleep_until_ns(clock.now_ns() + REFRESH_NS)
        assert view.is_due()
        view.close()


@pytest.mark.parametrize(
    ("stream", "term", "show", "kind"),
    [
        (Terminal, "xterm-256color", None, LiveView),
        (Terminal, "dumb", None, PlainLines),
        (Terminal, "unknown", None, PlainLines),
        (io.StringIO, "xterm-256color", None, PlainLines),
        (Terminal, "xterm-256color", "lines", PlainLines),
        (Terminal, "xterm-256color", "nothing", SaidOnly),
        (Terminal, "xterm-256color", "view", LiveView),
    ],
)
def test_suits_its_stream_or_what_was_asked_for(clock, monkeypatch, stream, term, show, kind):
    monkeypatch.setenv("TERM", term)
    assert type(progress_for(stream(), clock, show)) is kind


def test_shows_nothing_but_what_is_said(clock):
    out = io.StringIO()
    shown = SaidOnly(clock, out)
    shown.update(FAILSAFE)
    shown.say("set the attenuator to 10 dB")
    shown.close()
    assert out.getvalue() == "set the attenuator to 10 dB\n"
    assert not shown.looks


def test_can_be_quiet(capfd):
    quiet = Quiet()
    quiet.update(SNAPSHOT)
    quiet.say("x")
    quiet.close()
    assert capfd.readouterr() == ("", "")


def test_loads_the_terminal_library_only_for_a_terminal():
    program = "import sys, harness.report.live; print('rich' in sys.modules)"
    root = str(Path(__file__).parents[2])
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=root
    )
    assert done.stdout == "False\n"

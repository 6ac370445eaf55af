"""The harness tells of a soak round by round: figures, trends, and the longest gaps of all hours."""

from dataclasses import replace

import numpy as np
import pytest

from harness.account import soak
from harness.account.soak import Hours, account
from harness.clock import MS, S
from harness.measure.arrays import ints
from harness.measure.hours import RoundFigures
from harness.measure.pacing import ControlGaps
from harness.measure.spans import Span

ONE = RoundFigures(1, 0, 300 * S, 15_000, 14_900, 100, 2 * MS, 60 * MS, 45 * MS, 1024, 40.0)


def rounds(count):
    return [
        replace(ONE, number=number + 1, start_ns=number * 300 * S, end_ns=(number + 1) * 300 * S,
                latency_ns=2 * MS + number * 1000)
        for number in range(count)
    ]  # fmt: skip


class Evidence:
    def __init__(self, run):
        self.run = run


@pytest.fixture
def hours(monkeypatch):
    """Hours of a link at 50 Hz, with gaps as the test says."""
    told = Hours(20 * MS)

    def take(where, *gaps_ms, doubtful=()):
        gaps = ints(gaps_ms) * MS
        found = ControlGaps(gaps, gaps * 0, ints(range(len(gaps))) * S, np.isin(gaps_ms, doubtful))
        monkeypatch.setattr(soak, "control_gaps", lambda _evidence: found)
        told.take(where, Evidence(Span(0, 300 * S)))

    told.add = take
    return told


def grid(section, title):
    return next(one for one in section.grids if one.title == title)


def test_each_round_has_a_line_with_its_figures_and_its_verdict(hours):
    told = grid(account(rounds(3), ["pass", "fail", "pass"], hours), "Round by round")
    assert [row[0] for row in told.rows] == ["1", "2", "3"]
    assert told.rows[1][2:] == (15_000, 100, 2.001, 60, 1024, "fail")
    assert told.rows[2][1] == pytest.approx(1 / 6, abs=1e-3)


def test_many_rounds_share_lines_and_the_worst_verdict_stands(hours):
    verdicts = ["pass"] * 300
    verdicts[171] = "fail"
    told = grid(account(rounds(300), verdicts, hours), "Round by round")
    assert len(told.rows) <= soak.MOST_ROWS
    assert told.rows[0][0] == "1-7"
    assert sum(row[2] for row in told.rows) == 300 * 15_000
    assert [row[0] for row in told.rows if row[-1] == "fail"] == ["169-175"]
    assert "7 rounds in each line" in told.note


def test_trends_are_slopes_an_hour(hours):
    told = grid(account(rounds(24), ["pass"] * 24, hours), "Trends")
    latency = told.rows[0]
    assert latency[:2] == ("median latency us", pytest.approx(12))  # 1 us a round, 12 rounds an hour
    assert latency[4] == 1
    assert told.rows[2][1:4] == (0, 0, 0)


def test_figures_that_no_round_has_are_left_empty(hours):
    bare = [replace(one, free_memory=None, latency_ns=None, age_ns=None) for one in rounds(5)]
    told = grid(account(bare, ["pass"] * 5, hours), "Trends")
    assert told.rows[0][1:] == (None, None, None, None, None, 0)


def test_rare_stalls_are_counted_and_named_over_all_hours(hours):
    hours.add("round 1 at 0:00:00", 20, 61, 40, 20)
    hours.add("round 2 at 0:05:00", 20, 350, 101, 700, doubtful=(700,))
    hours.add("round 3 at 0:10:00", 20, 20)
    section = account(rounds(3), ["pass"] * 3, hours)
    assert [row[2] for row in grid(section, "Gaps longer than").rows] == [3, 2, 1, 0]
    assert grid(section, "Gaps longer than").rows[2][3] == pytest.approx(4)  # one in a quarter of an hour
    longest = grid(section, "Longest gaps").rows
    assert longest[:2] == ((350, "round 2 at 0:05:00", 1), (101, "round 2 at 0:05:00", 2))
    assert len(longest) == soak.LONGEST


def test_a_soak_without_any_round_tells_nothing_and_does_not_stumble(hours):
    section = account([], [], hours)
    assert section.key == "soak"
    assert grid(section, "Round by round").rows == ()

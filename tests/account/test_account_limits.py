"""The harness shows every trial, the longest bursts and every recovery in one section."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import RUN_NS, RX, Reset, Scenario, drop_every, plan_for

from harness.account.limits import MOST_ROWS, account
from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure.evidence import gather
from harness.plan import model as p
from harness.recording.model import Mark

RATES = p.FindThroughput(from_mhz=20_000, to_mhz=52_000)
BURSTS = p.FindBackToBack(up_to=8, method="RFC 9004")


def section(*trials, action=RATES, flagged=(), lost=(), live="good", seconds=14.0, reduced_ms=0, **fields):
    steps = [p.PlanStep(action=action, name="go", path="steps[0]")]
    link = Scenario(
        plan=plan_for(steps=steps),
        seconds=seconds,
        in_burst=lambda packet: packet.index in flagged,
        lost=lambda packet: packet.index in lost,
        **fields,
    )
    for number, about in enumerate(trials, start=1):
        start = RUN_NS + number * 1100 * MS + 5 * MS
        common = {"path": "steps[0]", "number": number}
        link.marks.append(Mark(start, "trial", {"what": "final", **common, **about}))
        if reduced_ms:
            link.marks.append(Mark(start + reduced_ms * MS, "reduced", common))
        link.marks.append(Mark(start + S, "trial end", common))
        link.marks.append(Mark(start + S, "trial result", {"outcome": live, **common}))
    return account(gather(link.plan, link.recording()))


def figures(found):
    return {figure.name: figure for figure in found.figures}


def test_tells_nothing_of_a_run_without_trials_and_restarts():
    assert section() is None


def test_shows_each_rate_with_its_loss_and_what_came_of_it():
    found = section({"rate_mhz": 50_000}, {"what": "search", "rate_mhz": 51_000}, lost={25 + 110 + 20})
    (grid,) = found.grids
    assert [row[1:] for row in grid.rows] == [
        ("final", 50.0, 50.0, 50, 0, 0.0, None, "good"),
        ("search", 51.0, 50.0, 50, 1, 2.0, None, "lossy"),
    ]
    throughput = figures(found)["throughput"]
    assert (throughput.value, throughput.interval, throughput.unit) == (50.0, (50.0, 51.0), "Hz")
    share = figures(found)["delivery at that rate"]
    assert share.value == 100.0
    assert 0 < share.interval[0] < 95
    assert "Method: practical" in found.notes[0]


def test_explains_what_trials_came_to_that_say_nothing_or_were_too_slow():
    words = " ".join(section({"rate_mhz": 60_000}).notes)
    assert "slow: the transmitter sent fewer packets" in words
    assert "void:" not in words
    words = " ".join(section({"rate_mhz": 50_000}, drop=drop_every(RX, 30, wire.Applied)).notes)
    assert "void: serial messages are missing" in words
    assert "slow:" not in words


@pytest.mark.parametrize("lost", [False, True])
def test_says_that_there_was_nothing_to_recover_from(lost):
    fields = {"what": "overload", "rate_mhz": 50_000}
    found = section(
        fields, action=p.Overload(rate_mhz=50_000), lost={25 + 55 + 5} if lost else (), reduced_ms=500
    )
    assert ("No packet was lost in 1 overload: there was nothing to recover from." in found.notes) is not lost


def test_says_where_the_record_differs_from_what_was_thought():
    found = section({"rate_mhz": 50_000}, lost={25 + 55 + 20})
    assert found.notes[1].startswith("1 of 1 trials came out otherwise on record")
    assert "(trial 1: lossy)" in found.notes[1]


def test_shows_bursts_with_the_buffer_times_of_rfc_9004():
    flagged = {25 + 55 * number + 10 + place for number in (1, 2) for place in range(8)}
    trials = [{"what": "burst", "count": 8, "repeat": number} for number in (1, 2)]
    found = section(*trials, action=BURSTS, flagged=flagged)
    shown = figures(found)
    assert shown["longest burst, mean"].value == 8.0
    assert shown["back-to-back rate"].value == pytest.approx(50.0)
    assert shown["implied buffer time"].value == pytest.approx(8 / 50 * 1000)
    assert "corrected buffer time" not in shown
    (grid,) = found.grids
    assert [row[:2] for row in grid.rows] == [(1, 8), (2, 8)]
    assert "Method: RFC 9004" in found.notes[0]


def test_shows_recoveries():
    action = p.Restart(device=RX)
    found = section(action=action, resets=[Reset(RX, RUN_NS + S, 100 * MS)])
    (grid,) = found.grids
    (row,) = grid.rows
    assert row[0] == "receiver restart"
    assert 100 < row[1] < 125
    assert found.notes == ()


def test_a_table_has_an_end():
    trials = [{"rate_mhz": 50_000}] * (MOST_ROWS + 3)
    found = section(*trials, action=BURSTS, seconds=5.0)  # whose plan can have so many
    assert len(found.grids[0].rows) == MOST_ROWS
    assert found.grids[0].note == "3 more are not shown"

"""The age section tells mean, percentiles and time above of a link whose truth is known."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import RX, TX, Scenario, drop_every

from harness.account.age import account
from harness.codec import messages as wire
from harness.measure import gather


def told(**fields):
    scenario = Scenario(**fields)
    section = account(gather(scenario.plan, scenario.recording()))
    return section, {figure.name: figure for figure in section.figures}


def test_section_tells_the_saw_tooth():
    """2 ms of latency, a packet every 20 ms."""
    section, figures = told(seconds=16.0)
    expected = {"mean": 12, "p50 of the time": 12, "p95 of the time": 21, "p99 of the time": 21.8, "most": 22}
    assert {name: figures[name].value for name in expected} == pytest.approx(expected, abs=0.2)
    assert figures["mean peak"].value == pytest.approx(22, abs=0.2)
    for name in ("mean", "p50 of the time", "p95 of the time"):
        low, high = figures[name].interval
        assert low < figures[name].value < high
    assert [row[0] for row in section.grids[0].rows] == [2, 5]
    assert [row[2] for row in section.grids[0].rows] == [0, 0]
    assert len(section.notes) == 1


def test_section_tells_how_long_control_was_older_than_some_periods():
    """Of 40 packets 8 are lost in a row, so up to 182 ms: above 40 ms for 142 ms, above 100 ms for 82 ms."""
    section, figures = told(lost=lambda packet: packet.index % 40 < 8, seconds=16.0)
    assert [row[2] for row in section.grids[0].rows] == pytest.approx([20 * 0.142, 20 * 0.082], rel=0.03)
    assert section.grids[0].rows[0][3] == pytest.approx(100 * 0.142 / 0.8, rel=0.03)
    assert figures["most"].value == pytest.approx(182, abs=0.2)


def test_section_says_where_reports_are_missing():
    section, _ = told(drop=drop_every(RX, 25, wire.Applied))
    assert "may have been younger" in section.notes[1]


def test_a_link_that_never_came_up_grows_old_from_the_first_packet_sent():
    """It is sent 0.5 s before the first of 4 s."""
    _, figures = told(lost=lambda _: True)
    assert figures["most"].value == pytest.approx(4500, abs=1)
    assert figures["mean"].value == pytest.approx(2500, abs=1)


def test_a_run_without_a_packet_has_no_section():
    assert told_nothing() is None


def told_nothing():
    scenario = Scenario(drop=lambda role, place, message: role == TX)
    return account(gather(scenario.plan, scenario.recording()))


def test_section_says_what_is_left_out():
    section, _ = told()
    assert section.notes == ("Cuts, commanded restarts and steps that lose packets on purpose are left out.",)

"""The section on delivery tells counts, and limits with and without allowing for bursts."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import RUN_NS, RX, TX, Scenario, drop_every, plan_for

from harness.account.delivery import account
from harness.clock import S
from harness.measure import gather
from harness.plan import model as p
from harness.recording.model import Mark
from harness.stats.binomial import clopper_pearson_lower, clopper_pearson_upper
from harness.stats.bursts import limits


def told(**fields):
    scenario = Scenario(**fields)
    section = account(gather(scenario.plan, scenario.recording()))
    return section, {figure.name: figure for figure in section.figures}


def in_bursts(packet):
    return packet.index % 200 in (50, 51, 52)


def test_counts_are_those_of_the_run():
    """Every 200th packet begins a burst of three: four bursts in 800 packets."""
    section, figures = told(seconds=16.0, lost=in_bursts)
    assert section.key == "delivery"
    values = {name: figure.value for name, figure in figures.items()}
    assert values["applied in time"] == pytest.approx(100 * 788 / 800)
    assert (values["lost or late"], values["bursts of lost packets"]) == (12, 4)
    assert (values["mean burst length"], values["longest burst"]) == (3, 3)
    assert 150 < values["effective packets"] < 300
    assert "poorly" in section.notes[0]


def test_both_kinds_of_limits_stand_side_by_side():
    section, figures = told(seconds=16.0, lost=in_bursts)
    grid = section.grids[0]
    assert [row[0] for row in grid.rows] == [90, 95, 99]
    for row in grid.rows:
        lower, upper = limits(800, 12, 4, row[0] / 100)
        naive = clopper_pearson_lower(788, 800, row[0] / 100), clopper_pearson_upper(788, 800, row[0] / 100)
        assert row[1:] == pytest.approx([100 * end for end in (float(lower), float(upper), *naive)])
        assert row[1] < row[3] < row[4] < row[2]
    assert figures["applied in time"].interval == grid.rows[1][1:3]


def test_without_a_loss_the_assumption_is_told():
    section, figures = told(seconds=8.0)
    assert figures["applied in time"].value == 100
    assert figures["mean burst length"].value is None
    assert "3 packets are assumed" in section.notes[0]


def test_unknown_packets_widen_the_limits():
    _, sound = told(seconds=8.0)
    _, gaps = told(seconds=8.0, drop=drop_every(RX, 20))
    assert gaps["of unknown fate"].value > 0
    assert gaps["lost or late"].value == 0
    assert gaps["applied in time"].interval[0] < sound["applied in time"].interval[0]
    assert gaps["applied in time"].interval[1] == 100


def test_a_run_without_packets_has_no_section():
    scenario = Scenario(seconds=0.0, pings=False, drop=lambda role, *_: role == TX)
    assert account(gather(scenario.plan, scenario.recording())) is None


def by_step(*ends_s, **fields):
    """The table by step of a run with steps that end at these times."""
    steps = [
        p.PlanStep(action=p.Settle(for_ns=S), name=f"part {n}", path=f"steps[{n}]")
        for n in range(len(ends_s))
    ]
    link = Scenario(plan=plan_for(steps=steps), seconds=ends_s[-1], **fields)
    start = 0.0
    for step, end in zip(steps, ends_s, strict=True):
        link.marks.append(
            Mark(RUN_NS + int(start * S), "step", {"path": step.path, "name": step.name, "kind": "settle"})
        )
        link.marks.append(Mark(RUN_NS + int(end * S), "step end", {"path": step.path}))
        start = end
    section = account(gather(link.plan, link.recording()))
    return next(grid for grid in section.grids if grid.title == "By step")


def test_steps_with_hardly_a_packet_are_left_out_of_the_table():
    grid = by_step(4, 4.15, 8, lost=lambda packet: packet.index == 90)
    assert [row[0] for row in grid.rows] == ["part 0", "part 2"]
    assert "Steps with fewer than 10 packets are left out: 1." in grid.note
    grid = by_step(4, 4.25, 8)
    assert len(grid.rows) == 3
    assert "left out: " not in grid.note


def test_the_burst_that_is_assumed_without_a_loss_is_told_for_steps_too():
    told = "Where no loss was seen, bursts of 3 packets are assumed."
    assert told in by_step(4, 8, lost=lambda packet: packet.index == 90).note
    assert told not in by_step(4, 8, lost=lambda packet: packet.index % 40 == 20).note

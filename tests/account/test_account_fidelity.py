"""The harness shows each channel's line, values, mixing, glitches and noise beside the verdicts."""

import json
import sys
from dataclasses import asdict
from pathlib import Path
from random import Random

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import RUN_NS, RX, TX, Scenario, drop_every, plan_for

from harness.account.fidelity import account
from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.plan import model as p

REST = p.PlanStep(action=p.OwnSticks(for_ns=10 * S), name="rest", path="steps[0]")


def section(scenario=None, **fields):
    scenario = scenario or Scenario(**fields)
    return account(gather(scenario.plan, scenario.recording()))


def grids(found):
    return {grid.title: grid for grid in found.grids}


def column(grid, head):
    return [row[grid.heads.index(head)] for row in grid.rows]


def mixed(_, out):
    return (out[0], out[1] + round(0.05 * (out[0] - 1500)), out[2] + 4, min(out[3], 1800))


def test_the_truth_of_each_channel_is_shown():
    found = grids(section(shown=mixed, seconds=10.0))
    lines, values = found["Each channel's line"], found["Each channel's values"]
    assert column(lines, "channel") == ["throttle", "roll", "tail", "camera"]
    assert column(lines, "offset us")[2] == 4.0
    assert column(lines, "gain")[:3:2] == [1.0, 1.0]
    assert column(lines, "worst us") == [0, 25, 4, -200]
    assert column(values, "clipped at us") == [None, None, None, "1800"]
    assert column(values, "values sent")[0] == column(values, "values shown")[0] == 143


def test_cross_talk_stands_in_its_own_cell():
    grid = grids(section(shown=lambda _, out: (out[0], out[1] + round(0.05 * (out[0] - 1500)), *out[2:])))[
        "How much of each stick each output shows"
    ]
    assert grid.heads == ("output", "throttle", "roll", "tail", "camera")
    assert grid.rows[1][1:] == (0.05, 1.0, 0.0, 0.0)
    assert [row[1:] for row in grid.rows[::3]] == [(1.0, 0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 1.0)]


def test_sticks_that_did_not_move_by_themselves_are_not_told():
    found = grids(section(sticks=lambda place: (1000 + place % 900, 1500, 1000 + place * 13 % 1001, 1200)))
    grid = found["How much of each stick each output shows"]
    assert grid.rows[0] == ("throttle", 1.0, "not told", 0.0, "not told")
    assert "roll, camera did not move enough by itself to tell" in grid.note
    assert column(found["Each channel's values"], "monotonic")[1] == "never moved"


def test_values_that_never_came_are_listed_as_runs():
    found = grids(section(shown=lambda _, out: (out[0], out[1] // 8 * 8, *out[2:])))
    rows = found["Values that never came out"].rows
    assert {row[0] for row in rows} == {"roll"}
    assert len(rows) == 5
    assert "more runs" in found["Values that never came out"].note


def test_a_glitch_stands_between_its_neighbours():
    scenario = Scenario(sticks=lambda _: (1100, 1500, 1500, 1500))
    scenario.change(wire.OutputReason.OTHER, (1700, 1500, 1500, 1500), RUN_NS + S + 5 * MS)
    (row,) = grids(section(scenario))["Glitches"].rows
    assert row[1:] == ("change", "throttle", "1100 (packet 75)", "1700", "1100 (packet 76)")
    assert row[0] == pytest.approx(1.005, abs=1e-3)


def test_noise_at_rest_is_shown_with_its_interval_and_what_cannot_be_told():
    chance = Random(4)
    scenario = Scenario(
        plan=plan_for(steps=[REST]), own=lambda _: True, seconds=10.0,
        sticks=lambda _: (1000, 1500 + round(chance.gauss(0, 5)), 1500, 1500),
    )  # fmt: skip
    found = grids(section(scenario))
    assert list(found) == ["The transmitter's own sticks at rest", "Mains hum in them"]
    rest, hum = found.values()
    low, rms, high = (column(rest, head)[1] for head in ("at least", "RMS us", "at most"))
    assert low < rms < high
    assert rms == pytest.approx(5, rel=0.2)
    assert column(hum, "50 Hz us") == ["not told"] * 4
    assert "50 Hz shows as 0.00 Hz" in hum.note
    assert "60 Hz cannot be told from 10.00 Hz" in hum.note


def test_a_run_without_packets_has_no_section():
    assert section(drop=lambda role, place, message: isinstance(message, wire.Applied)) is None


@pytest.mark.parametrize("role", [TX, RX])
def test_serial_losses_change_no_line(role):
    lines = grids(section(drop=drop_every(role, 3)))["Each channel's line"]
    assert column(lines, "gain") == [1.0] * 4
    assert column(lines, "worst us") == [0] * 4


def test_every_cell_can_be_written_as_json():
    json.dumps(asdict(section(shown=mixed)), allow_nan=False)
    json.dumps(asdict(section(shown=lambda _, out: out[:2])), allow_nan=False)

"""The section on losses tells what was put into the run."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import RX, Scenario

from harness.account.losses import account
from harness.codec import messages as wire
from harness.measure.evidence import gather


def section(**fields):
    scenario = Scenario(**fields)
    return account(gather(scenario.plan, scenario.recording()))


def figures(found):
    return {figure.name: figure for figure in found.figures}


def test_a_clean_run_tells_its_packets_and_nothing_more():
    found = section(seconds=4.0)
    assert found.key == "losses"
    assert {name: figure.value for name, figure in figures(found).items()} == {
        "packets": 200, "lost": 0, "loss ratio": 0.0,
    }  # fmt: skip
    assert found.grids == ()


def test_runs_and_their_lengths_are_counted():
    found = section(seconds=20.0, lost=lambda packet: packet.index in (100, 200, 201, 300, 400, 401, 402))
    told = figures(found)
    assert (told["lost"].value, told["loss periods"].value, told["longest run"].value) == (7, 4, 3)
    assert told["longest gap over losses"].value == pytest.approx(80, abs=0.1)
    assert [row[:2] for row in found.grids[0].rows] == [(1, 2), (2, 1), (3, 1)]
    assert told["a burst ends"].value == pytest.approx(100 * 4 / 7)
    low, high = told["a burst ends"].interval
    assert low < 100 * 4 / 7 < high
    assert "too few" in found.notes[1]


def test_losses_in_step_are_told_with_their_period():
    found = section(seconds=60.0, lost=lambda packet: packet.index % 50 == 7)
    told = figures(found)
    assert told["period"].value == pytest.approx(1000, abs=1)
    assert told["period in packets"].value == pytest.approx(50, abs=0.1)
    assert told["rhythm p"].value < 1e-6
    assert "in step" in found.notes[-1]


def test_clustered_losses_are_told():
    found = section(seconds=60.0, lost=lambda packet: packet.index % 200 < 5)
    told = figures(found)
    assert told["chance of as few runs"].value < 1e-3
    assert told["burst ratio"].value == pytest.approx(5 * (1 - 0.025), rel=0.05)
    assert any("cluster" in note for note in found.notes)
    lags = next(grid for grid in found.grids if grid.title.startswith("Losses this many"))
    assert lags.rows[0][2] == "beyond"


def test_unknown_packets_are_counted_apart():
    def drop(role, place, message):
        return role == RX and isinstance(message, wire.Applied) and message.packet in (75, 76)

    assert figures(section(drop=drop))["of unknown fate"].value == 2


def independent(seed):
    generator = np.random.default_rng(seed)
    gone = set(np.flatnonzero(generator.random(4000) < 0.03).tolist())
    return section(seconds=60.0, lost=lambda packet: packet.index in gone)


def beyond(found):
    lags = next(grid for grid in found.grids if grid.title.startswith("Losses this many"))
    return sum(row[2] == "beyond" for row in lags.rows)


def test_what_is_said_of_independence_agrees_with_the_lags_shown():
    """Independent losses: one lag of 20 is beyond its band by chance, all ten together 1 run of 20."""
    found = [independent(seed) for seed in range(12)]
    assert {beyond(one) > 0 for one in found} == {True, False}
    for one in found:
        assert any("nothing speaks against" in note for note in one.notes) is (beyond(one) == 0)
    assert sum(any("may not be independent" in note for note in one.notes) for one in found) <= 2


def test_losses_at_a_fixed_distance_are_told_by_their_lag():
    """Each loss brings another four packets later: seldom two in a row, yet far from independent."""
    generator = np.random.default_rng(3)
    first = np.flatnonzero(generator.random(4000) < 0.02)
    gone = set(first.tolist()) | set((first + 4).tolist())
    found = section(seconds=60.0, lost=lambda packet: packet.index in gone)
    assert any(note.startswith("losses 4 packets apart come") for note in found.notes)

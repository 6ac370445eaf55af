"""The harness tells the levels of a margin step, and what the margin would mean for range."""

from __future__ import annotations

import sys
from dataclasses import replace
from fractions import Fraction
from functools import cache
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from weakened import STEP, Weakened, edge, falling

from harness.account.margin import account
from harness.measure.evidence import gather
from harness.plan import model as p

RULE = p.LinkMargin(at_least_x10=100, delivery=Fraction(90, 100))


EDGE = edge(-130)


@cache
def played(**fields):
    """Return the plan and the recording of a run, made once for all tests that ask for it."""
    scenario = Weakened(**fields)
    return scenario.plan, scenario.recording()


def told(run, *rules, step=None):
    """Return the section on a run; `step` is the step that its plan names instead."""
    plan, recording = run
    checks = tuple(p.PlanCheck(rule, "link_margin", f"checks[{n}]") for n, rule in enumerate(rules))
    steps = (replace(plan.steps[0], action=step),) if step else plan.steps
    return account(gather(replace(plan, checks=checks, steps=steps), recording))


def figure(section, start):
    (found,) = [each for each in section.figures if each.name.startswith(start)]
    return found


def test_every_level_has_a_row_from_strong_to_weak():
    section = told(played(losing=EDGE, signal=falling), RULE)
    (grid,) = section.grids
    assert [row[0] for row in grid.rows] == [-2.0 * place for place in range(11)]
    row = dict(zip(grid.heads, grid.rows[6], strict=True))
    assert row["level, dBm"] == -12
    assert row["packets"] == 100
    assert row["applied"] == 67
    assert row["delivery, %"] == 67.0
    assert row["lost, %"] == 33.0
    assert row["signal, dBm"] == -72
    assert 20 < row["curve, %"] < 50
    assert all(row[1:4] == (100, 100, 0) for row in grid.rows[:5])


def test_range_is_that_of_free_space():
    """Recommendation ITU-R P.525: 20 dB are ten times the distance."""
    section = told(played(losing=EDGE), RULE, step=replace(STEP, distance_mm=2_000))
    margin, factor, metres = figure(section, "margin at 90 %"), *section.figures[2:4]
    assert margin.unit == "dB"
    assert factor.value == pytest.approx(10 ** (margin.value / 20))
    assert (metres.unit, metres.value) == ("m", pytest.approx(2 * factor.value))
    assert metres.interval[0] == pytest.approx(2 * 10 ** (margin.interval[0] / 20))
    assert margin.interval[0] < margin.value < margin.interval[1]
    assert figure(section, "level at which it is used up").value == pytest.approx(-margin.value)


def test_a_fixed_attenuator_is_in_the_margin_and_not_in_the_level():
    section = told(played(losing=EDGE), RULE, step=replace(STEP, in_line_x10=200))
    margin = figure(section, "margin")
    assert margin.value > 30
    assert figure(section, "level at which").value == pytest.approx(20 - margin.value)
    assert "20 dB in line added" in margin.note


def test_warnings_stand_beside_every_range():
    words = " ".join(told(played(losing=EDGE), RULE).notes)
    for warning in (
        "free space",
        "reflects",
        "attitude",
        "fading",
        "range test",
        "no permission to fly",
        "73 m",
    ):
        assert warning in words


@pytest.mark.parametrize("scenario", [{}, {"signal": lambda _: -60}, {"losing": lambda _: 50}])
def test_no_range_is_told_where_the_margin_is_not_known(scenario):
    section = told(played(**scenario), RULE)
    assert not [each for each in section.figures if each.name.startswith("range")]
    assert "left out" in section.notes[0]


def test_a_margin_without_an_upper_limit_is_told_as_at_least():
    section = told(played(signal=falling), RULE, step=replace(STEP, distance_mm=1_000))
    margin, metres = figure(section, "margin"), section.figures[2]
    assert margin.value is None
    assert margin.interval[0] > 19
    assert margin.interval[1] is None
    assert metres.interval == (pytest.approx(10 ** (margin.interval[0] / 20)), None)


def test_without_a_check_the_usual_delivery_is_asked_about():
    assert figure(told(played(losing=EDGE)), "margin").name == "margin at 99 % delivery"


def test_levels_left_out_are_told():
    section = told(played(losing=EDGE, refused=(-30,)), RULE)
    assert section.grids[0].note == "left out: 1 level that the transmitter has not got"


def test_without_a_margin_step_there_is_nothing_to_tell():
    from scenario import Scenario

    bare = Scenario()
    assert told((bare.plan, bare.recording()), RULE) is None
    assert told(played(levels=()), RULE) is None

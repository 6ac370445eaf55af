"""The committed table of simulated margins is what the harness does today."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

EVIDENCE = Path(__file__).parents[1] / "evidence"
sys.path.insert(0, str(EVIDENCE))

import margin  # noqa: E402 - found by the line above

ROWS = {
    name: [float(value.rstrip("%")) for value in values.split(" | ")]
    for name, values in re.findall(
        r"^\| ([^|]*\d[^|]*?) \| (.*%.*) \|$", (EVIDENCE / "margin.md").read_text(), re.MULTILINE
    )
}


def test_every_kind_of_link_has_its_row() -> None:
    assert list(ROWS) == [kind.name for kind in margin.KINDS]
    words = (EVIDENCE / "margin.md").read_text()
    for number in (f"seed {margin.SEED}", f"{margin.STEPS} simulated", f"{margin.PACKETS} packets at each"):
        assert number in words


def test_what_a_pass_rests_on_holds_everywhere() -> None:
    """The lower limit by itself, with nothing taken off for levels that may be off what was asked for."""
    share = margin.LEAST_COVERAGE
    error = (share * (1 - share) / margin.STEPS) ** 0.5
    for name, (lower, guarded, *_rest) in ROWS.items():
        assert lower >= 100 * (share - 2 * error), name
        assert guarded >= lower, name


@pytest.mark.parametrize("place", [0, 1])
def test_a_few_steps_simulated_again_agree_with_the_table(place: int) -> None:
    """8 steps: more than 3 misses of a limit that holds in 95 % come up once in 2 700 times (binomial).

    Bias: five standard errors of the mean of eight.
    """
    cell = margin.simulate(margin.KINDS[place], 8, seed=3)
    lower, guarded, upper, bias, spread, width = ROWS[cell.name]
    assert cell.lower >= 5 / 8
    assert cell.upper >= 5 / 8
    assert cell.bias_db == pytest.approx(bias, abs=5 * spread / 8**0.5)
    assert cell.width_db == pytest.approx(width, rel=0.4)
    assert guarded >= lower
    assert upper > 85

"""The harness shows each telemetry field with what explains it, and the ages of injected sets."""

import json
import sys
from dataclasses import asdict, replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import LINK, TELEMETRY, Scenario, plan_for
from scipy import stats

from harness.account.telemetry import account
from harness.clock import MS
from harness.measure import gather
from harness.measure.telemetry_age import telemetry_ages


def section(**fields):
    scenario = Scenario(seconds=10.0, **fields)
    scenario.inject_often()
    return account(gather(scenario.plan, scenario.recording()))


def cells(grid, head):
    return [row[grid.heads.index(head)] for row in grid.rows]


def test_fields_as_injected_are_shown_with_their_range():
    fields = section().grids[0]
    assert cells(fields, "field") == ["volts", "heat", "amps"]
    assert cells(fields, "wrong") == [0, 0, 0]
    assert min(cells(fields, "values injected")) > 30
    assert 0 <= cells(fields, "least")[0] < 5000
    assert 60_000 < cells(fields, "largest")[0] <= 65_535
    assert cells(fields, "least")[1] < -25_000
    assert cells(fields, "explanation") == [None] * 3


def test_a_wrong_field_is_explained_with_its_count():
    fields = section(garble=lambda v: (v[0], int(v[1] / 10), v[2])).grids[0]
    assert cells(fields, "wrong")[0] == 0
    explained = cells(fields, "explanation")[1]
    assert explained.startswith("every value is 1/10 of the injected one (")
    assert explained.endswith(f"of {cells(fields, 'reports')[1]} reports)")


def test_the_devices_own_fields_are_not_compared():
    link = replace(LINK, telemetry=(replace(TELEMETRY[0], source="device"), *TELEMETRY[1:]))
    row = section(plan=plan_for(link=link)).grids[0].rows[0]
    assert row[-1] == "the device's own, not compared"


@pytest.mark.parametrize(
    ("preloaded", "note"),
    [(1, "No value was older than the one packet"), (2, "2 packets old: one by design, 1 more")],
)
def test_ages_are_told_less_what_is_by_design(preloaded, note):
    found = section(preloaded=preloaded)
    ages = found.grids[1]
    for row in ages.rows[:2]:
        assert row[2:4] == (preloaded, preloaded)
        assert row[-1] == preloaded
    least, median, low, high, tail, _, _, most = (ages.rows[2][place] for place in (2, 3, 4, 5, 6, 7, 8, 9))
    assert least <= low <= median <= high <= tail <= most
    assert median == pytest.approx(preloaded * 20 + 5.35, abs=10.1)
    assert note in found.notes[0]


def test_the_interval_of_the_median_is_that_of_the_sign_test():
    """Ranks by the binomial distribution of scipy.stats, P(B(n, 1/2) < rank): one-sided 95 % at each end."""
    scenario = Scenario(seconds=10.0)
    scenario.inject_often()
    evidence = gather(scenario.plan, scenario.recording())
    ages = sorted(age.time_most_ns / MS for age in telemetry_ages(evidence))
    ranks = range(1, len(ages) + 1)
    low = max(rank for rank in ranks if stats.binom.cdf(rank - 1, len(ages), 0.5) <= 0.05)
    high = min(rank for rank in ranks if stats.binom.cdf(rank - 1, len(ages), 0.5) >= 0.95)
    row = account(evidence).grids[1].rows[2]
    assert row[4:6] == pytest.approx((ages[low - 1], ages[high - 1]), abs=1e-3)


def test_no_injection_has_no_section():
    scenario = Scenario()
    assert account(gather(scenario.plan, scenario.recording())) is None


def test_every_cell_can_be_written_as_json():
    json.dumps(asdict(section()), allow_nan=False)
    json.dumps(asdict(section(garble=lambda v: (0, 0, 0))), allow_nan=False)
    json.dumps(asdict(section(lost=lambda packet: True)), allow_nan=False)

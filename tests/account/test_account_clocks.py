"""The clocks section: each map's figures, the latency budget, and in words what is out of the ordinary."""

import sys
from fractions import Fraction
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import RUN_NS, RX, TX, DeviceClock, Reset, Scenario, judged

from harness.account import clocks
from harness.account.clocks import expanded_ns, latency_budget
from harness.clock import MS, US, S
from harness.measure.evidence import gather
from harness.plan import model as p
from harness.stats.uncertainty import Budget, rectangular
from harness.verdict import Verdict

STOPPED = DeviceClock(4_000, -1e6)


def evidence(**fields):
    scenario = Scenario(**fields)
    return gather(scenario.plan, scenario.recording())


def told(**fields):
    section = clocks.account(evidence(**fields))
    assert section is not None
    return section


def rows(section, title):
    (grid,) = [grid for grid in section.grids if grid.title == title]
    return [dict(zip(grid.heads, row, strict=True)) for row in grid.rows]


def figures(section):
    return {figure.name: figure.value for figure in section.figures}


def test_each_device_and_start_has_its_map():
    skewed = {TX: DeviceClock(0, 120.0), RX: DeviceClock(7_000_000, -80.0)}
    section = told(clocks=skewed, seconds=20.0, resets=[Reset(RX, RUN_NS + 10 * S)])
    maps = rows(section, "Clock maps")
    assert [(row["device"], row["start"], row["from"]) for row in maps] == [
        ("transmitter", 1, "pings"), ("receiver", 1, "pings"), ("receiver", 2, "pings"),
    ]  # fmt: skip
    assert maps[0]["runs fast ppm"] == pytest.approx(120, abs=maps[0]["+- ppm"])
    assert maps[1]["runs fast ppm"] == pytest.approx(-80, abs=maps[1]["+- ppm"])
    assert maps[1]["ahead of PC s"] == pytest.approx(7, abs=0.1)
    assert "receiver started 2 times" in " ".join(section.notes)


def test_the_budget_adds_up():
    """Half widths to the bound, standard uncertainties as squares, shares to the whole (JCGM 100, 5.1.2)."""
    found = evidence()
    section = clocks.account(found)
    *parts, whole = rows(section, "Uncertainty budget of one-way latency")
    assert sum(row["half width us"] for row in parts) == pytest.approx(whole["half width us"])
    assert whole["half width us"] == pytest.approx(sum(found.clocks[role].bound_ns for role in (TX, RX)) / US)
    squares = sum(row["standard uncertainty us"] ** 2 for row in parts)
    assert squares == pytest.approx(whole["standard uncertainty us"] ** 2)
    assert sum(row["share of variance %"] for row in parts) == pytest.approx(100)
    assert {row["distribution"] for row in parts} == {"rectangular", "resolution"}


def test_the_bound_that_verdicts_use_is_never_less_than_the_expanded_uncertainty():
    found = evidence()
    given = figures(clocks.account(found))
    assert given["worst-case bound of a latency"] == found.slack_ns / US
    assert given["expanded uncertainty of a latency"] <= given["worst-case bound of a latency"]
    assert given["expanded uncertainty of a latency"] == pytest.approx(
        1.959964 * given["combined standard uncertainty of a latency"], rel=1e-6
    )


def test_one_component_that_outweighs_the_others_does_not_reach_beyond_its_limits():
    """k times u of a single rectangular one is 1.13 half widths; nothing lies out there."""
    alone = Budget((rectangular("one", -300, 300),))
    assert expanded_ns(alone, 300) == (300, True)
    pair = Budget((rectangular("one", -300, 300), rectangular("two", -300, 300)))
    assert expanded_ns(pair, 600) == (pytest.approx(1.959964 * 300 * (2 / 3) ** 0.5), False)


def test_the_worst_start_of_a_device_is_budgeted():
    found = evidence(pings=False, seconds=2.0)
    budget = latency_budget(found.clocks)
    assert budget.worst == sum(found.clocks[role].bound_ns for role in (TX, RX))
    assert all("time of arrival" in part.name for part in budget.components[::4][:1])


def test_a_device_that_never_answers_pings_is_mapped_by_arrivals_with_a_wider_bound_and_says_so():
    good, mute = told(seconds=2.0), told(seconds=2.0, pings=False)
    assert [row["from"] for row in rows(mute, "Clock maps")] == ["arrivals", "arrivals"]
    bound = "worst-case bound of a latency"
    assert figures(mute)[bound] > 20 * MS / US > figures(good)[bound]
    words = " ".join(mute.notes)
    assert "receiver did not answer pings" in words
    assert "may be" in words
    assert "did not answer" not in " ".join(good.notes)


@pytest.mark.parametrize(
    ("pings", "verdict"), [(True, Verdict.PASS), (False, Verdict.INCONCLUSIVE)], ids=["pings", "no pings"]
)
def test_where_the_bound_matters_a_device_without_pongs_is_inconclusive(pings, verdict):
    """2 ms of latency against 15 ms: plain with a bound of 0.2 ms, open with one of 40 ms."""
    rule = p.Latency(percentile=Fraction(90, 100), at_most_ns=15 * MS)
    assert judged(rule, seconds=6.0, pings=pings).verdict is verdict


def test_where_the_bound_does_not_matter_a_device_without_pongs_still_passes():
    rule = p.Latency(percentile=Fraction(90, 100), at_most_ns=95 * MS)
    assert judged(rule, seconds=6.0, pings=False).verdict is Verdict.PASS


def test_a_device_without_a_clock_is_named_and_nothing_is_said_of_its_skew():
    section = told(clocks={TX: DeviceClock(), RX: STOPPED}, seconds=4.0)
    receiver = rows(section, "Clock maps")[1]
    assert (receiver["from"], receiver["runs fast ppm"], receiver["ahead of PC s"]) == (
        "arrivals",
        None,
        None,
    )
    assert "receiver's stamps do not go on with time" in " ".join(section.notes)
    assert "transmitter's stamps" not in " ".join(section.notes)


def test_a_device_without_a_clock_is_inconclusive_where_its_bound_matters():
    stopped = {TX: DeviceClock(), RX: STOPPED}
    tight = p.Latency(percentile=Fraction(90, 100), at_most_ns=15 * MS)
    loose = p.Latency(percentile=Fraction(90, 100), at_most_ns=95 * MS)
    assert judged(tight, clocks=stopped, seconds=6.0).verdict is Verdict.INCONCLUSIVE
    assert judged(loose, clocks=stopped, seconds=6.0).verdict is Verdict.PASS
    gap = judged(p.ControlGap(at_most_ns=30 * MS), clocks=stopped, seconds=6.0)
    assert gap.verdict is Verdict.INCONCLUSIVE


def test_a_silent_bench_has_no_clocks():
    scenario = Scenario(seconds=1.0, drop=lambda *_: True)
    assert clocks.account(gather(scenario.plan, scenario.recording())) is None

"""The harness shows how figures went, and names a trend only where a test carries it."""

import random

import numpy as np
import pytest
from history_samples import DAY_S, FIRST_S, check, document, write
from scipy import stats

from harness.chance import stream
from harness.history.command import history
from harness.history.courses import MARKS, PLAIN_MARKS, marks
from harness.history.rows import Wanted
from harness.stats.trend import kendall
from harness.verdict import Verdict


def courses(root, *columns, last=None):
    """The courses of runs of one group: a list of values for each figure, by name."""
    for number in range(len(columns[0])):
        entries = [
            check(name=f"figure-{place}", value=column[number], interval=None)
            for place, column in enumerate(columns)
        ]
        write(root / f"run-{number:04d}", document(*entries, at_s=FIRST_S + number * DAY_S))
    (one,) = history(root, Wanted(last=last), print).groups
    return one.courses


@pytest.mark.parametrize("values", [[1, 2, 3, 4, 5, 6], [3, 1, 2, 5, 4, 6, 7], [1, 1, 2, 2, 3, 1, 4], [2, 1]])
def test_agrees_with_a_reference_on_kendalls_tau(values):
    reference = stats.kendalltau(range(len(values)), values)
    tau, p_value = kendall(np.asarray(values, np.float64))
    assert tau == pytest.approx(reference.statistic)
    if len(set(values)) == len(values):  # with ties scipy's and ours are approximations of two kinds
        assert p_value == pytest.approx(reference.pvalue)


def test_names_a_trend_for_the_worse(tmp_path):
    (course,) = courses(tmp_path, [480.0 + number for number in range(8)])
    assert (course.trend, course.direction, course.tau) == ("rising", "worse", 1.0)


def test_a_rise_that_chance_may_make_is_no_trend(tmp_path):
    # Of four values in order, chance makes as much order in 2 of 24 cases (4! orders): 8.3 %.
    (course,) = courses(tmp_path, [480.0, 481.0, 482.0, 483.0])
    assert course.trend == ""
    assert course.p_value == pytest.approx(2 / 24)


def test_many_figures_must_share_the_risk(tmp_path):
    # Five values in order: 2 of 120, 1.7 %. Enough for one figure, and for none of three.
    rising = [480.0, 481.0, 482.0, 483.0, 484.0]
    (alone,) = courses(tmp_path / "alone", rising)
    several = courses(tmp_path / "several", rising, [1.0, 3.0, 2.0, 5.0, 4.0], [5.0, 1.0, 2.0, 1.5, 3.0])
    assert alone.trend == "rising"
    assert [course.trend for course in several] == ["", "", ""]


def test_figures_that_never_changed_take_no_share_of_the_risk(tmp_path):
    found = courses(tmp_path, [480.0, 481.0, 482.0, 483.0, 484.0], [0.0] * 5, [7.0] * 5)
    assert [course.trend for course in found] == ["rising", "", ""]


def test_chance_alone_is_called_a_trend_in_fewer_than_one_history_of_twenty():
    from harness.history.courses import _course, _tested
    from harness.history.series import Line

    draw, seen = stream(1, "history"), 0
    for _ in range(400):
        lines = [Line(str(n), (), tuple(draw.random() for _ in range(10)), (), None) for n in range(6)]
        seen += any(_tested(_course(line), 6).trend for line in lines)
    assert seen <= stats.binom.ppf(0.999, 400, 0.05)


def test_finds_a_slow_trend_among_many_runs(tmp_path):
    chance = random.Random(1)
    values = [480 + 0.01 * number + chance.gauss(0, 1) for number in range(450)]
    (course,) = courses(tmp_path, values)
    assert course.trend == "rising"


def test_a_value_in_another_unit_is_not_held_against_the_others(tmp_path):
    for number, unit in enumerate(["us", "ms", "ms"]):
        entry = check(value=480.0 + number, unit=unit)
        write(tmp_path / f"run-{number}", document(entry, at_s=FIRST_S + number))
    (course,) = history(tmp_path, Wanted(), print).groups[0].courses
    assert course.line.values == (None, 481.0, 482.0)


def test_a_run_without_a_value_leaves_a_gap(tmp_path):
    (course,) = courses(tmp_path, [480.0, None, 482.0])
    assert course.known == (480.0, 482.0)
    assert marks(course) == "▁ █"


@pytest.mark.parametrize(
    ("values", "shown", "plain"),
    [
        ([1.0, 2.0, 3.0], "▁▅█", "_-^"),
        ([5.0, 5.0], "▁▁", "__"),
        ([1e18, -1e18], "█▁", "^_"),
        ([None], "", ""),
    ],
)
def test_draws_from_the_lowest_to_the_highest(tmp_path, values, shown, plain):
    (course,) = courses(tmp_path, values)
    assert (marks(course), marks(course, plain=True)) == (shown, plain)
    assert set(PLAIN_MARKS) <= set(map(chr, range(33, 127)))


def test_one_bad_run_among_hundreds_is_seen(tmp_path):
    values = [480.0] * 300
    values[137] = 525.0
    (course,) = courses(tmp_path, values)
    assert marks(course).count(MARKS[-1]) == 1
    assert len(marks(course)) <= 16


def test_the_bad_side_is_the_low_one_where_the_limit_is_a_least(tmp_path):
    for number in range(40):
        entry = check("delivery", 99.0 if number == 20 else 100.0, limit=98.0, side="at least", unit="%")
        write(tmp_path / f"run-{number:02d}", document(entry, at_s=FIRST_S + number))
    (course,) = history(tmp_path, Wanted(), print).groups[0].courses
    assert marks(course).count(MARKS[0]) == 1


def test_shows_figures_in_the_newest_runs_order_and_old_ones_behind(tmp_path):
    write(tmp_path / "a", document(check("gone"), check("one"), at_s=FIRST_S))
    write(tmp_path / "b", document(check("two"), check("one"), at_s=FIRST_S + 1))
    told = history(tmp_path, Wanted(), print).groups[0]
    assert [course.name for course in told.courses] == ["two", "one", "gone"]


def test_counts_verdicts(tmp_path):
    for number, verdict in enumerate([Verdict.PASS, Verdict.FAIL, Verdict.PASS]):
        write(tmp_path / str(number), document(check(verdict=verdict), at_s=FIRST_S + number))
    assert history(tmp_path, Wanted(), print).groups[0].verdicts == {"pass": 2, "fail": 1}

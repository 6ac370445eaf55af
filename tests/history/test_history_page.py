"""The harness makes a page of the history: a plot for each figure that changed, everything else in words."""

import numpy as np
import pytest
from history_samples import DAY_S, FIRST_S, check, document, wings, write

from harness.history.command import history
from harness.history.page import page
from harness.history.rows import Wanted
from harness.page.model import Drawn, Folded, Points, Table, Words
from harness.verdict import Verdict


def made(root):
    return page(history(root, Wanted(), print, whole=True))


def blocks(part, kind):
    return [block for block in part.blocks if isinstance(block, kind)]


def test_draws_each_figure_that_changed_with_limit_interval_and_verdicts(tmp_path):
    for number, value in enumerate([480.0, 490.0, 525.0]):
        verdict = Verdict.FAIL if value > 500 else Verdict.PASS
        entries = (check(value=value, verdict=verdict), check("fidelity", 0.0, unit="us", limit=0.0))
        write(tmp_path / str(number), document(*entries, at_s=FIRST_S + number * DAY_S))
    part, _ = made(tmp_path).parts
    (drawn,) = blocks(part, Drawn)
    plot = drawn.picture
    series = {one.name: one for one in plot.series}
    assert (plot.title, plot.y.unit) == ("failsafe_entry", "ms")
    assert list(series["value"].y) == [480.0, 490.0, 525.0]
    assert (list(series["interval"].y), list(series["interval"].high)) == (
        [479.0, 489.0, 524.0],
        [481.0, 491.0, 526.0],
    )
    assert (list(series["passed"].x), list(series["failed"].x)) == ([1.0, 2.0], [3.0])
    assert list(series["failed"].keep) == [True]
    assert [(rule.at, rule.along, rule.label) for rule in plot.rules] == [(500.0, "y", "at most 500 ms")]
    assert plot.x.ticks == ((1.0, "2026-11-01"), (2.0, "2026-11-02"), (3.0, "2026-11-03"))
    assert plot.x.low < 1
    assert plot.x.high > 3
    assert plot.y.low < 479
    assert plot.y.high > 526
    assert "first 480, last 525, lowest 480, highest 525 ms; 1 failed" in plot.about


def test_leaves_a_gap_where_a_run_has_no_value(tmp_path):
    for number, value in enumerate([480.0, None, 482.0]):
        write(tmp_path / str(number), document(check(value=value), at_s=FIRST_S + number))
    (drawn,) = blocks(made(tmp_path).parts[0], Drawn)
    line = next(one for one in drawn.picture.series if one.name == "value")
    assert list(np.isnan(line.y)) == [False, True, False]


@pytest.mark.parametrize(
    ("verdicts", "mood", "words"),
    [
        ([Verdict.FAIL, Verdict.PASS], "good", "All passed"),
        ([Verdict.PASS, Verdict.FAIL], "bad", "0 of 1 passed"),
        ([Verdict.PASS, Verdict.INCONCLUSIVE], "doubt", "0 of 1 passed"),
    ],
)
def test_is_headed_by_how_the_newest_runs_went(tmp_path, verdicts, mood, words):
    for number, verdict in enumerate(verdicts):
        write(tmp_path / str(number), document(check(verdict=verdict), at_s=FIRST_S + number))
    whole = made(tmp_path)
    assert (whole.mood, whole.verdict) == (mood, words)


def test_has_a_part_for_each_group_and_names_what_was_left_out(tmp_path):
    for number, unit in enumerate(["left wing", "right wing"]):
        write(tmp_path / str(number), document(unit=unit, at_s=FIRST_S + number))
    write(tmp_path / "bad", "{")
    *groups, last = made(tmp_path).parts
    assert [part.title for part in groups] == ["left wing: first-look", "right wing: first-look"]
    assert len({part.key for part in groups}) == 2
    (points,) = blocks(last, Points)
    assert points.items[0].startswith("not read: bad: ")
    assert blocks(last, Words)


def test_tells_trends_figures_and_runs_in_words(tmp_path):
    wings(tmp_path, 8)
    part = made(tmp_path).parts[0]
    (points,) = blocks(part, Points)
    assert points.items[0].startswith("failsafe_entry is rising, for the worse")
    (table,) = blocks(part, Table)
    assert table.rows == (("failsafe_entry", "480.0 ms", "487.0 ms", "+7.0", "at most 500 ms"),)
    (folded,) = blocks(part, Folded)
    assert [row[2] for row in folded.blocks[0].rows] == [f"run-{number}" for number in reversed(range(8))]
    assert len(folded.blocks[0].moods) == 8

"""The harness tells a lot in the terminal, as JSON and on a page, with an exit code for scripts."""

import argparse
import json

import numpy as np
import pytest
from unit_samples import check, delivery, document, kept, latency, lot_of

from harness.errors import ExitCode, UserError
from harness.page.model import Drawn, Folded, Page, Table
from harness.report.folder import VERDICT
from harness.units.command import add_options, refuse_for_two_sides, units
from harness.units.decision import Asked
from harness.units.document import units_document
from harness.units.page import unit_labels, units_page
from harness.units.results import compare_units
from harness.units.telling import render


def a_lot(*verdicts):
    """Return eight modules, of which the sixth is late; the verdicts of the last ones may be named."""
    values = [2.0, 2.1, 1.9, 2.05, 1.95, 9.0, 2.0, 2.02]
    told = ["pass"] * (len(values) - len(verdicts)) + list(verdicts)
    gaps = check("control_gap", 21.0, limit=100.0)
    return [
        document(
            f"module {n}",
            latency(value),
            delivery(100.0, 98.5, 100.0),
            gaps if verdict == "pass" else gaps | {"verdict": "fail"},
            verdict=verdict,
        )
        for n, (value, verdict) in enumerate(zip(values, told, strict=True), 1)
    ]


def results(*verdicts, asked=None):
    return compare_units(kept(*a_lot(*verdicts)), asked)


@pytest.fixture
def folder(tmp_path):
    for n, one in enumerate(a_lot("fail")):
        (tmp_path / f"run-{n}").mkdir()
        (tmp_path / f"run-{n}" / VERDICT).write_text(json.dumps(one))
    return tmp_path


def run(folder, *words):
    parser = argparse.ArgumentParser()
    parser.add_argument("base")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--bisect", action="store_true")
    parser.add_argument("--page")
    add_options(parser)
    return units(parser.parse_args([str(folder), *words]))


def test_the_decision_stands_first_then_the_units_in_order():
    lines = render(results("fail")).splitlines()
    assert lines[0] == "REJECTED: acceptance: 8 units tested, 1 unacceptable, at most 0 allowed"
    assert any(line.startswith("    7") and "module 6" in line for line in lines)
    assert any(line.startswith("    8") and "failed: control_gap" in line for line in lines)


def test_the_report_says_what_stands_out_by_which_test():
    text = render(results())
    assert "module 6: latency 9 ms, the others' middle 2 ms (worse; Grubbs: 2.47, allowed" in text
    assert "a lot with 25 % bad units in 10 % of cases (consumer's risk)" in " ".join(text.split())
    assert "two of them at the same end can mask each other" in " ".join(text.split())
    assert "A pass is not permission to fly." in text


def test_every_line_fits_a_narrow_terminal():
    text = render(results("fail"), width=80, full=True)
    assert max(map(len, text.splitlines())) <= 80


def test_full_tells_every_units_figures():
    text = render(results(), full=True)
    assert "module 6  9.0 ms  8.4 to 9.6 ms" in text.replace("   ", "  ")
    assert text.count("module 3") > render(results()).count("module 3")


def test_the_characteristic_of_a_lot_names_whole_units():
    text = render(results(asked=Asked(size=40)))
    assert "that is" in text
    assert "lot size 40" in text


def test_the_document_holds_the_same():
    found = units_document(results("fail"))
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert (found["decision"], found["exit_code"]) == ("rejected", 1)
    assert found["lot"]["sampling_plan"] == {"n": 8, "c": 0, "lot_size": None}
    late = next(one for one in found["figures"] if one["name"] == "latency")
    assert [one["unit"] for one in late["stand_out"]] == ["module 6"]
    assert late["values"]["module 6"]["value"] == 9.0


def pictures(page: Page):
    blocks = [block for part in page.parts for block in part.blocks]
    blocks += [inner for block in blocks if isinstance(block, Folded) for inner in block.blocks]
    return {block.picture.key: block.picture for block in blocks if isinstance(block, Drawn)}


def test_the_page_draws_units_by_shape_and_the_limit():
    page = units_page(results("fail"))
    assert (page.verdict, page.mood) == ("Rejected", "bad")
    plot = pictures(page)["units-latency"]
    shapes = {one.name: (one.symbol, list(one.x)) for one in plot.series}
    assert shapes["stands out"] == ("diamond", [6.0])  # seventh place: the failed one is last
    assert shapes["its run failed"] == ("square", [7.0])
    assert len(shapes["unit"][1]) == 6
    assert [rule.at for rule in plot.rules] == [15.0]
    assert plot.x.ticks[6] == (6.0, "6")
    assert plot.x.label.startswith("unit module ...")
    assert "module 6 stands out" in plot.about


def test_all_series_are_ascending_and_intervals_have_gaps():
    for plot in pictures(units_page(results())).values():
        for series in plot.series:
            assert (np.diff(series.x) >= 0).all()
    ends = pictures(units_page(results()))["units-latency"].series[0]
    assert np.isnan(ends.y[2::3]).all()
    assert (ends.y[0::3] <= ends.y[1::3]).all()


def test_the_characteristic_is_drawn_with_both_risks():
    plot = pictures(units_page(results()))["characteristic"]
    curve, marks = plot.series
    assert (curve.y[0], marks.y[0]) == (100.0, pytest.approx(95.0))
    assert marks.y[1] == pytest.approx(10.0)
    assert (np.diff(curve.y) <= 0).all()
    assert "95 % at 0.639 % bad units, 10 % at 25 % bad units" in plot.about


def test_the_characteristic_of_a_small_lot_tells_what_it_is_and_not_the_risk_aimed_at():
    about = pictures(units_page(results(asked=Asked(size=40))))["characteristic"].about
    assert "100 % at 0 % bad units, 7.61 % at 25 % bad units" in about


def test_rows_of_the_page_are_as_many_as_units():
    tables = [b for part in units_page(results()).parts for b in part.blocks if isinstance(b, Table)]
    assert len(tables[0].rows) == len(tables[0].moods) == 8


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ((), ExitCode.FAIL),
        (("--sampling", "n=8,c=1"), ExitCode.PASS),
        (("--lot", "size=200,limit=10%"), ExitCode.INCONCLUSIVE),
        (("--sampling", "n=20,c=1", "--json"), ExitCode.INCONCLUSIVE),
        (("--full", "--plan", "acceptance"), ExitCode.FAIL),
    ],
)
def test_the_exit_code_is_the_lots(folder, capsys, words, code):
    assert run(folder, *words) is code
    assert capsys.readouterr().out


@pytest.mark.parametrize("words", [("--lot", "size=3"), ("--plan", "soak"), ("--sampling", "n=2,c=0")])
def test_what_does_not_fit_is_a_user_error(folder, words):
    with pytest.raises(UserError):
        run(folder, *words)


def test_an_empty_folder_is_told(tmp_path):
    with pytest.raises(UserError, match="no run in here"):
        run(tmp_path)


def test_the_page_is_written(folder):
    pytest.importorskip("harness.page.writing")
    run(folder, "--page", str(folder / "lot.html"))
    assert "module 6" in (folder / "lot.html").read_text(encoding="utf-8")


def test_a_page_that_cannot_be_written_is_told(folder):
    pytest.importorskip("harness.page.writing")
    with pytest.raises(UserError, match="there is no folder"):
        run(folder, "--page", str(folder / "nowhere" / "lot.html"))


def test_a_page_of_a_lot_is_never_written_over_anything_else(folder):
    verdict = folder / "run-0" / VERDICT
    before = verdict.read_text()
    with pytest.raises(UserError, match="is no page"):
        run(folder, "--page", str(verdict))
    assert verdict.read_text() == before


def test_two_units_and_three_are_compared_without_a_word_on_odd_ones():
    text = render(compare_units(kept(*lot_of([1.0, 9.0]))))
    assert "Fewer than 4 units" in text


def test_words_for_two_sides_and_for_units_do_not_mix(folder):
    with pytest.raises(UserError, match="--bisect needs two sides"):
        run(folder, "--bisect")
    with pytest.raises(UserError, match="--lot goes with one folder of different units"):
        refuse_for_two_sides(argparse.Namespace(lot=Asked(size=9), sampling=None, plan=None, full=False))


def test_names_below_the_axis_do_not_overlap_and_keep_those_that_matter():
    lot = compare_units(kept(*lot_of(range(1, 41)))).lot
    start, ticks = unit_labels(lot.units, ["module 12"])
    assert start == "module "
    assert (11.0, "12") in ticks
    places = [place for place, _ in ticks]
    assert min(np.diff(places)) >= 2
    assert len(ticks) >= 10

"""The harness tells every figure and table it measured, within the width, and never as a command."""

import numpy as np
import pytest
from report_samples import HOSTILE, OUTCOME, SECTIONS, hostile

from harness.findings import KEYS, Figure, Grid, Section
from harness.report.sections import render_sections
from harness.report.text import render


def lines_of(*figures, grids=(), width=100):
    return render_sections([Section("clocks", "Clocks", figures, grids)], width)[0].splitlines()


def test_tells_all_of_it_in_full_and_only_the_titles_in_short():
    short, full = render(OUTCOME), render(OUTCOME, full=True)
    assert (
        "Measured as well, in report.txt or with --full: Clocks and uncertainty, Pattern of losses." in short
    )
    assert "pings answered" not in short
    assert "pings answered" in full
    assert "Measured as well" not in full


def test_says_nothing_where_nothing_was_measured():
    assert render_sections([], 80) == []


@pytest.mark.parametrize(
    ("figure", "line"),
    [
        (Figure("skew", 40.2, "ppm", (39.7, 40.9), 0.95), "  skew  40.2 ppm  39.7 to 40.9 (95 %)"),
        (Figure("skew", 40.2, "ppm", (39.7, None), 0.95), "  skew  40.2 ppm  39.7 or more (95 %)"),
        (Figure("skew", 40.2, "ppm", (None, 41.0)), "  skew  40.2 ppm  41 or less"),
        (
            Figure("burst", 15.0, "packets", (15.0, 15.0), note="10 searches"),
            "  burst  15 packets  10 searches",
        ),
        (Figure("burst", 15.2, "packets", (15.0, 15.0)), "  burst  15.2 packets  15"),
        (Figure("cuts", 1, "cuts"), "  cuts  1 cut"),
        (Figure("cuts", 1234567, "cuts"), "  cuts  1234567 cuts"),
        (Figure("p-value", 0.0000123, note="Wald and Wolfowitz"), "  p-value  1.2e-05  Wald and Wolfowitz"),
        (Figure("p-value", 0.04321), "  p-value  0.04321"),
        (Figure("length", 123456.7, "us"), "  length  123457 us"),
        (Figure("zero", -0.0001, "ms", (-1.0, 1.0)), "  zero  0.0 ms  -1.0 to 1.0"),
        (Figure("age", float("inf"), "ms"), "  age  without end"),
        (Figure("age", None, "ms", note="too few"), "  age    too few"),
    ],
)
def test_shows_as_many_digits_as_the_interval_deserves(figure, line):
    assert lines_of(figure) == ["Clocks", line]


def test_puts_figures_and_columns_under_each_other():
    grid = Grid(
        "Budget", ("component", "us"), (("map", 310.0), ("stamps", np.float64(0.57735)), ("all", None))
    )
    assert lines_of(Figure("a", 1), Figure("longer", 20), grids=(grid,)) == [
        "Clocks",
        "  a       1",
        "  longer  20",
        "  Budget",
        "    component      us",
        "    map           310",
        "    stamps     0.5774",
        "    all",
    ]


@pytest.mark.parametrize("width", [40, 60, 80, 100])
def test_keeps_to_the_width(width):
    figures = [Figure("a name of some length", 12.5, "ms", (12.0, 13.0), 0.95, "and a note " * 12)]
    grid = Grid("t", ("one head", "another head", "a third head"), (("x" * 30, "y" * 30, 5),), note="n " * 90)
    assert all(len(line) <= width for line in lines_of(*figures, grids=(grid,), width=width))


@pytest.mark.parametrize("width", [40, 100])
def test_lets_no_foreign_text_command_the_terminal(width):
    text = "\n".join(render_sections(hostile().judgement.sections, width))
    assert all(line.isprintable() for line in text.splitlines())
    assert text.encode("ascii")
    assert "[bold]" in text.replace("\n", "").replace(" ", "")
    assert HOSTILE not in text


def test_keeps_the_order_of_sections():
    shown = render(OUTCOME, full=True)
    places = [shown.index(section.title) for section in SECTIONS]
    assert places == sorted(places)
    assert [KEYS.index(section.key) for section in SECTIONS] == sorted(KEYS.index(s.key) for s in SECTIONS)


def test_refuses_a_section_nobody_knows_and_a_ragged_table():
    with pytest.raises(AssertionError):
        Section("weather", "Weather")
    with pytest.raises(AssertionError):
        Grid("t", ("a", "b"), ((1,),))


def test_folds_heads_before_texts_and_numbers_never():
    heads = ("name", "standard uncertainty us", "what was seen in it")
    rows = (("transmitter", 1234567.0, "the time since the last packet does not move"),)
    lines = lines_of(grids=(Grid("", heads, rows),), width=60)
    assert lines[1:] == [
        "    name            standard  what was seen in it",
        "                 uncertainty",
        "                          us",
        "    transmitter      1234567  the time since the last packet",
        "                              does not move",
    ]


def test_leaves_a_table_that_fits_as_it_is():
    grid = Grid("", ("one head", "n"), (("a", 1), ("b", 22)))
    shown = lines_of(grids=(grid,), width=40)
    assert shown[1:] == ["    one head   n", "    a          1", "    b         22"]

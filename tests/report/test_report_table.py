"""The harness fits its table to the terminal it is shown on."""

from dataclasses import replace

import pytest
from report_samples import RESULTS

from harness.report.table import HEADS, NARROW_HEADS, plain_table, terminal_table


@pytest.mark.parametrize("width", [40, 60, 80, 100, 120, 200])
def test_keeps_within_the_width(width):
    assert max(map(len, terminal_table(RESULTS, width, colour=False).splitlines())) <= width


@pytest.mark.parametrize("width", [80, 100, 120])
def test_shows_every_number_unbroken_from_80_columns_on(width):
    shown = terminal_table(RESULTS, width, colour=False)
    for words in ("99.93 %", "99.75 to 99.99 %", "at least 99 %", "0.93 %", "2940 packets", "inconclusive"):
        assert words in shown


def test_uses_one_line_a_check_where_there_is_room():
    lines = terminal_table(RESULTS, 120, colour=False).splitlines()
    assert lines[0].split() == list(HEADS)
    assert len(lines) == 2 + len(RESULTS)


def test_stacks_interval_and_margin_where_there_is_not():
    lines = terminal_table(RESULTS, 80, colour=False).splitlines()
    assert lines[0].split() == ["value", "limit"]
    assert lines[1].split() == ["check", "verdict", "interval", "margin", "samples"]
    assert len(NARROW_HEADS) == 5


def test_colours_nothing_but_headings_and_verdicts_and_only_if_asked():
    assert "\x1b" not in terminal_table(RESULTS, 120, colour=False)
    coloured = terminal_table(RESULTS, 120, colour=True)
    assert "\x1b[32mpass" in coloured
    assert "\x1b[1;31mfail" in coloured
    assert "\x1b[33minconclusive" in coloured
    assert "\x1b[1;35merror" in coloured


def test_takes_no_name_for_markup():
    shown = terminal_table((replace(RESULTS[0], name="[bold]x[/bold] :smile:"),), 120, colour=True)
    assert "[bold]x[/bold] :smile:" in shown


def test_aligns_plain_lines():
    lines = plain_table(RESULTS).splitlines()
    places = [
        line.index(f"  {result.verdict.value}") + 2 for line, result in zip(lines[1:], RESULTS, strict=True)
    ]
    assert set(places) == {lines[0].index("verdict")}
    assert not any(line.endswith(" ") for line in lines)


def test_counts_the_columns_of_wide_and_combining_characters():
    wide = replace(RESULTS[0], name="\u529b\u529b")
    combined = replace(RESULTS[0], name="e\u0301e\u0301ee")
    plain = replace(RESULTS[0], name="eeee")
    lines = plain_table((wide, combined, plain)).splitlines()
    assert lines[1].index("pass") == lines[3].index("pass") - 2
    assert lines[2].index("pass") == lines[3].index("pass") + 2

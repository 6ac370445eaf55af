"""The harness explains every check: what it measures, why it matters, where its limit comes from."""

from dataclasses import fields

import pytest

from harness.cli import main
from harness.errors import UserError
from harness.explain import explain, overview
from harness.explain.pages import PAGES
from harness.judge.advice import ADVICE
from harness.plan.model import CHECK_KINDS

WORDS = [kind.WORD for kind in CHECK_KINDS]


def test_has_a_page_for_every_check_and_no_other():
    assert sorted(PAGES) == sorted(WORDS)


@pytest.mark.parametrize("word", WORDS)
def test_leaves_nothing_unsaid(word):
    assert all(len(getattr(PAGES[word], field.name)) > 4 for field in fields(PAGES[word]))
    assert any(kind == word for kind, _ in ADVICE), "nothing to try when it fails"


@pytest.mark.parametrize("word", WORDS)
@pytest.mark.parametrize("width", [40, 80, 120, None])
def test_fits_the_width(word, width):
    shown = explain(word, width)
    assert shown.startswith(f"{word}: ")
    assert all(len(line) <= (width or 100) for line in shown.splitlines()[1:])


def test_names_every_key_with_its_default():
    shown = " ".join(explain("latency").split())
    assert (
        "`percentile`: Which percentile, such as 95 %. Takes a share from 1 % to 99.99 %; must be given."
        in shown
    )
    assert (
        "`confidence`: Confidence of the interval. Takes a share from 50 % to 99.99 %; 95 % if left out."
        in shown
    )


def test_marks_each_thing_to_try():
    lines = explain("delivery", 60).splitlines()
    tried = lines[next(place for place, line in enumerate(lines) if line.startswith("if it fails")) :]
    items = sum(len(advice) for (kind, _), advice in ADVICE.items() if kind == "delivery")
    assert sum(line[12:14] == "- " for line in tried) == items
    assert all(line[12:14] in ("- ", "  ") for line in tried)
    assert any(line.startswith(" " * 14) for line in tried)


def test_lists_every_check_in_one_line_each():
    shown = overview(300)
    assert [line.split()[0] for line in shown.splitlines()[: len(WORDS)]] == WORDS


def test_offers_the_nearest_word():
    with pytest.raises(UserError, match=r"no check is called 'latancy'; checks: delivery, .* mean latency\?"):
        explain("latancy")
    with pytest.raises(UserError) as caught:
        explain("\x1b[2J")
    assert "\x1b" not in str(caught.value)


def test_answers_on_the_command_line(capsys):
    assert main(["explain", "delivery", "bench"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("delivery: Share of sent packets")
    assert "\nbench: No serial line" in out
    assert main(["explain"]) == 0
    assert "propsoff explain CHECK tells more" in capsys.readouterr().out
    assert main(["explain", "nothing"]) == 2
    assert "no check is called 'nothing'" in capsys.readouterr().err

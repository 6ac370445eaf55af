"""The harness tells a run in a pull request, in Markdown that no device can make its own."""

import html
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hostile import HOSTILE
from markdown_it import MarkdownIt
from report_samples import HEADER, JUDGEMENT, OUTCOME, RESULTS
from report_samples import hostile as hostile_outcome

from harness.escape import clean
from harness.likely import Likely
from harness.report.document import Outcome
from harness.report.markdown import MARK, code, markdown_summary, text
from harness.verdict import Verdict

STORED = Path(__file__).parent / "stored" / "summary.md"
RECORDING = "propsoff-runs/first-look-7/recording.pcapng"
MARKDOWN = MarkdownIt("commonmark").enable("table")
"""A reader of CommonMark that passes its test suite, with the tables of GitHub Flavored Markdown."""
SNARES = {
    **{name: data.decode("utf-8", "replace") for name, data in HOSTILE.items()},
    "cells": "a | b |\n|---|",
    "escaped cell": "a \\| b \\\\| c",
    "backticks": "`a` ``b``` `",
    "backtick": "`",
    "code and cell": "`|`",
    "emphasis": "*a* _b_ **c** ~~d~~",
    "list": "1. a",
    "other list": "1) a",
    "points": "- a\n+ b\n* c",
    "heading": "# a\n===",
    "quote": "> a",
    "link": "[a](http://x.example) ![b](javascript:alert(1)) <http://x.example>",
    "bare link": "https://x.example www.x.example ftp://x.example me@x.example",
    "reference": "[a]: http://x.example",
    "mention": "@somebody @some/team #12 some/project#7",
    "comment": "--><script>alert(1)</script><!--",
    "fold": "</details></summary><img src=x onerror=alert(1)>",
    "entity": "&lt;b&gt; &#60;i&#62; &amp;",
    "fence": "```\n</code></pre>",
    "rule": "---",
    "backslashes": "\\\\\\",
    "ends": "a  \nb\\\nc",
    "template": "{{ 7 * 7 }} ${x} $a^2$",
    "nothing": "",
    "blanks": "   ",
}


def shown(markdown, tag):
    """The text inside the only such element of what a reader makes of it."""
    made = MARKDOWN.render(markdown)
    return html.unescape(re.sub(r"<code>(.*?)</code>", r"\1", re.search(f"<{tag}>(.*)</{tag}>", made)[1]))


@pytest.mark.parametrize("foreign", SNARES.values(), ids=SNARES)
def test_shows_any_text_as_it_is_and_nothing_else(foreign):
    words = f"it said {foreign} so"
    cell = f"| a | {text(words)} |\n|---|---|\n| b | {text(foreign)} |"
    for markdown, tag in ((f"### {text(words)}", "h3"), (text(words), "p"), (f"- {text(words)}", "li")):
        assert shown(markdown, tag).split() == clean(words, 300).split()
    made = MARKDOWN.render(cell)
    assert (made.count("<th>"), made.count("<td>")) == (2, 2)
    assert set(re.findall(r"<(\w+)", made)) <= {"table", "thead", "tbody", "tr", "th", "td", "code"}


@pytest.mark.parametrize("foreign", SNARES.values(), ids=SNARES)
def test_shows_any_text_between_backticks(foreign):
    assert shown(f"it {code(foreign)} so", "p").split() == f"it {clean(foreign)} so".split()


@pytest.mark.parametrize("foreign", SNARES.values(), ids=SNARES)
def test_no_foreign_word_begins_what_is_not_there(foreign):
    result = replace(RESULTS[2], name=foreign, reason=foreign, unit=foreign, sample_unit=foreign)
    judgement = replace(
        JUDGEMENT,
        results=tuple(replace(result, verdict=one) for one in (Verdict.FAIL, Verdict.PASS, Verdict.NONE)),
        devices={"receiver": foreign}, notes=(foreign,),
        causes=(Likely("x", foreign, (foreign,), 0.5, ("so",), next_step=foreign),),
    )  # fmt: skip
    header = replace(HEADER, plan_name=foreign, rig_name=foreign, facts={"unit": foreign, "module": foreign})
    made = MARKDOWN.render(markdown_summary((Outcome(judgement, header, foreign),), (foreign,)))
    tags = set(re.findall(r"<(\w+)", made))
    ours = {"h3", "p", "table", "thead", "tbody", "tr", "th", "td", "strong", "ul", "li", "code", "pre"}
    assert tags <= ours | {"details", "summary"}
    assert made.count("<details>") == made.count("</details>") == 2
    assert made.count("<table>") == 2
    assert made.count("<li>") == 2


@pytest.mark.parametrize("word", ["@somebody", "#12", "https://x.example", "www.x.example", "me@x.example"])
def test_puts_what_may_be_a_mention_or_a_link_between_backticks(word):
    assert f"<code>{word}</code>" in MARKDOWN.render(text(f"see {word} there"))


def test_leaves_plain_words_as_they_are():
    plain = "98.5 % of 1951 packets (clocks to 0.9 ms) in failsafe_entry, and so on."
    assert text(plain) == plain


def test_writes_the_whole_summary():
    assert markdown_summary((OUTCOME,), (RECORDING,)) == STORED.read_text()


def test_begins_with_a_line_that_programs_find_and_people_do_not_see():
    assert STORED.read_text().startswith(f"{MARK}\n\n### ERROR: ")
    assert MARK == "<!-- propsoff -->"


def test_folds_what_passed_and_shows_what_did_not_the_worst_first():
    made = STORED.read_text()
    before, folded = made.split("<details>", 1)
    assert re.findall(r"\*\*(error|fail|inconclusive)\*\*", before) == [
        "error",
        "fail",
        "fail",
        "inconclusive",
    ]
    assert re.findall(r"^\| (\w+) \| pass", folded, re.MULTILINE) == ["delivery", "latency"]
    assert "<summary>2 checks passed</summary>" in folded
    assert "propsoff run first-look --rig mock --seed 7" in folded


def test_puts_the_worst_run_first():
    good = Outcome(replace(JUDGEMENT, results=RESULTS[:1]), HEADER, "good")
    made = markdown_summary((good, OUTCOME), ("a", "b"))
    assert re.findall("^### (.*?):", made, re.MULTILINE) == ["ERROR", "PASS"]


def test_names_likely_causes_of_what_did_not_pass():
    causes = tuple(
        Likely(f"c{n}", f"the receiver counts frames {n}", (name,), 0.9, ("so",), next_step="halve the rate")
        for n, name in enumerate(["failsafe entry", "latency"])
    )
    made = markdown_summary((Outcome(replace(JUDGEMENT, causes=causes), HEADER, "x"),), ("a",))
    assert "Likely causes:\n\n- the receiver counts frames 0 Next: halve the rate\n\n" in made
    assert "frames 1" not in made  # latency passed


def test_names_what_was_not_tested():
    results = (RESULTS[0], replace(RESULTS[1], name="pins", verdict=Verdict.NONE))
    made = markdown_summary((Outcome(replace(JUDGEMENT, results=results), HEADER, "x"),), ("a",))
    assert "Not tested in this run: pins." in made
    assert "1 check passed" in made


def test_names_unit_and_module():
    header = replace(HEADER, facts={"unit": "left wing", "module": "bought in May"})
    made = markdown_summary((Outcome(JUDGEMENT, header, "x"),), ("a",))
    assert "unit `left wing`; module `bought in May`;" in made


def test_stays_short_whatever_a_run_holds():
    results = tuple(replace(RESULTS[2], name=f"check {n}", reason="x" * 10_000) for n in range(1000))
    made = markdown_summary((Outcome(replace(JUDGEMENT, results=results), HEADER, "x"),), ("a",))
    assert len(made) < 60_000
    assert "and 940 more" in made


def test_is_whole_for_a_hostile_run():
    made = markdown_summary((hostile_outcome(),), ("x`y",))
    assert all(line.isprintable() for line in made.split("\n"))

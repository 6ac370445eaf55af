"""The report tells likely causes in words, in verdict.json and in junit.xml."""

from __future__ import annotations

from dataclasses import replace

import pytest
from report_samples import CAUSE, OUTCOME

from harness.report.causes import cause_lines, how_likely, one_line
from harness.report.document import KEYS, verdict_document
from harness.report.junit import junit_xml
from harness.report.text import render

LOOP = CAUSE


@pytest.mark.parametrize(
    ("strength", "words"),
    [(0.95, "all but certain"), (0.8, "very likely"), (0.6, "likely"), (0.4, "possible")],
)
def test_strength_is_told_in_words(strength: float, words: str) -> None:
    assert how_likely(replace(LOOP, strength=strength)) == words


def test_a_cause_is_told_with_what_speaks_for_and_against_it_and_what_would_settle_it() -> None:
    assert cause_lines((LOOP,), full=False) == [
        "Likely causes, by the recording:",
        "1. The receiver looks for packets only every 45 ms. (all but certain)",
        "   explains: latency",
        "   for: Packets took effect on a grid.",
        "   against: None.",
        "   settle it: Time the loop.",
    ]


def test_the_short_report_tells_three_causes_and_counts_the_rest() -> None:
    five = tuple(replace(LOOP, key=f"cause-{number}") for number in range(5))
    short, full = cause_lines(five, full=False), cause_lines(five, full=True)
    assert short[-1] == "2 more in report.txt or with --full."
    assert sum("settle it" in line for line in short) == 3
    assert sum("settle it" in line for line in full) == 5
    assert cause_lines((), full=True) == []


def test_what_a_plan_or_device_named_is_escaped() -> None:
    odd = replace(LOOP, title="\x1b[31mred.", explains=("la\ntency",))
    assert not any("\x1b" in line or "\n" in line for line in cause_lines((odd,), full=True))


def test_a_failed_check_gets_its_likeliest_cause_in_a_line() -> None:
    design = replace(LOOP, by_design=True)
    assert one_line((design, LOOP), "latency") == f"likely cause: {LOOP.title}"
    assert one_line((design,), "latency") == one_line((LOOP,), "delivery") == ""


def test_every_report_has_the_causes() -> None:
    told = OUTCOME
    name = next(one.name for one in told.judgement.results if one.verdict.value == "error")
    cause = replace(LOOP, explains=(name,))
    told = replace(told, judgement=replace(told.judgement, causes=(cause,)))
    (document,) = verdict_document(told)["causes"]  # type: ignore[misc]
    assert {f"causes.{key}" for key in document} == {key for key in KEYS if key.startswith("causes.")}
    assert document["title"] == LOOP.title
    assert f"likely cause: {LOOP.title}" in junit_xml((told,))
    assert "Likely causes, by the recording:" in render(told)

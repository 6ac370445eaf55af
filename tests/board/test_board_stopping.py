"""The scoreboard stops a run once its defect is found for certain, and only then."""

from __future__ import annotations

import pytest

from harness.board import Job, Played, play
from harness.board.command import PLANS
from harness.board.playing import own_check, plan_of
from harness.board.stopping import FACTS, risk_of
from harness.plan.model import Check
from harness.verdict import Verdict


def played_whole(job: Job, monkeypatch: pytest.MonkeyPatch) -> Played:
    """The same job with nobody who stops it."""
    with monkeypatch.context() as patched:
        patched.setattr("harness.board.playing.own_check", lambda _: "")
        return play(job)


@pytest.mark.parametrize(
    ("plan", "defect"),
    [
        ("first-look", "eight-bits"),
        ("first-look", "display-blocks"),
        ("failsafe", "failsafe-late"),
        ("failsafe", "failsafe-fed-by-strangers"),
    ],
)
def test_a_stopped_run_fails_as_the_whole_one_does(
    plan: str, defect: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = Job(plan, 2, defect=defect)
    found = play(job)
    assert (found.verdict, found.failed) == (Verdict.FAIL, (own_check(job),))
    assert found.stopped in {step.path for step in plan_of(plan).steps}
    whole = played_whole(job, monkeypatch)
    assert (whole.verdict, whole.stopped) == (Verdict.FAIL, "")
    assert own_check(job) in whole.failed


def test_a_defect_that_is_found_by_a_share_is_played_to_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    job = Job("first-look", 2, defect="slow-loop-one-place")
    assert own_check(job) == "delivery"
    found = play(job)
    assert found == played_whole(job, monkeypatch)
    assert (found.verdict, found.stopped) == (Verdict.FAIL, "")


@pytest.mark.parametrize("word", ["fidelity", "failsafe_entry", "no_false_failsafe", "control_gap"])
def test_looks_at_a_healthy_run_find_nothing(word: str, monkeypatch: pytest.MonkeyPatch) -> None:
    job = Job("first-look", 4)
    whole = play(job)
    monkeypatch.setattr("harness.board.playing.own_check", lambda _: word)
    assert play(job) == whole
    assert whole.verdict is Verdict.PASS


def test_nothing_must_catch_a_healthy_rig_or_a_near_miss() -> None:
    assert own_check(Job("failsafe", 1)) == ""
    assert own_check(Job("failsafe", 1, defect="failsafe-late", near_miss=True)) == ""


@pytest.mark.parametrize("rule", FACTS)
def test_what_judges_facts_has_no_risk(rule: type[Check]) -> None:
    rules = [one.rule for plan in PLANS for one in plan_of(plan).checks if type(one.rule) is rule]
    assert rules
    assert all(risk_of(one) == 0 for one in rules)

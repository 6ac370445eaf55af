"""The harness names the mechanism behind a faulty device, by the recording alone."""

import re

import pytest
from why_runs import all_failed, causes_of, evidence_of

from harness.why import likely_causes
from mocks.defects import CATALOGUE
from mocks.defects.reasons_devices import REASONS

ELSEWHERE = {"supply"}
"""Keys whose suspect belongs to the link, and is tested with it."""
ONE_EACH = list(
    {keys[0]: name for name, keys in reversed(REASONS.items()) if keys[0] not in ELSEWHERE}.values()
)
"""One defect for each cause: `tests/evidence` has the whole table, under many seeds."""
NEAR = (
    "failsafe-late", "failsafe-only-once", "failsafe-misses-phase", "failsafe-counts-flickers",
    "stale-throttle-on-reconnect", "servo-glitch", "telemetry-trembles", "telemetry-clipped",
    "end-clipped", "outputs-smeared", "update-torn",
)  # fmt: skip
NUMBER = re.compile(r"\d")
UNIT = re.compile(r"\d (us|ms|s|min|Hz|%|bits|[a-z]+s)\b")


@pytest.mark.parametrize("defect", ONE_EACH)
def test_the_true_cause_is_named_first(defect):
    causes = causes_of(evidence_of(defect))
    assert causes
    first = causes[0]
    assert first.key in REASONS[defect], [(one.key, one.strength, one.title) for one in causes]
    assert first.explains
    assert first.strength >= 0.6
    assert NUMBER.search(" ".join((first.title, *first.speaks_for)))
    assert UNIT.search(" ".join((first.title, *first.speaks_for))), first.speaks_for
    assert first.next_step.endswith(".")
    assert all(one.endswith(".") for one in (*first.speaks_for, *first.speaks_against))
    assert defect not in first.title


@pytest.mark.parametrize("defect", NEAR)
def test_a_near_miss_leaves_no_trace_of_it_even_where_every_check_is_said_to_have_failed(defect):
    found = [one.key for one in causes_of(evidence_of(defect, near=True))]
    assert not found


@pytest.mark.parametrize("plan", ["first-look", "acceptance", "failsafe"])
def test_nothing_is_claimed_of_a_healthy_run_even_where_every_check_is_said_to_have_failed(plan):
    assert not causes_of(evidence_of(plan=plan))


def test_telemetry_that_is_one_packet_old_is_told_as_by_design_and_explains_nothing():
    evidence = evidence_of(plan="first-look")
    told = [one for one in likely_causes(evidence, ()) if one.by_design]
    assert [one.key for one in told] == ["telemetry-one-old"]
    assert told[0].explains == ()


def test_a_cause_explains_failed_checks_only():
    evidence = evidence_of("failsafe-never")
    passed = [one for one in all_failed(evidence.plan) if one.kind != "failsafe_entry"]
    assert "failsafe-missing" not in [one.key for one in likely_causes(evidence, passed)]


def test_every_defect_of_the_table_is_in_the_catalogue():
    names = {one.name for one in CATALOGUE}
    assert set(REASONS) <= names


def test_every_cause_that_may_turn_a_motor_says_so():
    causes = causes_of(evidence_of("failsafe-late"))
    assert "Propellers off" in causes[0].next_step

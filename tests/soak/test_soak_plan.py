"""The harness finds by a soak what takes hours to show, and passes a healthy link; here hours are minutes."""

import pytest
from soaked import by_rounds, kinds, played

from harness.plan.find import shipped_plans
from harness.plan.reader import parse_plan
from harness.verdict import Verdict
from mocks.defects import find_defect
from mocks.defects.delivery import DiscardsFew
from mocks.defects.hours import LeaksMemory, LosesMoreEachHour, StallsOnceAnHour, TakesMemoryOnce
from mocks.defects.latency import DelaysALittle, DelaysMoreAndMore

SHIPPED = shipped_plans()["soak"].read_text(encoding="utf-8")
SHORTER = {
    "for: 8 h": "for: 8 min",
    "for: 4 min": "for: 8 s",
    "for: 30 s": "for: 2 s",
    "times: 40": "times: 8",
    "period_up_to: 5 s": "period_up_to: 200 ms",  # a round of seconds shows no longer ones
}
"""Minutes stand for hours: limits an hour get sixty times as wide, as does what defects do in an hour."""
LIMITS = {"latency: 500 us": "latency: 30 ms", "delivery: 0.3 %": "delivery: 18 %",
          "free_memory: 32": "free_memory: 1920", "telemetry_age: 2 ms": "telemetry_age: 120 ms"}  # fmt: skip


def short_text(soak="8 min"):
    text = SHIPPED
    for long, short in {**SHORTER, **LIMITS, "for: 8 h": f"for: {soak}"}.items():
        assert text.count(long) == 1, long
        text = text.replace(long, short)
    return text


@pytest.fixture
def quick(monkeypatch):
    """Let the defects do in a minute what they do in an hour."""
    monkeypatch.setattr(DelaysMoreAndMore, "IN_AN_HOUR_NS", 60 * DelaysMoreAndMore.IN_AN_HOUR_NS)
    monkeypatch.setattr(LeaksMemory, "BLOCKS_AN_HOUR", 60 * LeaksMemory.BLOCKS_AN_HOUR)
    monkeypatch.setattr(LosesMoreEachHour, "IN_AN_HOUR", 60 * LosesMoreEachHour.IN_AN_HOUR)
    monkeypatch.setattr(StallsOnceAnHour, "EVERY_NS", StallsOnceAnHour.EVERY_NS // 60)


def judged(defect=None, seed=1, *, near_miss=False):
    text = short_text()
    played.cache_clear()
    return by_rounds(played(text, seed, "mock", defect, near_miss=near_miss), text)


@pytest.mark.slow
def test_a_healthy_link_passes():
    judgement = judged()
    open_ = {result.name: result.reason for result in judgement.results if result.verdict != "pass"}
    assert set(open_) <= {"failsafe_entry"}  # fewer than 59 cuts in so few minutes
    assert judgement.verdict in (Verdict.PASS, Verdict.INCONCLUSIVE)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["latency-creeps", "memory-leaks", "loss-creeps", "stall-once-an-hour"])
@pytest.mark.usefixtures("quick")
def test_a_defect_fails_the_check_that_must_catch_it_and_its_near_miss_passes(name):
    defect = find_defect(name)
    assert defect.plan == "soak"
    found = kinds(judged(name))
    assert found[defect.caught_by].verdict is Verdict.FAIL, found[defect.caught_by].reason
    near = judged(name, near_miss=True)
    assert not {one.kind: one.reason for one in near.results if one.verdict is Verdict.FAIL}
    assert kinds(near)[defect.caught_by].verdict is Verdict.PASS, kinds(near)[defect.caught_by].reason


def test_the_shipped_soak_is_eight_hours_of_rounds_of_five_minutes():
    from harness.clock import S
    from harness.plan.extent import total_ns
    from harness.plan.soak import soak_ns, usual_rounds

    plan = parse_plan(SHIPPED, "soak")
    assert plan.soak.for_ns == 8 * 3600 * S
    assert 240 * S < total_ns(plan.steps, plan.link) < 600 * S
    assert 90 < usual_rounds(plan) < 110
    assert 8 * 3600 * S <= soak_ns(plan) < 8.2 * 3600 * S
    drift = next(check.rule for check in plan.checks if check.rule.WORD == "drift")
    assert 2 * usual_rounds(plan) > 59  # cuts for 95 % of them to be shown
    assert drift.latency_ns is not None


def test_the_shipped_soak_is_written_to_be_read():
    lines = SHIPPED.splitlines()
    assert lines[0] == "# yaml-language-server: $schema=../shared/plan.schema.json"
    assert len(parse_plan(SHIPPED, "soak").about) > 200
    assert max(map(len, lines)) <= 100


def test_near_misses_are_subclasses_that_stop_or_never_begin():
    assert TakesMemoryOnce.MOST < LeaksMemory.MOST
    assert DelaysALittle.MOST_NS < DelaysMoreAndMore.MOST_NS
    assert DiscardsFew.SHARE < 0.01

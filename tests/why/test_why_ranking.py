"""The harness puts first what explains the failure."""

from __future__ import annotations

from harness.likely import Likely
from harness.verdict import CheckResult, Verdict
from harness.why.ranking import ranked

RESULTS = (
    CheckResult("delivery", "delivery", Verdict.FAIL, "lost"),
    CheckResult("latency", "latency", Verdict.FAIL, "late"),
    CheckResult("fidelity", "fidelity", Verdict.PASS, ""),
)


def cause(key: str, strength: float, *explains: str, by_design: bool = False) -> Likely:
    return Likely(key, f"{key}.", explains, strength, ("seen",), by_design=by_design)


def order(*causes: Likely) -> list[str]:
    return [one.key for one in ranked(causes, RESULTS)]


def test_a_cause_that_explains_a_failure_comes_before_a_stronger_one_that_does_not() -> None:
    assert order(cause("odd", 0.95), cause("queue", 0.6, "latency")) == ["queue", "odd"]
    assert order(cause("passed", 0.95, "fidelity"), cause("queue", 0.6, "latency")) == ["queue", "passed"]


def test_trouble_on_the_bench_comes_before_the_link() -> None:
    assert order(cause("queue", 0.95, "latency"), cause("serial-line", 0.8, "latency"))[0] == "serial-line"
    assert order(cause("queue", 0.95, "latency"), cause("serial-line", 0.8))[0] == "queue"


def test_the_stronger_cause_comes_first_and_of_equals_the_one_that_explains_more() -> None:
    assert order(cause("queue", 0.6, "latency"), cause("slow-loop", 0.8, "latency"))[0] == "slow-loop"
    more = cause("blocking-routine", 0.95, "latency", "delivery")
    assert order(cause("queue", 0.95, "latency"), more)[0] == "blocking-routine"


def test_a_general_cause_is_silent_where_a_special_one_explains_as_much() -> None:
    general = cause("starved-receiver", 0.6, "delivery")
    assert order(general, cause("framing", 0.95, "delivery", "latency")) == ["framing"]
    assert order(general, cause("framing", 0.95, "latency")) == ["framing", "starved-receiver"]
    assert order(general, cause("repetitions", 0.6, "delivery")) == ["starved-receiver", "repetitions"]


def test_weak_causes_are_not_told_and_each_key_once() -> None:
    assert order(cause("queue", 0.2, "latency")) == []
    assert order(cause("supply", 0.6, "latency"), cause("supply", 0.95, "delivery")) == ["supply"]


def test_what_is_by_design_comes_last() -> None:
    told = order(cause("preloaded", 0.95, "latency", by_design=True), cause("queue", 0.4, "latency"))
    assert told == ["queue", "preloaded"]

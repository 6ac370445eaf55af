"""Margins from the command line: with units, for one figure or a group, and clear errors."""

import pytest
from compare_runs import SHORT

from harness.compare.figures import BY_KEY
from harness.compare.margins import margin_for, read_confidence, read_margins
from harness.errors import UserError
from harness.plan.reader import parse_plan

LINK = parse_plan(SHORT, "short.yaml", "short").link


def test_margins_have_units_and_a_group_stands_for_its_figures():
    found = read_margins(
        ["delivery=0.5 %", "latency=3 ms", "latency_p99 = 5000 us", "attempts=0.2", "packet_rate=1 Hz"]
    )
    assert found == {
        "delivery": 0.5, "latency_p50": 3.0, "latency_p90": 3.0, "latency_p99": 5.0, "latency_spread": 3.0,
        "attempts": 0.2, "packet_rate": 1.0,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("latency_p90", "write FIGURE=VALUE"),
        ("latncy_p90=3 ms", "did you mean latency_p90?"),
        ("latency_p90=3", "has no unit; write 3 ms"),
        ("delivery=3 ms", "--margin delivery: "),
        ("latency_p90=-3 ms", "--margin latency_p90: "),
        ("attempts=-1", "is below 0"),
        ("=3 ms", "no figure ''"),
    ],
)
def test_a_wrong_margin_says_what_is_due(word, told):
    with pytest.raises(UserError) as error:
        read_margins([word])
    assert told in str(error.value)


def test_all_wrong_margins_are_told_at_once():
    with pytest.raises(UserError) as error:
        read_margins(["a=1", "b=2", "delivery=1 %"])
    assert len(str(error.value).splitlines()) == 2


def test_clocks_widen_a_margin_of_time_unless_it_was_given():
    latency, delivery = BY_KEY["latency_p50"], BY_KEY["delivery"]
    assert margin_for(latency, LINK, {}, 0.5) == 2.0
    assert margin_for(latency, LINK, {}, 1.81) == 2.9
    assert margin_for(latency, LINK, {"latency_p50": 1.0}, 1.81) == 1.0
    assert margin_for(delivery, LINK, {}, 10.0) == 1.0


@pytest.mark.parametrize("word", ["95", "20 %", "100 %", "high"])
def test_a_confidence_is_a_share_from_50_to_99_9_percent(word):
    assert read_confidence("95 %") == 0.95
    with pytest.raises(UserError, match="--confidence"):
        read_confidence(word)

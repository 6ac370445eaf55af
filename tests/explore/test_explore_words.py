"""The harness reads link time as it is typed, and tells times and counts as a person would."""

import pytest

from harness.clock import MS, S
from harness.explore.words import MINUTE, parse_link_time, time_words
from harness.plan.wording import many


@pytest.mark.parametrize(
    ("text", "time_ns"), [("5m", 5 * MINUTE), ("90 s", 90 * S), ("1.5h", 90 * MINUTE), ("2 min", 2 * MINUTE)]
)
def test_a_time_is_read_with_its_unit(text, time_ns):
    assert parse_link_time(text) == time_ns


@pytest.mark.parametrize("text", ["", "5", "0", "-1", "five", "5 d", "1e9s", "99999999h", "m", "5mm", "--5m"])
def test_what_is_no_time_is_refused_with_an_example(text):
    with pytest.raises(ValueError, match="is no time; write a number and s, m or h, such as 5m"):
        parse_link_time(text)


@pytest.mark.parametrize("text", ["-1m", "-5 s", "0s", "0.999s", "25h", "24.001h"])
def test_a_time_out_of_range_is_refused_with_the_range(text):
    with pytest.raises(ValueError, match="is out of range; write a time from 1s to 24h, such as 5m"):
        parse_link_time(text)


@pytest.mark.parametrize(
    ("time_ns", "told"),
    [(0, "0 s"), (2_860 * MS, "2.86 s"), (60 * S, "1 min"), (1_206 * S, "20.1 min"), (200 * S, "3.33 min")],
)
def test_a_time_is_told_in_seconds_below_a_minute(time_ns, told):
    assert time_words(time_ns) == told


@pytest.mark.parametrize(("number", "told"), [(0, "0 steps"), (1, "1 step"), (2, "2 steps")])
def test_a_number_is_told_with_its_noun(number, told):
    assert many(number, "step") == told

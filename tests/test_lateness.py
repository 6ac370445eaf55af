"""The harness counts how late messages left, in bins that lose no more than an eighth."""

import json
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.clock import US
from harness.lateness import Lateness, all_together, read_lateness


def noted(times_ns):
    late = Lateness()
    for time_ns in times_ns:
        late.note(time_ns)
    return late


@given(st.lists(st.integers(0, 10**13), min_size=1, max_size=200), st.sampled_from([0.01, 0.5, 0.99, 1.0]))
def test_reads_quantiles_at_most_an_eighth_or_a_microsecond_too_long(times_ns, share):
    late = noted(times_ns)
    ordered = sorted(times_ns)
    exact = ordered[max(0, -(-int(share * 1000) * len(ordered) // 1000) - 1)]
    assert exact <= late.quantile_ns(share) <= exact * 9 // 8 + 2 * US
    assert late.quantile_ns(1.0) == late.most_ns == max(times_ns)


def test_agrees_with_the_standard_library_on_a_known_set():
    times = [number * 10 * US for number in range(1, 1001)]
    assert noted(times).quantile_ns(0.5) == pytest.approx(statistics.median(times), rel=0.13)


def test_an_early_message_is_in_time():
    late = noted([-5, -1])
    assert (late.count, late.most_ns, late.quantile_ns(0.99)) == (2, 0, 0)


@given(st.lists(st.integers(0, 2**63 - 1), max_size=50), st.integers(0, 9))
def test_comes_back_from_what_a_mark_holds(times_ns, left_out):
    late = noted(times_ns)
    late.left_out = left_out
    back = read_lateness({"path": "steps[0]", **json.loads(json.dumps(late.fields()))})
    assert back is not None
    assert back.fields() == late.fields()


@pytest.mark.parametrize(
    "fields",
    [
        {},
        {"count": 1, "left_out": 0, "most_ns": 5, "bins": [[0, 2]]},
        {"count": 1, "left_out": 0, "most_ns": 5, "bins": [[99_999, 1]]},
        {"count": 1, "left_out": 0, "most_ns": 5, "bins": [[0, 1, 2]]},
        {"count": 1, "left_out": 0, "most_ns": -5, "bins": [[0, 1]]},
        {"count": 1, "left_out": True, "most_ns": 5, "bins": [[0, 1]]},
        {"count": "1", "left_out": 0, "most_ns": 5, "bins": [[0, 1]]},
        {"count": 1, "left_out": 0, "most_ns": 5, "bins": {"0": 1}},
        {"count": 0, "left_out": 0, "most_ns": 5, "bins": [[0, 0]] * 1000},
    ],
)
def test_takes_nothing_from_a_mark_that_was_damaged(fields):
    assert read_lateness(fields) is None


def test_several_steps_count_as_one():
    one, two = noted([US, 5 * US]), noted([700 * US])
    two.left_out = 3
    both = all_together([one, two])
    assert both.fields() == noted([US, 5 * US, 700 * US]).fields() | {"left_out": 3}

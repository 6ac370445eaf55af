"""The harness rounds away the digits that differ from processor to processor, and no others."""

import math

import numpy as np
import pytest

from harness.findings import Figure, Grid, Section
from harness.judge.steady import steady_result, steady_section
from harness.verdict import CheckResult, Verdict

# The same sum on three kinds of vector unit, as seen once.
NEAR = (6.326234495535267, 6.326234495535272, 6.326234495535263)


def result(number):
    return CheckResult(
        "x",
        "x",
        Verdict.PASS,
        "",
        value=number,
        interval=(number - 1, None),
        uncertainty=number / 7,
        limit=10.0,
    )


def section(number):
    figures = (Figure("a", number, "ms", (None, number)),)
    return Section("clocks", "x", figures, (Grid("t", ("a", "b", "c"), ((number, "text", 3),)),))


@pytest.mark.parametrize(("make", "steady"), [(result, steady_result), (section, steady_section)])
def test_hides_how_a_processor_adds(make, steady):
    assert len({repr(steady(make(number))) for number in NEAR}) == 1
    assert repr(steady(make(6.3262))) != repr(steady(make(6.32621)))


def test_keeps_what_is_exact():
    kept = steady_result(result(0.1))
    assert (kept.value, kept.interval, kept.limit) == (0.1, (-0.9, None), 10.0)
    whole = steady_section(section(1234567890123)).figures[0]
    assert (whole.value, whole.interval) == (1234567890123, (None, 1234567890123))
    assert steady_section(section(3.0)).grids[0].rows == ((3.0, "text", 3),)


@pytest.mark.parametrize("odd", [math.inf, -math.inf, np.float64("inf")])
def test_leaves_what_is_not_finite(odd):
    assert steady_result(result(odd)).value == odd


def test_takes_nan_and_nothing():
    assert math.isnan(steady_result(result(math.nan)).value)
    bare = CheckResult("x", "x", Verdict.PASS, "")
    assert steady_result(bare) == bare

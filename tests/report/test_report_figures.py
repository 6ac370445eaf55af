"""The harness tells numbers with their unit and the digits they deserve."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_samples import INFINITE

from harness.findings import percent
from harness.report.figures import PLACES_MAX, figures, with_unit
from harness.verdict import CheckResult, Verdict


def told(**fields):
    return figures(CheckResult(name="x", kind="x", verdict=Verdict.PASS, reason="", **fields))


@pytest.mark.parametrize(
    ("value", "unit", "limit", "words"),
    [
        (99.931972, "%", ("at least", 99.0), ("99.93 %", "at least 99 %", "0.93 %")),
        (98.996, "%", ("at least", 99.0), ("98.9960 %", "at least 99 %", "-0.0040 %")),
        (0.9993, "share", ("at least", 0.99), ("99.93 %", "at least 99 %", "0.93 %")),
        (12_412_345.0, "ns", ("at most", 2e7), ("12.4 ms", "at most 20 ms", "7.6 ms")),
        (312_400_000.0, "ns", ("at most", 5e8), ("312 ms", "at most 500 ms", "188 ms")),
        (4_200.0, "ns", ("at most", 8_500.0), ("4.2 us", "at most 8.5 us", "4.3 us")),
        (1.5e10, "ns", ("at most", 2e10), ("15 s", "at most 20 s", "5 s")),
        (300.0, "ns", None, ("300 ns", "", "")),
        (1500.0, "us", ("at most", 2000.0), ("1500 us", "at most 2000 us", "500 us")),
        (1.0, "packets", ("at most", 1.0), ("1 packet", "at most 1", "0")),
        (1.0, "packets in a row", ("at most", 5.0), ("1 packet in a row", "at most 5", "4")),
        (47.3, "dB", ("at least", 40.0), ("47.3 dB", "at least 40 dB", "7.3 dB")),
        (3.0, "", ("at most", 0.0), ("3", "at most 0", "-3")),
        (INFINITE, "ns", ("at most", 1e9), ("never", "at most 1000 ms", "")),
        (INFINITE, "%", None, ("infinite", "", "")),
        (math.nan, "%", None, ("unknown", "", "")),
        (3.14159265, "V", None, ("3.14 V", "", "")),
        (0.0, "V", None, ("0 V", "", "")),
        (-1e-9, "V", ("at most", 1.0), ("0.0 V", "at most 1 V", "1.0 V")),
        (None, "", None, ("", "", "")),
    ],
)
def test_tells_value_limit_and_margin(value, unit, limit, words):
    side, number = limit or ("", None)
    shown = told(value=value, unit=unit, side=side, limit=number)
    assert (shown.value, shown.limit, shown.margin) == words


@pytest.mark.parametrize(
    ("interval", "words"),
    [
        ((99.61, 99.99), "99.61 to 99.99 %"),
        ((99.0, None), "99.0 % or more"),
        ((99.0, INFINITE), "99.0 % or more"),
        ((None, 99.9), "99.9 % or less"),
        ((-INFINITE, 99.9), "99.9 % or less"),
        ((None, None), ""),
        ((INFINITE, INFINITE), ""),
        (None, ""),
    ],
)
def test_tells_an_interval_with_open_ends(interval, words):
    assert told(value=99.5, unit="%", interval=interval).interval == words


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"interval": (10.0, 12.0), "uncertainty": 0.5}, "9.5 to 12.5 ms"),
        ({"interval": (0.2, 12.0), "uncertainty": 0.5}, "0.0 to 12.5 ms"),
        ({"interval": (10.0, None), "uncertainty": 0.5}, "9.5 ms or more"),
        ({"interval": (None, 12.0), "uncertainty": 0.5}, "12.5 ms or less"),
        ({"uncertainty": 0.5}, "+- 0.50 ms"),
        ({"uncertainty": 0.00123}, "+- 0.0012 ms"),
        ({"uncertainty": 12.3}, "+- 12 ms"),
        ({"uncertainty": 0.0}, ""),
        ({"uncertainty": math.inf}, ""),
    ],
)
def test_widens_an_interval_by_the_uncertainty_as_the_verdict_does(fields, words):
    assert told(value=11.0, unit="ms", limit=14.25, side="at most", **fields).interval == words


def test_joins_what_there_is_in_one_line():
    shown = told(value=2.0, unit="packets", limit=3.0, side="at most", samples=1, sample_unit="cuts")
    assert shown.line() == "value 2 packets, limit at most 3, margin 1, samples 1 cut"


@pytest.mark.parametrize(
    ("number", "unit", "words"), [("1", "cuts", "1 cut"), ("1", "ms", "1 ms"), ("2", "", "2")]
)
def test_counts_one_thing_in_the_singular(number, unit, words):
    assert with_unit(number, unit) == words


def test_tells_a_share_as_a_percentage():
    assert (percent(0.95), percent(0.999), percent(0.99999)) == ("95 %", "99.9 %", "99.999 %")


def test_escapes_units():
    assert "\x1b" not in told(value=1.5, unit="\x1b", samples=2, sample_unit="\x1b").line()


finite = st.floats(-1e12, 1e12)


@given(finite, finite)
def test_never_rounds_a_value_onto_the_other_side_of_its_limit(value, limit):
    shown = told(value=value, unit="V", limit=limit, side="at most")
    number, bound = float(shown.value.split()[0]), float(shown.limit.split()[2])
    if abs(value - limit) > max(10.0**-PLACES_MAX, abs(limit) * 1e-9):
        assert (number > bound) == (value > limit)


anything = st.none() | st.floats() | st.sampled_from([5e-324, 1.7e308, -1.7e308, 0.0, -0.0])


@given(anything, anything, anything, anything, st.sampled_from(["ns", "us", "%", "share", "", "packets"]))
def test_tells_any_numbers_without_trouble(value, limit, low, high, unit):
    result = CheckResult(
        name="x",
        kind="x",
        verdict=Verdict.PASS,
        reason="",
        value=value,
        limit=limit,
        interval=(low, high),
        unit=unit,
    )
    for side in ("at least", "at most", ""):
        assert figures(replace(result, side=side)).line().isprintable()


@pytest.mark.parametrize(
    ("number", "unit", "words"),
    [
        ("1", "searches", "1 search"), ("1 more", "cuts", "1 more cut"), ("2 more", "cuts", "2 more cuts"),
        ("1", "wrong pulses", "1 wrong pulse"), ("1", "packets in a row", "1 packet in a row"),
        ("10", "packets in a row", "10 packets in a row"), ("1", "% of packets", "1 % of packets"),
        ("1", "s", "1 s"), ("1", "", "1"), ("1", "packets/s", "1 packets/s"),
    ],
)  # fmt: skip
def test_counts_one_thing_in_the_singular_whatever_follows(number, unit, words):
    assert with_unit(number, unit) == words

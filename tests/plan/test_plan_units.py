"""The harness reads and writes quantities exactly."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.plan import units
from harness.plan.units import QuantityError


def _decibel(text: str) -> int:
    return units.parse_decibel(text, ("dBm", "dB"))


EXACT = [
    # SI brochure, 9th edition: section 3 (milli 10**-3, micro 10**-6, kilo 10**3), section 4, table 8
    # (1 min = 60 s, 1 h = 60 min).
    (units.parse_duration, "20 ms", 20_000_000),
    (units.parse_duration, "20ms", 20_000_000),
    (units.parse_duration, "20   ms", 20_000_000),
    (units.parse_duration, "1.5 s", 1_500_000_000),
    (units.parse_duration, "0.1 s", 100_000_000),
    (units.parse_duration, "0.001 us", 1),
    (units.parse_duration, "1 min", 60 * 10**9),
    (units.parse_duration, "1 h", 3600 * 10**9),
    (units.parse_duration, "0 ms", 0),
    (units.parse_duration, "007 s", 7 * 10**9),
    (units.parse_frequency, "50 Hz", 50_000),
    (units.parse_frequency, "0.5 Hz", 500),
    (units.parse_frequency, "1 mHz", 1),
    (units.parse_frequency, "1.25 kHz", 1_250_000),
    (units.parse_pulse, "1500 us", 1500),
    (units.parse_pulse, "1500.0 us", 1500),
    (units.parse_pulse_range, "1000 us to 2000 us", (1000, 2000)),
    (units.parse_share, "99.5 %", Fraction(199, 200)),
    (units.parse_share, "100%", Fraction(1)),
    (units.parse_number, "0.01", Fraction(1, 100)),
    (units.parse_number, "-2", Fraction(-2)),
    (units.parse_number, "+2.5", Fraction(5, 2)),
    (units.parse_number, "1e-3", Fraction(1, 1000)),
    (units.parse_number, "2.5E+2", Fraction(250)),
    (_decibel, "20 dB", 200),
    (_decibel, "0.5dB", 5),
    (_decibel, "-10 dBm", -100),
    (_decibel, "-0 dBm", 0),
    (units.parse_distance, "1 m", 1_000),
    (units.parse_distance, "2.5 km", 2_500_000),
    (units.parse_distance, "12 cm", 120),
    (units.parse_whole, "20", 20),
    (units.parse_whole, "-20", -20),
]


@pytest.mark.parametrize(("parse", "text", "value"), EXACT, ids=[f"{p.__name__} {t}" for p, t, _ in EXACT])
def test_reads_a_quantity(parse, text, value) -> None:
    assert parse(text) == value


ANY_UNIT = "(us, ms, s, min, h)"
WRONG = [
    (_decibel, "-30", "'-30' has no unit", "write -30 dBm, or another unit: dB", ""),
    (_decibel, "-30 dbm", "unknown unit 'dbm'", "units here: dBm, dB", "-30 dBm"),
    (_decibel, "10 db", "unknown unit 'db'", "units here: dBm, dB", "10 dB"),
    (_decibel, "0.55 dB", "'0.55 dB' is finer than 0.1 dBm", "write at most one decimal", ""),
    (_decibel, "- 3 dB", "'- 3 dB' has a blank after the sign", "write it such as -10 dBm", ""),
    (_decibel, "-1,5 dB", "'-1,5 dB' has a comma", "write a decimal point", "-1.5 dB"),
    (units.parse_distance, "1 metre", "unknown unit 'metre'", "units here: mm, cm, m, km", "1 m"),
    (
        units.parse_distance,
        "0.1 mm",
        "'0.1 mm' is a distance finer than 1 mm",
        "write at most three decimals of a m",
        "",
    ),
    (units.parse_duration, "20", "'20' has no unit", "write 20 ms, or another unit: us, s, min, h", ""),
    (units.parse_frequency, "50", "'50' has no unit", "write 50 Hz, or another unit: mHz, kHz", ""),
    (units.parse_pulse, "1500", "'1500' has no unit", "write 1500 us", ""),
    (units.parse_share, "99", "'99' has no unit", "write 99 %", ""),
    (units.parse_share, "0.995", "'0.995' has no unit", "write 99.5 %", ""),
    (units.parse_duration, "-5 ms", "'-5 ms' is negative", "write zero or more, without a sign", ""),
    (units.parse_duration, "- 5 ms", "'- 5 ms' is negative", "write zero or more, without a sign", ""),
    (units.parse_duration, "+5 ms", "'+5 ms' has a sign", "leave the + out", ""),
    (
        units.parse_duration,
        ".nan",
        "'.nan' is not a finite number",
        "write a number with a unit, such as 20 ms",
        "",
    ),
    (
        units.parse_duration,
        "NaN s",
        "'NaN s' is not a finite number",
        "write a number with a unit, such as 20 ms",
        "",
    ),
    (
        units.parse_duration,
        "-inf",
        "'-inf' is not a finite number",
        "write a number with a unit, such as 20 ms",
        "",
    ),
    (
        units.parse_share,
        "infinity %",
        "'infinity %' is not a finite number",
        "write a number with a unit, such as 20 %",
        "",
    ),
    (
        units.parse_duration,
        "1e3 ms",
        "'1e3 ms' is in exponent form",
        "write the digits out, such as 20 ms",
        "",
    ),
    (units.parse_duration, "1e3", "'1e3' is in exponent form", "write the digits out, such as 20 ms", ""),
    (units.parse_duration, "1,5 s", "'1,5 s' has a comma", "write a decimal point", "1.5 s"),
    (units.parse_duration, "20 sec", "unknown unit 'sec'", "units here: us, ms, s, min, h", "20 s"),
    (units.parse_duration, "20 \u00b5s", "unknown unit '\u00b5s'", "units here: us, ms, s, min, h", "20 us"),
    (units.parse_duration, "20 MS", "unknown unit 'MS'", "units here: us, ms, s, min, h", "20 ms"),
    (units.parse_duration, "5 m", "unknown unit 'm'", "units here: us, ms, s, min, h", "5 min"),
    (units.parse_duration, "5 parsec", "unknown unit 'parsec'", "units here: us, ms, s, min, h", ""),
    (units.parse_frequency, "50 hz", "unknown unit 'hz'", "units here: mHz, Hz, kHz", "50 Hz"),
    (units.parse_pulse, "1.5 ms", "unknown unit 'ms'", "units here: us", "1500 us"),
    (units.parse_duration, "", "nothing stands here", "write a number with a unit, such as 20 ms", ""),
    (
        units.parse_duration,
        "soon",
        "'soon' is not a number with a unit",
        f"write a number with a unit, such as 20 ms {ANY_UNIT}",
        "",
    ),
    (
        units.parse_duration,
        ".5 s",
        "'.5 s' is not a number with a unit",
        f"write a number with a unit, such as 20 ms {ANY_UNIT}",
        "",
    ),
    (
        units.parse_duration,
        "1.2.3 ms",
        "'1.2.3 ms' is not a number with a unit",
        "write at most 15 digits on either side of a decimal point, then the unit",
        "",
    ),
    (
        units.parse_duration,
        "1234567890123456 s",
        "'1234567890123456 s' is not a number with a unit",
        "write at most 15 digits on either side of a decimal point, then the unit",
        "",
    ),
    (
        units.parse_duration,
        "0.0001 us",
        "'0.0001 us' is a time finer than 1 ns",
        "write at most three decimals of a us",
        "",
    ),
    (
        units.parse_frequency,
        "0.0001 Hz",
        "'0.0001 Hz' is a rate finer than 1 mHz",
        "write at most three decimals of a Hz",
        "",
    ),
    (units.parse_pulse, "1500.5 us", "'1500.5 us' is a pulse finer than 1 us", "write whole us", ""),
    (
        units.parse_pulse_range,
        "1000 us",
        "'1000 us' is not a range of pulses",
        "write 1000 us to 2000 us",
        "",
    ),
    (
        units.parse_pulse_range,
        "2000 us to 1000 us",
        "'2000 us to 1000 us' does not go up",
        "write the shorter pulse first",
        "",
    ),
    (units.parse_pulse_range, "1000 to 2000 us", "'1000' has no unit", "write 1000 us", ""),
    (units.parse_number, "1 V", "'1 V' is not a number", "write a decimal number, such as 0.01", ""),
    (units.parse_number, ".inf", "'.inf' is not a finite number", "write a decimal number, such as 0.01", ""),
    (
        units.parse_number,
        "1e999",
        "the exponent of '1e999' is out of range",
        "exponents go from -18 to 18",
        "",
    ),
    (units.parse_number, "1e9999", "'1e9999' is not a number", "write a decimal number, such as 0.01", ""),
    (units.parse_whole, "1.5", "'1.5' is not a whole number", "write digits only, such as 20", ""),
    (units.parse_whole, "010", "'010' is not a whole number", "write digits only, such as 20", ""),
    (units.parse_whole, "1" * 17, f"'{'1' * 17}' is not a whole number", "write digits only, such as 20", ""),
]


@pytest.mark.parametrize(
    ("parse", "text", "found", "allowed", "meant"), WRONG, ids=[f"{p.__name__} {t}" for p, t, *_ in WRONG]
)
def test_says_what_is_wrong_with_a_quantity(parse, text, found, allowed, meant) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text)
    assert (caught.value.found, caught.value.allowed, caught.value.nearest) == (found, allowed, meant)


PARSERS = (
    units.parse_duration,
    units.parse_frequency,
    units.parse_pulse,
    units.parse_pulse_range,
    units.parse_share,
    units.parse_number,
    units.parse_whole,
)
LIKE_A_QUANTITY = st.text("0123456789.,+-eE %usmhinHzkto_xN\u00b5\u0660\u00b2", max_size=20)


@given(st.sampled_from(PARSERS), st.text(max_size=40) | LIKE_A_QUANTITY)
def test_reads_any_text_or_says_that_it_cannot(parse, text: str) -> None:
    error = refusal(parse, text)
    assert error is None or (error.found.isprintable() and error.allowed)


def refusal(parse, text: str) -> QuantityError | None:
    try:
        parse(text)
    except QuantityError as error:
        return error
    return None


@given(st.decimals(0, 10**6, places=3), st.sampled_from(("us", "ms", "s", "min", "h")))
def test_reads_a_duration_as_decimal_arithmetic_does(number: Decimal, unit: str) -> None:
    in_ns = {"us": 10**3, "ms": 10**6, "s": 10**9, "min": 60 * 10**9, "h": 3600 * 10**9}
    assert units.parse_duration(f"{number} {unit}") == number * in_ns[unit]


@given(st.integers(0, 10**18))
def test_reads_back_the_duration_it_writes(ns: int) -> None:
    assert units.parse_duration(units.format_duration(ns)) == ns


@given(st.integers(0, 10**15 - 1))
def test_reads_back_the_rate_and_the_pulse_it_writes(value: int) -> None:
    assert units.parse_frequency(units.format_frequency(value)) == value
    assert units.parse_pulse(units.format_pulse(value)) == value


@given(st.integers(0, 10**9), st.integers(0, 12))
def test_reads_back_the_share_and_the_number_it_writes(numerator: int, places: int) -> None:
    value = Fraction(numerator, 10**places)
    assert units.parse_share(units.format_share(value)) == value
    assert units.parse_number(units.format_number(-value)) == -value


@pytest.mark.parametrize(
    ("ns", "text"),
    [
        (0, "0 ms"),
        (1, "0.001 us"),
        (-3_200, "-3.2 us"),
        (999_999, "999.999 us"),
        (20_000_000, "20 ms"),
        (1_500_000_000, "1.5 s"),
        (90 * 10**9, "90 s"),
        (150 * 10**9, "2.5 min"),
        (151 * 10**9, "151 s"),
        (3600 * 10**9, "60 min"),
        (24 * 3600 * 10**9, "24 h"),
    ],
)
def test_writes_a_duration_in_the_unit_that_reads_best(ns: int, text: str) -> None:
    assert units.format_duration(ns) == text


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (Fraction(123_456_789, 10**6), 3, "123"),
        (Fraction(123_456_789, 10**6), 5, "123.46"),
        (Fraction(12_345), 2, "12345"),
        (Fraction(1, 3), 3, "0.333"),
        (Fraction(2, 3), None, "0.666666666666667"),
        (Fraction(123_456, 10**7), 3, "0.0123"),
        (Fraction(-999_999, 10**6), 2, "-1"),
        (Fraction(0), 3, "0"),
        (Fraction(1, 8), 2, "0.12"),  # half to even
    ],
)
def test_rounds_a_number_to_significant_digits(value: Fraction, digits: int | None, text: str) -> None:
    assert units.format_number(value, digits) == text


def test_rounds_each_quantity_for_a_report() -> None:
    assert units.format_duration(123_456_789, 3) == "123 ms"
    assert units.format_duration(7384 * 10**9, 3) == "2.05 h"
    assert units.format_frequency(49_987, 3) == "50 Hz"
    assert units.format_frequency(500) == "500 mHz"
    assert units.format_share(Fraction(2, 3), 3) == "66.7 %"
    assert units.format_pulse(Fraction(3001, 2), 5) == "1500.5 us"

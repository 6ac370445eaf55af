"""Values that stand apart: the handbook's examples, tables worked out again, and what the tests promise."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from harness.stats import outliers as o

ROSNER = [
    -0.25, 0.68, 0.94, 1.15, 1.2, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65,
    1.69, 1.7, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.1, 2.14, 2.15, 2.23, 2.24, 2.26,
    2.35, 2.37, 2.4, 2.47, 2.54, 2.62, 2.64, 2.9, 2.92, 2.92, 2.93, 3.21, 3.26, 3.3, 3.59, 3.68, 4.3,
    4.64, 5.34, 5.42, 6.01,
]  # fmt: skip
"""NIST/SEMATECH e-Handbook 1.3.5.17.3, 54 values of Rosner 1983. From memory; that the printed statistics
come out of them to the last digit but one shows that no value was misremembered."""
GRUBBS = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
"""NIST/SEMATECH e-Handbook 1.3.5.17.1, mass spectrometer values. From memory."""


def lambda_by_scipy(count, step, risk):
    """The formula of section 1.3.5.17.3 with SciPy's distribution object, which the harness does not use."""
    t = stats.t.ppf(1 - risk / (2 * (count - step + 1)), count - step - 1)
    return (count - step) * t / math.sqrt((count - step - 1 + t**2) * (count - step + 1))


def test_rosners_data_have_three_outliers():
    found = o.rosner(ROSNER, 10, 0.05)
    assert [ROSNER[place] for place in found.places] == [6.01, 5.42, 5.34]


def test_rosners_statistics_are_the_handbooks():
    """Table of section 1.3.5.17.3, from memory; only the decision above rests on nothing else."""
    found = o.rosner(ROSNER, 10, 0.05)
    printed = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
    assert found.statistics == pytest.approx(printed, abs=0.0015)
    printed = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]
    assert found.critical == pytest.approx(printed, abs=0.0015)


@pytest.mark.parametrize("step", range(1, 11))
def test_rosners_critical_values_follow_from_students_t(step):
    assert o.rosner_critical(54, step, 0.05) == pytest.approx(lambda_by_scipy(54, step, 0.05), rel=1e-9)


def test_grubbs_finds_the_handbooks_outlier():
    found = o.grubbs(GRUBBS, 0.05)
    assert found.places == (7,)
    deviation = (245.57 - np.mean(GRUBBS)) / np.std(GRUBBS, ddof=1)
    assert found.statistics[0] == pytest.approx(deviation, rel=1e-12)
    assert found.statistics[0] == pytest.approx(2.4687, abs=1e-4)  # printed there, from memory


def test_grubbs_critical_value_one_sided_at_five_per_cent_is_the_handbooks():
    """2.032 for 8 values at the upper end (printed there, from memory): two-sided it belongs to 10 %."""
    t = stats.t.ppf(1 - 0.05 / 8, 6)
    assert o.grubbs_critical(8, 0.10) == pytest.approx(7 / math.sqrt(8) * math.sqrt(t**2 / (6 + t**2)))
    assert o.grubbs_critical(8, 0.10) == pytest.approx(2.032, abs=5e-4)


@pytest.mark.parametrize("risk", [0.1, 0.05, 0.01, 0.001])
def test_dixons_critical_value_for_three_values_is_that_of_the_closed_form(risk):
    """Of three normal values the gap's share r of the range has the density 3 sqrt(3) / (2 pi (r2 - r + 1)).

    Dixon 1951 (from memory); it integrates to 1, and the larger of both gaps has twice its upper half.
    """

    def density(share):
        return 3 * math.sqrt(3) / (2 * math.pi) / (share**2 - share + 1)

    assert integrate.quad(density, 0, 1)[0] == pytest.approx(1)
    beyond = 2 * integrate.quad(density, o.dixon_critical(3, risk), 1)[0]
    assert beyond == pytest.approx(risk, rel=1e-6)


@pytest.mark.parametrize(
    ("count", "five", "one"),
    [(3, 0.970, 0.994), (4, 0.829, 0.926), (5, 0.710, 0.821), (6, 0.625, 0.740), (7, 0.568, 0.680)],
)
def test_dixons_critical_values_are_near_the_printed_ones(count, five, one):
    """Rorabacher 1991, two-sided 95 and 99 %, from memory; interpolated tables, so to 0.006 only."""
    assert o.dixon_critical(count, 0.05) == pytest.approx(five, abs=0.006)
    assert o.dixon_critical(count, 0.01) == pytest.approx(one, abs=0.006)


@pytest.mark.parametrize("count", [4, 5, 6])
def test_dixons_risk_is_as_stated(count):
    """20 000 samples at 5 %: more than 4.5 standard deviations off once in 150 000 tries."""
    samples = np.sort(np.random.default_rng(count).normal(size=(20_000, count)), axis=1)
    ratio = np.maximum(samples[:, -1] - samples[:, -2], samples[:, 1] - samples[:, 0])
    share = (ratio / (samples[:, -1] - samples[:, 0]) > o.dixon_critical(count, 0.05)).mean()
    assert share == pytest.approx(0.05, abs=4.5 * math.sqrt(0.05 * 0.95 / 20_000))


@pytest.mark.parametrize("count", [8, 14])
def test_grubbs_risk_is_as_stated(count):
    """20 000 samples at 5 %, as above; two-sided Grubbs at n = 8 is exact to a hundredth of the risk."""
    samples = np.random.default_rng(count).normal(size=(20_000, count))
    spread = np.abs(samples - samples.mean(axis=1, keepdims=True)).max(axis=1) / samples.std(axis=1, ddof=1)
    share = (spread > o.grubbs_critical(count, 0.05)).mean()
    assert share == pytest.approx(0.05, abs=4.5 * math.sqrt(0.05 * 0.95 / 20_000))


def test_rosner_finds_two_that_mask_each_other_from_grubbs():
    values = [*(10 + 0.1 * np.sin(np.arange(18))), 14.0, 14.1]
    assert o.grubbs(values, 0.01).places == ()
    assert set(o.rosner(values, 5, 0.01).places) == {18, 19}


def test_equal_values_have_no_odd_one():
    assert o.rosner([5.0] * 15, 3, 0.05).places == ()
    assert o.dixon([5.0] * 4, 0.05).places == ()
    assert o.modified_z([5.0] * 5) == (0.0,) * 5


def test_dixon_looks_at_both_ends():
    assert o.dixon([10.0, 10.1, 10.2, 99.0], 0.05).places == (3,)
    assert o.dixon([-70.0, 10.1, 10.2, 10.3], 0.05).places == (0,)


def test_the_median_rule_is_that_of_the_handbook():
    """0.6745 (x - median) / MAD: e-Handbook 1.3.5.17, from memory. 0.6745 is the normal's quartile."""
    scores = o.modified_z([1.0, 2.0, 3.0, 4.0, 100.0])
    assert scores == pytest.approx([-2 * 0.6745, -0.6745, 0, 0.6745, 97 * 0.6745])
    assert stats.norm.ppf(0.75) == pytest.approx(0.6745, abs=5e-5)


def test_the_median_rule_goes_by_the_mean_where_most_values_are_equal():
    """1.253314 is sqrt(pi / 2): a normal's standard deviation over its mean absolute deviation."""
    scores = o.modified_z([100.0] * 7 + [90.0])
    assert scores[7] == pytest.approx(-10 / (math.sqrt(math.pi / 2) * 10 / 8), rel=1e-6)
    assert scores[:7] == (0.0,) * 7

"""The quantile of a ratio of two rates, against quadrature, exact special cases and simulation."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, special, stats

from harness.stats import beta_ratio
from harness.stats.beta_ratio import log_ratio_quantile


def quantile(a, b, c, d, confidence):
    shapes = (np.array([float(shape)]) for shape in (a, b, c, d))
    return float(log_ratio_quantile(*shapes, confidence)[0])


def chance_below(x, a, b, c, d):
    """P(ln g - ln r <= x) by SciPy's quadrature over r."""

    def inner(r):
        return stats.beta.cdf(min(1.0, np.exp(x) * r), a, b) * stats.beta.pdf(r, c, d)

    middle = stats.beta.ppf([1e-9, 0.1, 0.5, 0.9], c, d)
    return sum(integrate.quad(inner, *span, limit=200)[0] for span in pairwise((0.0, *middle, 1.0)))


SHAPES = [
    (2, 998, 1, 1),
    (3, 997, 2, 1),
    (18, 983, 17, 34),
    (51, 950, 50, 1),
    (11, 9990, 10, 91),
    (2, 1, 1, 1),
]


@pytest.mark.parametrize("shapes", SHAPES, ids=str)
@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.99, 0.999])
def test_tails_agree_with_quadrature_to_a_few_hundredths(shapes, confidence):
    found = 1 - chance_below(quantile(*shapes, confidence), *shapes)
    assert found == pytest.approx(1 - confidence, rel=0.05)


@pytest.mark.parametrize("confidence", [0.05, 0.5, 0.95, 0.99])
def test_a_rate_of_one_leaves_the_other_alone(confidence):
    """With r = 1 the ratio is g, and the quantile SciPy's of a beta distribution."""
    found = np.exp(quantile(51, 950, 50, 0, confidence))
    assert found == pytest.approx(stats.beta.ppf(confidence, 51, 950), rel=2e-3)
    back = np.exp(-quantile(50, 0, 51, 950, confidence))
    assert back == pytest.approx(stats.beta.ppf(1 - confidence, 51, 950), rel=2e-3)


def test_it_rises_with_the_confidence():
    for shapes in SHAPES:
        found = [quantile(*shapes, confidence) for confidence in np.linspace(0.5, 0.9999, 40)]
        assert np.all(np.diff(found) > 0)


def test_many_at_once_are_the_same_as_one_by_one():
    columns = [np.array(column, dtype=float) for column in zip(*SHAPES, strict=True)]
    row = log_ratio_quantile(*columns, 0.95)
    assert row == pytest.approx([quantile(*shapes, 0.95) for shapes in SHAPES], abs=1e-9)


def saddlepoint_tail(x, a, b, c, d):
    """The same approximation the other way: SciPy's betaln, and Brent's method for the saddlepoint of x."""

    def made(t):
        return (
            special.betaln(a + t, b) - special.betaln(a, b) + special.betaln(c - t, d) - special.betaln(c, d)
        )

    def slope(t):
        return special.psi(a + t) - special.psi(a + b + t) - special.psi(c - t) + special.psi(c + d - t)

    t = optimize.brentq(lambda t: slope(t) - x, -a * (1 - 1e-12), c * (1 - 1e-12), xtol=1e-13, rtol=1e-14)
    bend = sum(special.zeta(2, one) for one in (a + t, c - t)) - sum(
        special.zeta(2, one) for one in (a + b + t, c + d - t)
    )
    w = np.sign(t) * np.sqrt(2 * (t * x - made(t)))
    return stats.norm.cdf(w + np.log(t * np.sqrt(bend) / w) / w)


@settings(max_examples=80, deadline=None)
@given(
    a=st.floats(1, 500), b=st.floats(0.5, 5_000), c=st.floats(0.1, 500), d=st.floats(0.5, 5_000),
    confidence=st.sampled_from([0.8, 0.9, 0.95, 0.975, 0.99, 0.999, 0.9999]),
)  # fmt: skip
def test_the_quantile_has_the_tail_asked_for(a, b, c, d, confidence):
    x = quantile(a, b, c, d, confidence)
    assert saddlepoint_tail(x, a, b, c, d) == pytest.approx(confidence, abs=1e-8)


@pytest.mark.parametrize("confidence", [0.5, 0.5001, 0.6, 0.95, 0.999, 1 - 1e-6])
@pytest.mark.parametrize(
    "shapes", [(4e8, 6e8, 3e8, 7e8), (9e8, 1e6, 2e6, 5e8), (4e6, 1e9, 9e7, 2e7)], ids=str
)
def test_huge_counts_are_as_good_as_normal(shapes, confidence):
    """The logarithm of a beta variable has SciPy's psi and zeta for moments; it has little skewness here."""
    a, b, c, d = shapes
    mean = special.psi(a) - special.psi(a + b) - special.psi(c) + special.psi(c + d)
    deviation = np.sqrt(sum(special.zeta(2, (a, c))) - sum(special.zeta(2, (a + b, c + d))))
    found = (quantile(*shapes, confidence) - mean) / deviation
    assert found == pytest.approx(stats.norm.ppf(confidence), abs=4e-3)


@settings(max_examples=150, deadline=None)
@given(
    a=st.floats(1, 1e9), b=st.floats(0, 1e9), c=st.floats(1e-3, 1e9), d=st.floats(1, 1e9),
    confidence=st.floats(0.5, 1 - 1e-6),
)  # fmt: skip
@example(a=2.0, b=0.0, c=1.0, d=5096.0, confidence=0.999)
@example(a=1745.0, b=12913.0, c=14615.0, d=13134591.0, confidence=0.5001)
@example(a=41459928.0, b=0.041, c=107.1, d=2.1, confidence=0.6)
def test_any_counts_have_a_quantile_that_rises(a, b, c, d, confidence):
    low, high = quantile(a, b, c, d, confidence), quantile(a, b, c, d, (1 + confidence) / 2)
    assert np.isfinite([low, high]).all()
    assert low < high


@pytest.mark.parametrize("counts", [(2, 0, 3, 0), (50, 0, 1, 0)], ids=str)
def test_two_rates_of_one_have_a_ratio_of_one(counts):
    assert quantile(*counts, 0.95) == 0


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.999])
def test_a_few_rounds_are_enough(monkeypatch, confidence):
    counts = [*SHAPES, (2, 10**6, 1, 1), (11.2, 173.1, 111, 4342), (133, 6030, 5.4, 7.6), (3.3, 9, 0.1, 40)]
    before = [quantile(*shapes, confidence) for shapes in counts]
    monkeypatch.setattr(beta_ratio, "_ROUNDS", 6)
    assert [quantile(*shapes, confidence) for shapes in counts] == before

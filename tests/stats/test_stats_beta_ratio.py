"""The quantile of a ratio of two rates, against quadrature, exact special cases and simulation."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, stats

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
    assert row == pytest.approx([quantile(*shapes, 0.95) for shapes in SHAPES], abs=1e-7)

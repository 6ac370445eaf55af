"""The harness passes or fails only what is clear of the limit by the whole interval and the uncertainty.

Published values: JCGM 106:2012 (Zener diode example of clause 7, speed example of clause 8; both from memory,
unverified, recomputed), ILAC-G8:09/2019 table 1 (guard bands w = r U, U = 2 u; read in a second source for
r = 0 and 1, the printed bounds for the others from memory, recomputed).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from harness.judge.guard import at_least, at_most
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE


def last_passing(limit, uncertainty, low):
    """The largest single value that `at_most` still passes."""
    high = limit + 1.0
    for _ in range(100):
        middle = (low + high) / 2
        if at_most(middle, middle, limit, uncertainty) is PASS:
            low = middle
        else:
            high = middle
    return low


@pytest.mark.parametrize(
    ("r", "false_acceptance", "printed"),
    [
        (0, 0.5, 0.5),
        (0.83, 0.04845723, 0.05),
        (1, 0.02275013, 0.025),
        (1.5, 0.0013499, 0.0016),
        (3, 9.8659e-10, 1e-6),
    ],
)
def test_guard_band_keeps_false_acceptance_as_published(r, false_acceptance, printed):
    # ILAC-G8 table 1: a value at the acceptance limit is on the wrong side with at most this probability.
    u, limit = 0.5, 12.0
    accepted = last_passing(limit, r * 2 * u, 0.0)
    assert norm.sf(limit, loc=accepted, scale=u) == pytest.approx(false_acceptance, rel=1e-3)
    # The same number is the chance that a true value on the limit is measured as a pass.
    assert norm.cdf(accepted, loc=limit, scale=u) == pytest.approx(false_acceptance, rel=1e-3)
    assert false_acceptance <= printed


@pytest.mark.parametrize(("confidence", "verdict"), [(0.9192, PASS), (0.9193, OPEN)])
def test_value_passes_up_to_its_conformance_probability(confidence, verdict):
    # JCGM 106 clause 7: -5.47 V measured, u = 0.05 V, at most -5.40 V: conforms with p = Phi(1.4) = 0.919243.
    expanded = norm.ppf(confidence) * 0.05
    assert at_most(-5.47, -5.47, -5.40, expanded) is verdict


@pytest.mark.parametrize(
    ("reading", "verdict"), [(106.5875, OPEN), (106.5877, FAIL), (99.0, OPEN), (94.1, PASS)]
)
def test_reading_fails_from_the_published_threshold_on(reading, verdict):
    # JCGM 106 clause 8: limit 100 km/h, relative u = 2 %, 99.9 % confidence: threshold 106.5876 km/h.
    assert at_most(reading, reading, 100.0, norm.ppf(0.999) * 0.02 * reading) is verdict


@pytest.mark.parametrize(
    ("lower", "upper", "uncertainty", "most", "least"),
    [
        (1.0, 2.0, 0.0, PASS, FAIL),
        (1.0, 3.0, 0.0, PASS, OPEN),  # on the limit is good on both sides
        (1.0, 2.5, 0.6, OPEN, OPEN),
        (1.0, 2.5, 0.5, PASS, OPEN),
        (2.0, 4.0, 0.0, OPEN, OPEN),
        (3.0, 4.0, 0.0, OPEN, PASS),
        (4.0, 5.0, 0.5, FAIL, PASS),
        (4.0, 5.0, 1.0, OPEN, PASS),
        (4.0, 5.0, 1.5, OPEN, OPEN),
    ],
)
def test_verdict_needs_the_whole_widened_interval(lower, upper, uncertainty, most, least):
    assert at_most(lower, upper, 3.0, uncertainty) is most
    assert at_least(lower, upper, 3.0, uncertainty) is least


@given(st.floats(-10, 10), st.floats(0, 5), st.floats(0, 5), st.floats(-10, 10))
def test_both_sides_mirror_each_other(lower, width, uncertainty, limit):
    upper = lower + width
    assert at_most(lower, upper, limit, uncertainty) is at_least(-upper, -lower, -limit, uncertainty)


@given(st.floats(-10, 10), st.floats(0, 5), st.floats(0, 5), st.floats(0, 5))
def test_more_uncertainty_never_makes_a_verdict(lower, width, uncertainty, more):
    before = at_most(lower, lower + width, 0.0, uncertainty)
    after = at_most(lower, lower + width, 0.0, uncertainty + more)
    assert after in (before, OPEN)

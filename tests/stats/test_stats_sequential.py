"""The harness stops early only as published sequential tests allow.

Values of the published example: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.2.6; the table as
read in a second source that cites it, recomputed. Thresholds: Wald, Sequential Analysis, 1947, section 3.2,
from memory, recomputed. Average sample numbers: derived from Wald's definition in section 3.5, not printed
there for this plan.
"""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.stats.sequential import Decision, SequentialTest, risk_shares, thresholds

HANDBOOK = SequentialTest(good=0.01, bad=0.1, wrong_reject=0.05, wrong_accept=0.1)
TABLE = {
    2: (None, 2), 19: (None, 2), 20: (None, 3), 23: (None, 3), 24: (0, 3), 45: (0, 3), 46: (0, 4), 48: (0, 4),
    49: (1, 4), 70: (1, 4), 71: (1, 5), 73: (1, 5), 74: (2, 5), 95: (2, 5), 96: (2, 6), 99: (2, 6),
    100: (3, 6),
}  # fmt: skip


@pytest.mark.parametrize(
    ("alpha", "beta", "upper", "lower", "log_upper", "log_lower"),
    [
        (0.05, 0.05, 19.0, 0.052631579, 2.944438979, -2.944438979),
        (0.05, 0.10, 18.0, 0.105263158, 2.890371758, -2.251291799),
        (0.01, 0.01, 99.0, 0.01010101, 4.59511985, -4.59511985),
    ],
)
def test_thresholds_are_walds(alpha, beta, upper, lower, log_upper, log_lower):
    found = thresholds(alpha, beta)
    assert found == pytest.approx((upper, lower), abs=1e-8)
    assert [math.log(one) for one in found] == pytest.approx([log_upper, log_lower], abs=1e-8)


def test_lines_are_those_of_the_handbook():
    found = (HANDBOOK.k, HANDBOOK.h1, HANDBOOK.h2, HANDBOOK.slope)
    assert found == pytest.approx((2.3978953, 0.938862, 1.205379, 0.0397474), abs=1e-6)


@pytest.mark.parametrize("trials", TABLE)
def test_decision_table_is_that_of_the_handbook(trials):
    assert (HANDBOOK.accept_number(trials), HANDBOOK.reject_number(trials)) == TABLE[trials]


def test_average_sample_numbers_are_walds_approximation():
    assert HANDBOOK.average_samples(0.01) == pytest.approx(27.957, abs=1e-3)
    assert HANDBOOK.average_samples(0.1) == pytest.approx(16.4467, abs=1e-3)


def test_acceptance_is_as_likely_as_asked_at_both_shares():
    assert HANDBOOK.accept_probability(0.01) == pytest.approx(0.95)
    assert HANDBOOK.accept_probability(0.1) == pytest.approx(0.1)


def test_average_sample_number_has_no_hole_where_the_drift_is_nil():
    at = HANDBOOK.slope
    beside = [HANDBOOK.average_samples(at + off) for off in (-1e-5, 0.0, 1e-5)]
    assert beside == pytest.approx([beside[1]] * 3, rel=1e-3)


def test_one_failure_cannot_be_two():
    assert HANDBOOK.reject_number(1) is None
    assert HANDBOOK.decide(1, 1) is Decision.GO_ON
    assert HANDBOOK.decide(2, 2) is Decision.REJECT


@pytest.mark.parametrize(("failures", "decision"), [(0, Decision.ACCEPT), (1, Decision.GO_ON)])
def test_acceptance_ends_at_its_number(failures, decision):
    assert HANDBOOK.decide(failures, 24) is decision


@pytest.mark.parametrize(
    ("share", "wrong", "at_most"), [(0.01, Decision.REJECT, 0.05), (0.1, Decision.ACCEPT, 0.1)]
)
def test_test_errs_no_more_often_than_asked(share, wrong, at_most):
    # 2 000 runs: the wrong share exceeds what was asked by 4 sigma (0.0268) once in some 30 000 seeds.
    draw = np.random.default_rng(20)
    decisions = [carried_out(HANDBOOK, draw.random(2_000) < share) for _ in range(2_000)]
    assert Decision.GO_ON not in [decision for decision, _ in decisions]
    found = np.mean([decision is wrong for decision, _ in decisions])
    assert found < at_most + 4 * math.sqrt(at_most * (1 - at_most) / len(decisions))
    # Overshoot makes real runs a little longer than Wald's number, never much shorter.
    assert np.mean([trials for _, trials in decisions]) > 0.95 * HANDBOOK.average_samples(share)


def carried_out(test, failed):
    failures = 0
    for trials, one in enumerate(failed.tolist(), 1):
        failures += one
        decision = test.decide(failures, trials)
        if decision is not Decision.GO_ON:
            return decision, trials
    return Decision.GO_ON, len(failed)


@given(st.integers(1, 64))
def test_shares_of_the_risk_are_all_of_it(looks):
    shares = risk_shares(looks)
    assert len(shares) == looks
    assert sum(shares) == 1
    assert min(shares) > 0


def test_first_look_gets_half_of_the_risk():
    assert risk_shares(4) == (Fraction(1, 2), Fraction(1, 6), Fraction(1, 6), Fraction(1, 6))


def test_no_look_has_no_share():
    with pytest.raises(ValueError, match="at least one"):
        risk_shares(0)

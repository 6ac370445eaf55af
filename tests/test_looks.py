"""The harness fixes its looks before the run and shares out each check's risk among them."""

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_timeline import plan_of

from harness.clock import S
from harness.looks import at_share, looks_of
from harness.plan import model as p


def rounds_of(extend, round_ns=60 * S):
    return [look.rounds for look in looks_of(replace(plan_of(p.Settle(for_ns=round_ns)), extend=extend))]


def test_a_plan_without_extend_is_judged_once():
    assert looks_of(plan_of(p.Settle())) == ()


def test_rounds_double_up_to_eight_unless_the_plan_says_otherwise():
    assert rounds_of(p.Extend()) == [1, 2, 4, 8]


@pytest.mark.parametrize(
    ("most", "rounds"),
    [(2, [1, 2]), (3, [1, 2, 3]), (4, [1, 2, 4]), (5, [1, 2, 5]), (6, [1, 2, 4, 6]), (13, [1, 2, 4, 8, 13])],
)
def test_cap_is_used_up(most, rounds):
    assert rounds_of(p.Extend(up_to_ns=most * 60 * S + 59 * S)) == rounds


@given(st.integers(2, 2000))
def test_no_look_comes_before_the_data_have_grown_by_half(most):
    rounds = rounds_of(p.Extend(up_to_ns=most * S), S)
    assert rounds[0] == 1
    assert rounds[-1] == min(most, 1000)
    steps = [Fraction(after, before) for before, after in pairwise(rounds)]
    assert all(Fraction(3, 2) <= step < 3 for step in steps)


def test_looks_are_numbered_and_share_the_whole_risk():
    looks = looks_of(replace(plan_of(p.Settle()), extend=p.Extend()))
    assert [str(look) for look in looks] == [f"look {n} of 4" for n in (1, 2, 3, 4)]
    assert sum(1 - at_share(Fraction(95, 100), look.share) for look in looks) == Fraction(5, 100)

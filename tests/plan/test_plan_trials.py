"""The harness knows how trials are made: by method, in which times, and what they come to."""

from dataclasses import fields
from fractions import Fraction

import pytest

from harness.clock import MS, S
from harness.plan import model as p
from harness.plan.extent import step_extent_ns
from harness.plan.trials import (
    BURSTS,
    FINALS,
    RATES,
    SLOWER,
    Outcome,
    fewest,
    limit_step_ns,
    method_of,
    outcome,
    overload_for_ns,
    rates_mhz,
    repeats_of,
)
from harness.search import most_questions

LINK = p.Link(
    packet_rate_mhz=50_000,
    channels=(p.Channel("roll", failsafe="centre"),),
    failsafe=p.Failsafe(within_ns=500 * MS),
)


def test_the_standards_own_times_and_counts():
    """RFC 2544 sections 23, 24, 26.4 and 26.5, RFC 9004 section 6.2, as read there."""
    rfc = RATES["RFC 2544"]
    assert (rfc.before_ns, rfc.residual_ns, rfc.rest_ns) == (2 * S, 2 * S, 5 * S)  # section 23
    assert rfc.final_ns == 60 * S  # section 24: at least; shorter ones only while searching
    assert rfc.overload_ns == 60 * S  # section 26.5
    assert p.Overload().share == Fraction(110, 100)  # section 26.5
    assert SLOWER == 2  # section 26.5: 50 % of that rate
    assert BURSTS["RFC 9004"].repeats == 50  # RFC 2544 section 26.4: at least
    assert BURSTS["RFC 9004"].residual_ns == 2 * S  # RFC 9004 section 6.2: at least
    (up_to,) = [field for field in fields(p.FindBackToBack) if field.name == "up_to"]
    assert up_to.metadata["key"].kind.most * MS >= 30 * S  # section 6.3: configurable to 30 s; at 1 ms each


def test_a_practical_trial_is_shorter_in_every_phase():
    for table, name in ((RATES, "RFC 2544"), (BURSTS, "RFC 9004")):
        ours, theirs = table["practical"], table[name]
        assert ours.residual_ns < theirs.residual_ns
        assert ours.final_ns <= theirs.final_ns
        assert ours.before_ns <= theirs.before_ns


def test_defaults_come_from_the_method_and_may_be_replaced():
    assert repeats_of(p.FindBackToBack()) == 10
    assert repeats_of(p.FindBackToBack(method="RFC 9004")) == 50
    assert repeats_of(p.FindBackToBack(repeats=3)) == 3
    assert overload_for_ns(p.Overload()) == 2 * S
    assert overload_for_ns(p.Overload(method="RFC 2544")) == 60 * S
    assert overload_for_ns(p.Overload(for_ns=S)) == S


@pytest.mark.parametrize(
    ("low", "high", "step", "most", "expected"),
    [
        (50, 65, 5, 400, (50, 55, 60, 65)),
        (50, 67, 5, 400, (50, 55, 60, 65, 67)),
        (50, 67, 5, 62, (50, 55, 60)),
        (50, 400, 5, 49, ()),
        (None, 60, 10, 400, (50, 60)),
    ],
)
def test_rates_go_up_to_the_last_that_is_wanted_and_fits(low, high, step, most, expected):
    action = p.FindThroughput(from_mhz=low and low * 1000, to_mhz=high * 1000, resolution_mhz=step * 1000)
    assert rates_mhz(action, LINK.packet_rate_mhz, most * 1000) == tuple(rate * 1000 for rate in expected)


@pytest.mark.parametrize(
    ("sent", "lost", "unknown", "allowed", "expected"),
    [
        (100, 0, 0, 0, Outcome.GOOD),
        (100, 1, 0, 0, Outcome.LOSSY),
        (100, 2, 0, "1/50", Outcome.GOOD),
        (100, 3, 0, "1/50", Outcome.LOSSY),
        (97, 0, 0, 0, Outcome.GOOD),
        (96, 0, 0, 0, Outcome.SLOW),
        (96, 0, 1, 0, Outcome.VOID),
        (95, 0, 1, 0, Outcome.SLOW),
        (100, 0, 1, 0, Outcome.VOID),
        (100, 1, 1, 0, Outcome.LOSSY),
        (100, 1, 1, "1/50", Outcome.GOOD),
        (100, 1, 2, "1/50", Outcome.VOID),
        (0, 0, 0, 0, Outcome.SLOW),
    ],
)
def test_a_trial_is_good_or_bad_only_if_what_is_unknown_cannot_change_it(
    sent, lost, unknown, allowed, expected
):
    found = outcome(sent=sent, least=97, lost=lost, unknown=unknown, allowed=Fraction(allowed))
    assert found is expected


def test_a_transmitters_clock_may_be_a_per_cent_slow():
    assert fewest(100_000, 10 * S) == 988
    assert fewest(50_000, S) == 47


ACTIONS = [
    p.FindThroughput(to_mhz=400_000),
    p.FindThroughput(to_mhz=400_000, method="RFC 2544"),
    p.FindBackToBack(),
    p.FindBackToBack(method="RFC 9004"),
    p.Overload(times=3),
    p.Overload(method="RFC 2544"),
]


@pytest.mark.parametrize("action", ACTIONS, ids=lambda action: f"{action.WORD} {action.method}")
def test_a_step_takes_its_trials_at_their_longest(action):
    method = method_of(action)
    around = method.before_ns + method.residual_ns + method.rest_most_ns
    if isinstance(action, p.FindThroughput):
        least = most_questions(71) * (2 * S + around) + FINALS * (method.final_ns + around)
    elif isinstance(action, p.FindBackToBack):
        least = repeats_of(action) * 7 * (64 * MS + around)
    else:
        least = action.times * (overload_for_ns(action) + 3 * S + around)
    assert least <= limit_step_ns(action, LINK) <= 1.6 * least
    assert step_extent_ns(action, LINK) == limit_step_ns(action, LINK)

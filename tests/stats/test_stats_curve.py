"""The harness finds the level at which a link begins to fail, and says how sure that is."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.stats import curve
from harness.stats.curve import Counts, Curve, best_curve, dispersion, find_crossing, profile

RAYLEIGH = [(3, 0.394189007), (6, 0.222124383), (10, 0.095162582), (20, 0.00995016625), (30, 0.000999500167)]
"""Fade margin in dB and outage 1 - exp(-10**(-M/10)): Rappaport, Wireless Communications; Proakis, Digital
Communications, both cited from memory; recomputed from the definition."""


def drawn(level, share, seed=1, made=400, blocks=10, burst=1):
    """Draw losses at each level with these shares lost, in blocks; in bursts if asked for."""
    chance = np.random.default_rng(seed)
    level, share = np.asarray(level, float), np.asarray(share, float)
    each = made // blocks // burst
    lost = chance.binomial(each, np.repeat(share, blocks)) * float(burst)
    group = np.repeat(np.arange(len(level)), blocks)
    return Counts(np.repeat(level, blocks), group, np.full(len(group), float(each * burst)), lost)


LEVELS = np.arange(0.0, -21.0, -2.0)
TRUTH = Curve(level_db=-12.0, share=0.3, slope=0.9, bend=0.15, floor=0.02)


@pytest.mark.parametrize(("margin_db", "outage"), RAYLEIGH)
def test_curve_without_a_bend_is_that_of_rayleigh_fading(margin_db, outage):
    faded = Curve(level_db=0.0, share=-math.expm1(-1), slope=math.log(10) / 10, bend=0.0, floor=0.0)
    assert faded.loss(margin_db) == pytest.approx(outage, rel=1e-6)


def test_curve_loses_what_it_says_at_its_level_and_keeps_its_floor():
    assert TRUTH.loss(-12.0) == pytest.approx(0.3)
    assert TRUTH.loss(40.0) == pytest.approx(0.02)
    assert TRUTH.loss(-60.0) == pytest.approx(1.0)
    assert (np.diff(TRUTH.loss(np.linspace(-30, 10, 200))) <= 0).all()


def glm(data, offset_at=None, loss=0.3):
    """Fit a complementary log-log curve without floor or bend by statsmodels; through a level if given."""
    import statsmodels.api as sm

    pooled = data.pooled()
    both = np.stack((pooled.lost, pooled.made - pooled.lost), axis=1)
    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    start = math.log(-math.log1p(-loss))
    if offset_at is None:
        return sm.GLM(both, sm.add_constant(pooled.level), family=family).fit()
    away = (pooled.level - offset_at)[:, None]
    return sm.GLM(both, away, family=family, offset=np.full(len(away), start)).fit()


@pytest.fixture
def _plain_curves(monkeypatch):
    """Allow only curves that a generalised linear model can fit: straight, without a floor."""
    monkeypatch.setattr(curve, "BENDS", (0.0,))
    monkeypatch.setattr(curve, "FLOOR_LEAST", 1e-12)
    monkeypatch.setattr(curve, "FLOOR_MOST", 1e-11)
    curve.keep_none()
    yield
    curve.keep_none()


@pytest.mark.usefixtures("_plain_curves")
@pytest.mark.parametrize("seed", range(3))
def test_crossing_and_its_limits_are_those_of_a_generalised_linear_model(seed):
    truth = Curve(level_db=-12.0, share=0.3, slope=0.9, bend=0.0, floor=0.0)
    data = drawn(LEVELS, truth.loss(LEVELS), seed)
    found = find_crossing(data, 0.3, 0.95)
    fit = glm(data)
    constant, slope = fit.params
    assert found.estimate == pytest.approx((math.log(-math.log(0.7)) - constant) / slope, abs=1e-4)
    assert found.curve.slope == pytest.approx(-slope, rel=1e-4)
    z = 1.6448536269514722  # NIST/SEMATECH e-Handbook section 1.3.6.7.1: 95 % of the normal are below 1.645
    if found.dispersion == 1:
        for end in (found.low, found.high):
            assert 2 * (fit.llf - glm(data, end).llf) == pytest.approx(z * z, rel=1e-4)


@pytest.mark.usefixtures("_plain_curves")
def test_profile_is_the_likelihood_of_the_model_through_that_level():
    data = drawn(LEVELS, TRUTH.loss(LEVELS), 5)
    at = np.array([-14.0, -12.0, -10.5])
    ours, theirs = profile(data, at, 0.3), [glm(data, level).llf for level in at]
    assert np.diff(ours) == pytest.approx(np.diff(theirs), abs=1e-5)


def test_a_curve_with_floor_and_bend_is_found_again():
    data = drawn(LEVELS, TRUTH.loss(LEVELS), 3, made=100_000)
    found = find_crossing(data, 0.3, 0.95)
    assert found.estimate == pytest.approx(-12.0, abs=0.05)
    assert found.curve.floor == pytest.approx(0.02, abs=0.002)
    assert found.curve.slope == pytest.approx(0.9, rel=0.05)
    assert best_curve(data.pooled(), found.estimate, 0.3) == found.curve


@pytest.mark.parametrize("bend", curve.BENDS)
@pytest.mark.parametrize("slope", [0.1, math.log(10) / 10, 1.7])
@pytest.mark.parametrize("floor", [0.0, 0.003])
def test_no_curve_of_the_family_is_likelier_than_the_best_one(bend, slope, floor):
    """The search must not miss the top: the curve that the data were drawn from is one of those searched."""
    levels = np.arange(10.0, -21.0, -2.0)
    truth = Curve(level_db=-2.3, share=0.01, slope=slope, bend=bend, floor=floor)
    data = drawn(levels, truth.loss(levels), seed=4, made=2_000).pooled()
    share = np.clip(truth.loss(data.level), 1e-300, 1 - 1e-16)
    known = (data.lost * np.log(share) + (data.made - data.lost) * np.log1p(-share)).sum()
    assert profile(data, np.array([-2.3]), 0.01)[0] >= known - 1e-6


STARTS = [(2.0, 0.001), (3.0, 0.3)]


def climbed(data, loss, bend, bounds):
    """Return the largest log-likelihood of curves with this bend, by scipy.optimize from several starts."""
    from scipy.optimize import minimize
    from scipy.stats import binom

    def depth(at):
        share = Curve(at[0], loss, math.exp(at[1]), bend, at[2] * loss).loss(data.level)
        return -binom.logpmf(data.lost, data.made, np.clip(share, 1e-300, 1 - 1e-15)).sum()

    limits = (bounds, (math.log(curve.SLOPES[0]), math.log(curve.SLOPES[1])), (0.0, curve.FLOOR_MOST))
    starts = [(sum(bounds) / 2, math.log(slope), floor) for slope, floor in STARTS]
    return max(-minimize(depth, at, method="L-BFGS-B", bounds=limits).fun for at in starts)


@pytest.mark.parametrize("floor", [0.0, 0.1])
def test_estimate_and_limits_are_where_a_general_optimiser_finds_them(floor):
    """A high floor makes a ridge with several tops; a search that misses one puts the limits too near."""
    truth = Curve(level_db=-11.3, share=0.316, slope=2.5, bend=0.15, floor=floor)
    data = drawn(LEVELS, truth.loss(LEVELS), 3, made=250)
    found = find_crossing(data, 0.316, 0.95)
    pooled = data.pooled()

    def best(low, high):
        return max(climbed(pooled, 0.316, bend, (low, high)) for bend in curve.BENDS)

    top = best(-13.3, -9.3)
    assert best(found.estimate, found.estimate) == pytest.approx(top, abs=1e-4)
    allowed = curve._allowed(0.95, found.dispersion, found.freedom) / 2
    for end in (found.low, found.high):
        assert top - best(end, end) == pytest.approx(allowed, abs=1e-3)


def test_without_any_loss_the_level_is_only_known_to_be_weaker():
    data = drawn(LEVELS, 0 * LEVELS)
    found = find_crossing(data, 0.316, 0.95)
    assert found.estimate is None
    assert found.low == -math.inf
    assert -23 < found.high < -19.9
    assert found.rise == 0


def test_with_too_much_loss_everywhere_the_level_is_only_known_to_be_stronger():
    found = find_crossing(drawn(LEVELS, 0 * LEVELS + 0.5), 0.316, 0.95)
    assert found.low > 0
    assert found.high == math.inf
    assert find_crossing(drawn([0.0], [1.0]), 0.316, 0.95).low > 0


def test_between_all_and_nothing_lost_the_level_is_anywhere():
    """Levels 4 dB apart with a sharp edge between them: no curve is better than the next."""
    found = find_crossing(drawn([0.0, -4.0, -8.0], [0.0, 0.0, 1.0]), 0.316, 0.95)
    assert -8 < found.low < found.estimate < found.high < -4
    assert found.low < -7.5
    assert found.high > -4.5


def test_nothing_measured_is_nothing_known():
    none = Counts(*(np.zeros(0),) * 4)
    found = find_crossing(none, 0.3, 0.95)
    assert (found.estimate, found.low, found.high) == (None, -math.inf, math.inf)


def test_losses_in_bursts_widen_the_limits():
    single = find_crossing(drawn(LEVELS, TRUTH.loss(LEVELS), 2), 0.3, 0.95)
    bursts = find_crossing(drawn(LEVELS, TRUTH.loss(LEVELS), 2, burst=8), 0.3, 0.95)
    assert bursts.dispersion > 4
    assert single.dispersion < 2
    assert bursts.high - bursts.low > 1.7 * (single.high - single.low)


def test_levels_that_are_off_count_as_scatter():
    level = np.repeat(LEVELS, 2) - 0.01 * np.tile([0, 1], len(LEVELS))
    off = level + np.tile([1.0, -1.0], len(LEVELS))
    spread, freedom = dispersion(drawn(level, TRUTH.loss(off), 2), TRUTH)
    assert spread > 3
    assert freedom > 3


def test_a_level_without_effect_does_not_rise():
    """A constant loss rises by 13.8 or more once in a thousand times (chi-squared, 2 degrees of freedom)."""
    flat = [find_crossing(drawn(LEVELS, 0 * LEVELS + 0.05, seed), 0.3, 0.95).rise for seed in range(3)]
    assert max(flat) < 13.8
    assert find_crossing(drawn(LEVELS, TRUTH.loss(LEVELS), 1), 0.3, 0.95).rise > 1_000


def test_one_sided_limits_hold_as_often_as_they_say():
    """12 runs: each limit may miss at most 4 times; at 5 % that is passed once in 5 000 times (binomial)."""
    below = above = 0
    for seed in range(12):
        data = drawn(LEVELS + 0.03 * seed, TRUTH.loss(LEVELS + 0.03 * seed), seed, made=300)
        found = find_crossing(data, 0.3, 0.95)
        below += found.high < TRUTH.level_db
        above += found.low > TRUTH.level_db
    assert below <= 4
    assert above <= 4


@settings(max_examples=10)
@given(
    st.lists(
        st.tuples(st.floats(-200, 200), st.integers(0, 3), st.integers(0, 300), st.floats(0, 1)),
        min_size=0, max_size=6,
    ),
    st.sampled_from([0.01, 0.316, 0.9]),
)  # fmt: skip
def test_no_counts_raise_and_limits_are_in_order(rows, loss):
    level, group, made, part = (np.array(column, float) for column in zip(*rows, strict=True)) if rows else (
        (np.zeros(0),) * 4
    )  # fmt: skip
    data = Counts(level, group.astype(np.int64), made, np.floor(made * part))
    found = find_crossing(data, loss, 0.95)
    assert found.low <= found.high
    assert found.dispersion >= 1
    if found.estimate is not None:
        assert found.low <= found.estimate <= found.high

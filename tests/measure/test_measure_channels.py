"""The harness tells each channel's line, steps and ends, and how much of the other sticks it shows."""

from collections import Counter

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from harness.measure.arrays import ints
from harness.measure.channels import channel_figures, cross_talk, pairs_of
from harness.measure.channels import steps as steps_of
from harness.measure.fidelity import MISSING_US, Deviations
from harness.plan.model import Channel, Range

ROLL = Channel(name="roll", failsafe="centre")
TEN = Channel(name="tilt", range=Range(1100, 1900), resolution_us=10, failsafe="centre")


def found(wanted, shown):
    """Deviations with a column per channel."""
    wanted, shown = np.atleast_2d(ints(wanted)).T, np.atleast_2d(ints(shown)).T
    off = np.where(shown < 0, MISSING_US, shown - wanted)
    return Deviations(ints(range(len(wanted))), wanted, shown, off)


def figures(wanted, shown, about=ROLL):
    return channel_figures(found(wanted, shown), 0, about)


def staircase(about=ROLL, times=2):
    return np.repeat(np.arange(about.range.low_us, about.range.high_us + 1, about.resolution_us), times)


def steps(wanted, shown, resolution_us):
    return steps_of(pairs_of(ints(wanted), ints(shown)), resolution_us)


# -- the line ----------------------------------------------------------------------------------------------


def test_gain_and_offset_agree_with_a_general_regression():
    """Against scipy.stats.linregress, about the centre, standard errors included."""
    rng = np.random.default_rng(2)
    wanted = rng.integers(1000, 2001, 700)
    shown = np.round(0.96 * (wanted - 1500) + 1500 + 12 + rng.normal(0, 4, 700)).astype(int)
    line = figures(wanted, shown).line
    fit = stats.linregress(wanted - 1500, shown - 1500)
    assert (line.gain, line.offset_us) == (pytest.approx(fit.slope), pytest.approx(fit.intercept))
    assert line.gain_error == pytest.approx(fit.stderr)
    assert line.offset_error_us == pytest.approx(fit.intercept_stderr)
    assert line.gain == pytest.approx(0.96, abs=5 * line.gain_error)
    assert line.offset_us == pytest.approx(12, abs=5 * line.offset_error_us)


def test_a_perfect_channel_has_gain_one_and_no_error():
    one = figures(staircase(), staircase())
    assert (one.line.gain, one.line.gain_error) == (pytest.approx(1.0), 0.0)
    assert (one.line.offset_us, one.line.offset_error_us) == (pytest.approx(0.0), 0.0)
    assert (one.worst_us, one.clipped_us) == (0, (None, None))
    assert (one.steps.sent, one.steps.shown, one.steps.never, one.steps.back) == (1001, 1001, 0, None)


def test_a_stick_that_never_moved_has_an_offset_and_no_gain():
    line = figures([1400] * 50, [1403] * 50).line
    assert (line.gain, line.offset_us, line.packets) == (None, 3.0, 50)


def test_a_turned_channel_has_a_negative_gain_and_is_in_order():
    one = figures(staircase(), 3000 - staircase())
    assert one.line.gain == pytest.approx(-1.0)
    assert one.steps.back is None


def test_the_worst_deviation_keeps_its_sign():
    shown = staircase().copy()
    shown[77], shown[300] = shown[77] + 4, shown[300] - 9
    assert figures(staircase(), shown).worst_us == -9


def test_an_output_that_is_not_reported_has_no_line():
    one = figures([1400, 1500], [-1, -1])
    assert (one.line, one.worst_us) == (None, None)
    assert one.steps.sent == 0


# -- steps -------------------------------------------------------------------------------------------------


def test_a_lost_low_bit_merges_steps_and_leaves_values_out():
    one = steps(staircase(), staircase() // 2 * 2, 1)
    assert (one.sent, one.shown, one.merged, one.never) == (1001, 501, 500, 500)
    assert one.missing[0] == (1001, 1001, 1)
    assert one.back is None


def test_missing_values_come_as_runs():
    shown = np.where((staircase() >= 1200) & (staircase() < 1250), 1199, staircase())
    shown = np.where(staircase() == 1800, 1801, shown)
    assert steps(staircase(), shown, 1).missing == ((1200, 1249, 50), (1800, 1800, 1))


def test_values_count_in_steps_of_the_declared_resolution():
    one = steps(staircase(TEN), staircase(TEN), 10)
    assert (one.sent, one.shown, one.merged) == (81, 81, 0)


def test_the_first_step_back_is_named():
    shown = np.where(staircase() >= 1512, staircase() - 20, staircase())
    one = steps(staircase(), shown, 1)
    assert (one.back.stick_us, one.back.output_us, one.backs) == ((1511, 1512), (1511, 1492), 1)


@pytest.mark.parametrize(("tremble", "back"), [(0, True), (2, False), (3, False)])
def test_a_step_back_smaller_than_the_outputs_tremble_is_none(tremble, back):
    """The output goes back by 1 us at 1512 us; outputs of one stick value spread by 0, 2 or 3 us."""
    shown = np.where(staircase() == 1512, staircase() - 2, staircase())
    shown = shown + np.arange(len(shown)) % 2 * tremble
    assert (steps(staircase(), shown, 1).back is not None) == back


def test_a_single_packet_is_a_glitch_and_no_step_back():
    shown = staircase(times=1).copy()
    shown[512] -= 60
    one = steps(staircase(times=1), shown, 1)
    assert (one.back, one.compared) == (None, 0)


# -- ends --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("span", [50, 60_000], ids=["counted", "sorted"])
def test_pairs_are_counted_as_a_plain_count_does(span):
    rng = np.random.default_rng(5)
    stick, output = rng.integers(0, span, (2, 300))
    pairs = pairs_of(stick, output)
    plain = Counter(zip(stick.tolist(), output.tolist(), strict=True))
    assert list(zip(*(part.tolist() for part in pairs), strict=True)) == [
        (*k, plain[k]) for k in sorted(plain)
    ]


def test_clipped_ends_are_told_each_by_itself():
    assert figures(staircase(), staircase().clip(1050, 1900)).clipped_us == (1050, 1900)
    assert figures(staircase(), staircase().clip(None, 1900)).clipped_us == (None, 1900)


@pytest.mark.parametrize("change", [lambda us: us * 9 // 10, lambda us: us - us % 4], ids=["gain", "coarse"])
def test_a_channel_that_falls_short_is_not_called_clipped(change):
    assert figures(staircase(), change(staircase())).clipped_us == (None, None)


# -- cross-talk --------------------------------------------------------------------------------------------


def test_cross_talk_agrees_with_a_general_regression():
    """Against statsmodels OLS on all sticks at once, standard errors included."""
    rng = np.random.default_rng(6)
    wanted = rng.integers(1000, 2001, (900, 3))
    shown = wanted.copy()
    shown[:, 1] = np.round(
        0.9 * wanted[:, 1] + 0.07 * wanted[:, 0] - 0.02 * wanted[:, 2] + rng.normal(0, 3, 900)
    )
    mixed = cross_talk(found(wanted.T, shown.T))
    fit = sm.OLS(shown[:, 1], sm.add_constant(wanted.astype(float))).fit()
    assert mixed.share[1] == pytest.approx(fit.params[1:])
    assert mixed.error[1] == pytest.approx(fit.bse[1:], rel=1e-2)
    assert mixed.share[1] == pytest.approx((0.07, 0.9, -0.02), abs=0.003)
    assert mixed.share[0] == pytest.approx((1, 0, 0), abs=1e-9)


def test_a_swap_stands_off_the_diagonal():
    wanted = np.random.default_rng(1).integers(1000, 2001, (300, 2))
    assert np.round(cross_talk(found(wanted.T, wanted.T[::-1])).share, 6).tolist() == [[0, 1], [1, 0]]


@pytest.mark.parametrize(("alone", "told"), [(0, False), (20, False), (200, True)])
def test_sticks_that_move_together_cannot_be_told_apart(alone, told):
    """The second stick follows the first but for so many us of its own; the third moves by itself."""
    rng = np.random.default_rng(3)
    first, third = rng.integers(1000, 2001, (2, 500))
    second = first + rng.integers(-alone, alone + 1, 500)
    mixed = cross_talk(found([first, second, third], [first, second, third]))
    assert [mixed.told(stick) for stick in range(3)] == [told, told, True]
    assert mixed.share[2][2] == pytest.approx(1)


def test_a_stick_that_stood_still_tells_nothing():
    moved = np.random.default_rng(3).integers(1000, 2001, 100)
    mixed = cross_talk(found([moved, np.full(100, 1500)], [moved, np.full(100, 1500)]))
    assert mixed.share == ((pytest.approx(1.0), None), (pytest.approx(0.0), None))


def test_hardly_any_packets_tell_nothing():
    assert not cross_talk(found([[1500, 1600]] * 3, [[1500, 1600]] * 3)).told(0)
    assert not cross_talk(found([[1500] * 9, [1600] * 9], [[1500] * 9, [-1] * 9])).told(0)

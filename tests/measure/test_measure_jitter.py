"""Jitter and delay variation are those of the standards, to the digit."""

import numpy as np
import pytest

from harness.measure.arrays import ints
from harness.measure.delivery import LOST_NS
from harness.measure.jitter import delay_variation, interarrival_jitter, successive_variation

ARRIVALS = ints([68, 68, 68, 68, 68, 68, 68, 150, 68, 68])
"""Transit times in ms of RFC 4737 section 7.1 Table 1, in arrival order (read)."""
FIGURE_1 = ints([20, 10, 20, 25, 20])
"""Delays in ms of RFC 5481 section 4.4 Figure 1 (read)."""


@pytest.mark.parametrize(
    ("transit", "jitter"),
    [
        (ARRIVALS, [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 5.125, 9.9296875, 9.30908203]),
        (FIGURE_1, [0.625, 1.2109375, 1.44775391, 1.66976929]),
    ],
    ids=["rfc 4737", "rfc 5481"],
)
def test_jitter_follows_rfc_3550(transit, jitter):
    """J += (|D| - J) / 16 of section 6.4.1 (read); no example is printed; these follow from others'."""
    assert interarrival_jitter(transit).tolist() == pytest.approx(jitter, abs=1e-7)


def test_jitter_answers_a_constant_change_as_its_closed_form():
    """|D| = 16 from J = 0 gives 16 (1 - (15/16)**k) (derived from RFC 3550 section 6.4.1)."""
    found = interarrival_jitter(ints([0, 16] * 40))
    expected = {1: 1.0, 2: 1.9375, 16: 10.302813913, 64: 15.742793658}
    assert {k: found[k - 1] for k in expected} == pytest.approx(expected, abs=1e-8)


def whole_number_jitter(transit):
    """RFC 3550 appendix A.8 (read): the same in whole numbers, scaled by 16."""
    scaled, reported = 0, []
    for change in np.abs(np.diff(transit)).tolist():
        scaled += change - ((scaled + 8) >> 4)
        reported.append(scaled >> 4)
    return reported


def test_jitter_is_within_one_of_the_whole_number_code_of_rfc_3550():
    """Appendix A.8 reports 0 0 0 0 0 0 5 9 9 for the first example (derived)."""
    assert whole_number_jitter(ARRIVALS) == [0, 0, 0, 0, 0, 0, 5, 9, 9]
    transit = np.random.default_rng(5).integers(0, 5_000, 3_000)
    off = interarrival_jitter(transit) - whole_number_jitter(transit)
    assert np.abs(off).max() <= 1.5


def test_jitter_goes_step_by_step_over_any_length():
    transit = np.random.default_rng(6).integers(0, 10**7, 5_000)
    found, jitter = interarrival_jitter(transit), 0.0
    for place, change in enumerate(np.abs(np.diff(transit)).tolist()):
        jitter += (change - jitter) / 16
        assert found[place] == pytest.approx(jitter, rel=1e-12)
    assert len(interarrival_jitter(ints([5]))) == 0 == len(interarrival_jitter(ints([])))


def test_delay_variation_is_figure_1_of_rfc_5481():
    changes, undefined = successive_variation(FIGURE_1)
    assert (changes.tolist(), undefined) == ([-10, 10, 5, -5], 0)
    assert np.ptp(changes) == 20
    varied = delay_variation(FIGURE_1)
    assert varied.tolist() == [10, 0, 10, 15, 10]
    assert np.ptp(varied) == 15


def test_delay_variation_of_a_pair_with_a_lost_packet_is_undefined():
    """RFC 3393 section 2.6 (read): of 20, lost, 25 neither pair has one."""
    delays = ints([20, LOST_NS, 25])
    changes, undefined = successive_variation(delays)
    assert (changes.tolist(), undefined) == ([], 2)
    assert delay_variation(delays).tolist() == [0, 5]
    assert delay_variation(ints([LOST_NS])).tolist() == []

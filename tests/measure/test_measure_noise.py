"""The harness measures noise, drift and hum of the transmitter's own sticks, and says what it cannot tell."""

import numpy as np
import pytest
import statsmodels.api as sm
from scenario import RUN_NS, Scenario, plan_for
from scipy import stats
from scipy.signal import lfilter

from harness.clock import MS, S
from harness.measure import gather
from harness.measure.noise import FEWEST, RestSamples, _least, hum, noise, rest_samples
from harness.plan import model as p

REST = p.PlanStep(action=p.OwnSticks(for_ns=10 * S), name="rest", path="steps[0]")
PERIOD_NS = 20 * MS


def samples(outputs_us, at_ns=None, step=None):
    """One channel's outputs, a packet every 20 ms unless told otherwise."""
    outputs = np.asarray(outputs_us, dtype=np.float64).reshape(len(outputs_us), 1)
    times = np.arange(len(outputs)) * PERIOD_NS if at_ns is None else np.asarray(at_ns)
    steps = np.zeros(len(outputs), dtype=np.int64) if step is None else np.asarray(step)
    return RestSamples(times.astype(np.int64), outputs, steps, 0)


def one(found):
    (only,) = noise(found, 0.95, (1,))
    return only


def times(rate_hz, seconds, jitter_s=0.0, rng=None):
    """Sampling times in ns, whole microseconds as a transmitter stamps them."""
    at_s = np.arange(int(rate_hz * seconds)) / rate_hz
    if jitter_s:
        at_s = np.sort(at_s + rng.uniform(-jitter_s, jitter_s, len(at_s)))
    return np.round(at_s * 1e6).astype(np.int64) * 1000


# -- which packets -----------------------------------------------------------------------------------------


def test_only_packets_with_the_transmitters_own_sticks_in_such_a_step_count():
    scenario = Scenario(plan=plan_for(steps=[REST]), own=lambda packet: packet.index % 4 != 0)
    found = rest_samples(gather(scenario.plan, scenario.recording()))
    assert (len(found), found.held) == (150, 50)
    assert found.outputs_us.shape == (150, 4)
    assert set(found.step.tolist()) == {0}


def test_own_sticks_outside_such_a_step_do_not_count():
    scenario = Scenario(own=lambda packet: True)
    assert len(rest_samples(gather(scenario.plan, scenario.recording()))) == 0


def test_during_chooses_among_the_steps():
    scenario = Scenario(plan=plan_for(steps=[REST]), own=lambda packet: True)
    scenario.mark(RUN_NS, "step", path="steps[0]", kind="own_sticks", name="rest", title="")
    scenario.mark(RUN_NS + 2 * S, "step end", path="steps[0]")
    found = gather(scenario.plan, scenario.recording())
    assert len(rest_samples(found, ("rest",))) == len(rest_samples(found)) == 100


# -- RMS, peak to peak, drift ------------------------------------------------------------------------------


@pytest.mark.parametrize("sigma", [0.8, 3.0, 12.0])
def test_a_known_rms_is_recovered(sigma):
    """10 000 normal deviates: a standard deviation is within 3 % with 5 standard errors (0.7 % each)."""
    rng = np.random.default_rng(11)
    found = one(samples(np.round(rng.normal(1500, sigma, 10_000))))
    assert found.rms_us == pytest.approx(np.hypot(sigma, 1 / np.sqrt(12)), rel=0.035)
    assert found.rms_limits_us[0] < found.rms_us < found.rms_limits_us[1]
    assert found.mean_us == pytest.approx(1500, abs=5 * sigma / 100)


def test_a_slow_drift_is_told_and_taken_out():
    """Against the residuals of scipy.stats.linregress."""
    rng = np.random.default_rng(3)
    seconds = np.arange(1000) * 0.02
    outputs = np.round(1500 + 2.5 * seconds + rng.normal(0, 3, 1000))
    found = one(samples(outputs))
    line = stats.linregress(seconds, outputs)
    residual = outputs - line.intercept - line.slope * seconds
    assert found.drift_us_s == pytest.approx(line.slope, rel=1e-9)
    assert found.rms_us == pytest.approx(np.sqrt((residual**2).sum() / 998), rel=1e-9)
    assert found.peak_to_peak_us == pytest.approx(np.ptp(residual), rel=1e-9)


def test_each_visit_has_its_own_line():
    """A jump between two visits, when somebody touched a trim, is no noise."""
    rng = np.random.default_rng(4)
    step = np.repeat([0, 1], 400)
    outputs = np.round(1500 + 80 * step + rng.normal(0, 2, 800))
    assert one(samples(outputs, step=step)).rms_us == pytest.approx(2.0, rel=0.15)


def test_sticks_that_stand_still_may_hide_a_part_of_a_step():
    found = one(samples(np.full(500, 1500)))
    assert (found.rms_us, found.peak_to_peak_us) == (0.0, 0.0)
    assert found.rms_limits_us == (0.0, pytest.approx(1 / np.sqrt(12)))


def test_too_few_packets_have_no_rms():
    assert noise(samples(np.full(FEWEST - 1, 1500)), 0.95, (1,)) == ()
    assert len(noise(samples(np.full(FEWEST, 1500)), 0.95, (1,))) == 1
    assert noise(samples(np.full(300, 1500), step=np.arange(300)), 0.95, (1,)) == ()


def white(rng):
    return rng.normal(0, 5, 500)


def correlated(rng):
    """A first-order autoregressive series, 0.5 from packet to packet."""
    series, shocks = np.empty(600), rng.normal(0, 5 * np.sqrt(0.75), 600)
    series[0] = shocks[0]
    for place in range(1, 600):
        series[place] = 0.5 * series[place - 1] + shocks[place]
    return series[100:]


def autoregressive(correlation, count):
    """Another, after 500 packets to settle."""

    def series(rng):
        shocks = rng.normal(0, 5 * np.sqrt(1 - correlation**2), count + 500)
        return lfilter([1], [1, -correlation], shocks)[500:]

    return series


SLOW = [autoregressive(0.9, 500), autoregressive(0.95, 3000), autoregressive(0.98, 3000)]


@pytest.mark.parametrize("make", [white, correlated, *SLOW])
def test_the_limits_of_an_rms_hold_as_often_as_they_say(make):
    """200 trials at 95 %: 22 misses or more have a probability of 5 in 10 000 on each side."""
    rng = np.random.default_rng(20)
    below = above = 0
    for _ in range(200):
        low, high = one(samples(1500 + make(rng))).rms_limits_us
        below += high < 5
        above += low > 5
    assert max(below, above) < 22


def test_spikes_are_missed_about_as_often_as_said():
    """Student's t with 3 degrees: 15 % said; fewer than 7 % or more than 24 % of 200 once in 1 000."""
    rng = np.random.default_rng(21)
    upper = [one(samples(1500 + 5 * rng.standard_t(3, 500) / 3**0.5)).rms_limits_us[1] for _ in range(200)]
    assert 0.07 <= np.mean(np.array(upper) < 5) <= 0.24


# -- hum ---------------------------------------------------------------------------------------------------


def humming(hertz, amplitude, at_ns, sigma=2.0, seed=5):
    rng = np.random.default_rng(seed)
    wave = amplitude * np.sin(2 * np.pi * hertz * np.asarray(at_ns) / S + 0.7)
    return samples(np.round(1500 + wave + rng.normal(0, sigma, len(at_ns))), at_ns)


@pytest.mark.parametrize("hertz", [50.0, 60.0, 49.87, 60.13])
def test_hum_is_recovered_at_a_packet_rate_that_can_tell_it(hertz):
    """250 packets/s for 10 s, noise 2 us: a standard error of 0.057 us; five of them."""
    nominal = 50.0 if hertz < 55 else 60.0
    found = hum(humming(hertz, 6.0, times(250, 10)), nominal, 0.95, (1,))
    assert (found.told, found.seen_at_hz) == ("yes", nominal)
    assert found.amplitude_us[0] == pytest.approx(6.0, abs=0.29)
    low, high = found.limits_us[0]
    assert low < found.amplitude_us[0] < high


def test_hum_agrees_with_a_general_least_squares_fit():
    """Constant, slope, cosine and sine by statsmodels OLS at the very frequency that fits best."""
    at_ns = times(250, 10)
    found = humming(50.0, 4.0, at_ns)
    seconds = at_ns / S
    design = np.column_stack(
        (np.ones(len(seconds)), seconds, np.cos(100 * np.pi * seconds), np.sin(100 * np.pi * seconds))
    )
    fit = sm.OLS(found.outputs_us[:, 0], design).fit()
    expected = float(np.hypot(*fit.params[2:]))
    assert hum(found, 50.0, 0.95, (1,)).amplitude_us[0] == pytest.approx(expected, rel=2e-3)
    reach = hum(found, 50.0, 0.95, (1,)).limits_us[0][1] - hum(found, 50.0, 0.95, (1,)).amplitude_us[0]
    assert reach == pytest.approx(1.645 * fit.bse[2], rel=0.02)


def test_fifty_packets_a_second_cannot_tell_fifty_hertz():
    """It shows as 0 Hz: the sampling theorem (Shannon 1949) in its plainest form."""
    found = hum(humming(50.0, 6.0, times(50, 10)), 50.0, 0.95, (1,))
    assert (found.told, found.seen_at_hz, found.amplitude_us) == ("no", pytest.approx(0, abs=1e-6), ())


def test_fifty_packets_a_second_show_sixty_hertz_as_ten():
    found = hum(humming(60.0, 6.0, times(50, 10)), 60.0, 0.95, (1,))
    assert (found.told, found.seen_at_hz) == ("not from the other", pytest.approx(10.0))
    assert found.amplitude_us[0] == pytest.approx(6.0, abs=0.7)
    ten = hum(humming(10.0, 6.0, times(50, 10)), 60.0, 0.95, (1,))
    assert ten.amplitude_us[0] == pytest.approx(6.0, abs=0.7)


@pytest.mark.parametrize("hertz", [50.0, 60.0])
def test_packets_at_uneven_instants_tell_hum_at_fifty_packets_a_second(hertz):
    """Instants spread over 14 ms of each 20 ms: noise 2 us over 1000 packets, five standard errors."""
    rng = np.random.default_rng(8)
    at_ns = times(50, 20, 0.007, rng)
    found = hum(humming(hertz, 6.0, at_ns), hertz, 0.95, (1,))
    assert found.told == "yes"
    assert found.amplitude_us[0] == pytest.approx(6.0, abs=0.6)
    other = hum(humming(hertz - 50 if hertz > 50 else 10.0, 6.0, at_ns), hertz, 0.95, (1,))
    assert other.amplitude_us[0] < 3.0


def test_noise_without_hum_shows_next_to_none():
    """The largest of 17 amplitudes of noise, each beyond 5 standard errors (0.45 us) once in 270 000."""
    found = hum(humming(50.0, 0.0, times(250, 4)), 50.0, 0.95, (1,))
    assert found.amplitude_us[0] < 0.45
    assert found.limits_us[0][0] < 0.45


@pytest.mark.parametrize(
    ("seconds", "amplitude", "sigma"), [(2.3, 2.0, 20.0), (23, 2.0, 60.0), (23, 1.0, 20.0), (2.3, 6.0, 8.0)]
)
def test_the_lower_limit_of_hum_is_seldom_too_high(seconds, amplitude, sigma):
    """At 95 %, up to four standard errors of noise: 100 trials each, 14 or more once in 2 000."""
    rng = np.random.default_rng(31)
    at_ns, wrong = times(130.3, seconds), 0
    for _ in range(100):
        hertz = 50 + rng.uniform(-0.1, 0.1)
        wave = amplitude * np.sin(2 * np.pi * hertz * at_ns / S + rng.uniform(0, 6))
        found = hum(
            samples(np.round(1500 + wave + rng.normal(0, sigma, len(at_ns))), at_ns), 50.0, 0.95, (1,)
        )
        wrong += found.limits_us[0][0] > amplitude
    assert wrong < 14


def test_more_questions_share_the_risk_of_a_lower_limit():
    found = humming(50.0, 6.0, times(250, 10))
    one_of, of_two = (hum(found, 50.0, 0.95, (1,), questions=count).limits_us[0] for count in (1, 2))
    assert of_two[0] < one_of[0]
    assert of_two[1] == one_of[1]
    both = RestSamples(found.at_ns, np.repeat(found.outputs_us, 8, axis=1), found.step, 0)
    assert hum(both, 50.0, 0.95, (1,) * 8).limits_us[0][0] < of_two[0]


def test_the_lower_limit_of_hum_is_that_of_a_noncentral_chi_square():
    """Seen with the risk asked for at the limit, by scipy.stats.ncx2."""
    size, error = np.array([4.0, 9.0]), np.array([1.0, 2.0])
    low = _least(size, error, 0.01)
    assert stats.ncx2.sf((size / error) ** 2, 3, (low / error) ** 2) == pytest.approx(0.01, rel=1e-6)
    assert _least(np.array([100.0, 1.0, 5.0]), np.array([1.0, 1.0, 0.0]), 0.01) == pytest.approx(
        [97.67, 0.0, 5.0], abs=0.05
    )


def test_a_step_of_the_resolution_can_hide_a_hum():
    found = hum(samples(np.full(2500, 1500), times(250, 10)), 50.0, 0.95, (10,))
    assert found.limits_us == ((0.0, 5.0),)


def test_no_hum_without_packets():
    assert hum(samples(np.full(20, 1500)), 50.0, 0.95, (1,)) is None
    assert hum(samples(np.full(80, 1500), np.zeros(80)), 50.0, 0.95, (1,)) is None
    assert hum(samples(np.zeros((0, 1))), 50.0, 0.95, (1,)) is None

"""Control age: exact over time, and where it has a formula, the formula's."""

import io
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenario import RUN_NS, RX, TX, Reset, Scenario, Silence, drop_every

from harness.bench.rig import parse_rig
from harness.clock import MS, US, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.age import (
    AgePieces,
    age_pieces,
    age_samples,
    age_times,
    mean_age_limits_ns,
    mean_age_ns,
    peak_ages_ns,
)
from harness.measure.arrays import ints
from harness.plan.reader import parse_plan
from harness.recording import RecordingWriter, parse_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, header_for, open_for, timeline_for
from mocks.air import air_time_ns, packet_bytes


def aged(scenario, during=()):
    return age_pieces(gather(scenario.plan, scenario.recording()), during)


def formula_ns(period_ns, latency_ns, loss):
    """L + T (1 + p) / (2 (1 - p)) for a packet every T, latency L and independent losses p (derived)."""
    return latency_ns + period_ns * (1 + loss) / (2 * (1 - loss))


# -- truth -----------------------------------------------------------------------------------------


def sawtooth(sampled_ns, applied_ns, end_ns):
    """Pieces of a link that applies packets in this order, from the first one on."""
    newest = np.maximum.accumulate(sampled_ns)
    ends = np.append(applied_ns[1:], end_ns)
    peak = np.append(np.diff(newest) > 0, False)
    return AgePieces(ints(applied_ns), ints(ends), ints(newest), peak, peak & False, 0)


@pytest.mark.parametrize("loss", [0.0, 0.1, 0.3, 0.5])
@pytest.mark.parametrize("period_ms", [5, 20])
def test_mean_age_of_a_simulated_link_is_the_formulas(loss, period_ms):
    """20 000 packets drawn by numpy alone, and the ages at a million random instants beside the integral.

    Four standard deviations: a false alarm in 16 000 a cell, 0.1 % for all eight and both comparisons.
    """
    rng = np.random.default_rng(17)
    period, latency = period_ms * MS, 3 * MS
    sampled = np.flatnonzero(rng.random(20_000) >= loss) * period
    pieces = sawtooth(sampled, sampled + latency, 20_000 * period + latency)
    instants = rng.uniform(pieces.start_ns[0], pieces.end_ns[-1], 1_000_000)
    ages = instants - sampled[np.searchsorted(sampled + latency, instants, side="right") - 1]
    drawn = 4 * ages.std() / 1000
    assert mean_age_ns(pieces) == pytest.approx(ages.mean(), abs=drawn)
    gaps = np.diff(sampled)
    excess = gaps**2 / 2 - gaps * formula_ns(period, 0, loss)
    spread = 4 * excess.std() / np.sqrt(len(gaps)) / gaps.mean()
    assert mean_age_ns(pieces) == pytest.approx(formula_ns(period, latency, loss), abs=spread + 1)


GRID = [(rate, loss) for rate in (20, 50, 100) for loss in (0, 5, 20, 50)]


@pytest.mark.slow
@pytest.mark.parametrize(("rate_hz", "loss_percent"), GRID, ids=str)
def test_mean_age_of_the_mock_is_the_formulas(rate_hz, loss_percent):
    """Packets lost for good on the simulated air, through clocks, serial lines and recording.

    Within four standard deviations of the cycles' mean, a false alarm in 16 000 a cell and 0.08 % for the
    grid, plus what the clock maps leave open.
    """
    pieces, latency = mock_age(rate_hz, Fraction(loss_percent, 100), packets=3_000)
    period, loss = S // rate_hz, loss_percent / 100
    runs = 1 + np.arange(400)
    chance = loss ** (runs - 1) * (1 - loss)
    wanted = formula_ns(period, latency, loss)
    area = latency * runs * period + (runs * period) ** 2 / 2 - wanted * runs * period
    cycles = pieces.total_ns / period * (1 - loss)
    spread = np.sqrt((chance * area**2).sum() / cycles) / ((chance * runs).sum() * period)
    assert pieces.doubtful_ns < 0.001 * pieces.total_ns
    assert pieces.bound_ns < MS
    assert mean_age_ns(pieces) == pytest.approx(wanted, abs=4 * spread + pieces.bound_ns)
    low, high = mean_age_limits_ns(pieces, period, 0.999)
    assert low < wanted < high


def mock_age(rate_hz, loss, packets):
    """Run a link without retransmissions; return its age and its latency on the air."""
    plan = parse_plan(PLAN.format(rate=rate_hz, seconds=packets / rate_hz), "age.yaml")
    rig = parse_rig(RIG.format(loss=float(100 * loss)), "age rig")
    request, file = Request(plan=plan, file="", rig=rig, seed=3), io.BytesIO()
    bench = open_for(request)
    writer = RecordingWriter(file, header_for(request, bench), bench.now_ns())
    Runner(bench, writer, plan, Quiet()).run(timeline_for(request))
    writer.close()
    evidence = gather(plan, parse_recording(file.getvalue(), "age"))
    return age_pieces(evidence, ("steady",)), air_time_ns(packet_bytes(2), overhead_bits=73, rate_bit_s=10**6)


PLAN = """\
propsoff: 1
title: Control age
link:
  packet_rate: {rate} Hz
  lost_after: 1 s
  channels:
    roll: {{failsafe: centre}}
    pitch: {{failsafe: centre}}
  failsafe: {{within: 10 s}}
steps:
  - settle: 1 s
  - settle: {seconds} s
    name: steady
checks:
  - bench
"""
RIG = """\
propsoff_rig: 1
bench: mock
mock: {{loss: {loss} %, retransmit_limit: 0, transmitter_skew_ppm: 30, receiver_skew_ppm: -20}}
"""


# -- from a recording ------------------------------------------------------------------------------


def test_age_of_a_healthy_link_is_a_saw_tooth():
    """2 ms of latency every 20 ms: from 2 to 22 ms, evenly."""
    pieces = aged(Scenario())
    times, bound = age_times(pieces), pieces.bound_ns
    assert 0 < bound < MS
    assert pieces.total_ns == pytest.approx(4 * S, abs=1)
    assert mean_age_ns(pieces) == pytest.approx(12 * MS, abs=bound)
    assert pieces.high_ns.max() == pytest.approx(22 * MS, abs=bound)
    assert peak_ages_ns(pieces) == pytest.approx(22 * MS, abs=bound)
    for share in (0.01, 0.5, 0.95, 0.99):
        assert times.percentile_ns(share) == pytest.approx((2 + 20 * share) * MS, abs=bound)
    assert times.above_ns(12 * MS) == pytest.approx(2 * S, abs=2 * S * bound / (10 * MS))
    assert pieces.doubtful_ns == 0


def test_a_lost_packet_lets_control_grow_old_until_the_next():
    pieces = aged(Scenario(lost=lambda packet: packet.index in (100, 101)))
    assert pieces.high_ns.max() == pytest.approx(62 * MS, abs=pieces.bound_ns)
    assert age_times(pieces).above_ns(42 * MS) == pytest.approx(20 * MS, abs=2 * pieces.bound_ns)


def test_a_packet_that_comes_behind_a_newer_one_makes_nothing_younger():
    """Packet 100 takes effect after 101 and 102 had: the age is as if it had been lost."""
    late = aged(Scenario(latency_ns=lambda packet: 50 * MS if packet.index == 100 else 2 * MS))
    lost = aged(Scenario(lost=lambda packet: packet.index == 100))
    assert mean_age_ns(late) == pytest.approx(mean_age_ns(lost), abs=20 * US)
    assert late.high_ns.max() == pytest.approx(42 * MS, abs=late.bound_ns)


def test_a_repeated_packet_makes_nothing_younger():
    assert mean_age_ns(aged(Scenario(copies=lambda packet: 3))) == pytest.approx(12 * MS, abs=0.4 * MS)


def test_age_counts_neither_cuts_nor_commanded_restarts():
    cuts = [Silence(RUN_NS + S, 900 * MS)]
    resets = [Reset(RX, RUN_NS + 3 * S + 7 * MS), Reset(TX, RUN_NS + 5 * S + 7 * MS)]
    pieces = aged(Scenario(seconds=8.0, silences=cuts, resets=resets))
    assert pieces.high_ns.max() < 23 * MS
    assert 6.2 * S < pieces.total_ns < 6.6 * S


def test_age_counts_a_restart_of_the_receivers_own():
    reset = Reset(RX, RUN_NS + S + 7 * MS, commanded=False)
    assert aged(Scenario(resets=[reset])).high_ns.max() > 300 * MS


def test_age_grows_on_when_the_radio_dies():
    pieces = aged(Scenario(lost=lambda packet: packet.index >= 125))
    assert pieces.high_ns.max() > 1.9 * S
    assert pieces.doubtful_ns == 0


def test_a_missing_report_can_only_have_made_control_younger():
    pieces = aged(Scenario(drop=drop_every(RX, 25, wire.Applied)))
    assert pieces.high_ns[~pieces.doubtful].max() < 23 * MS
    assert pieces.high_ns[pieces.doubtful].max() > 40 * MS
    samples = age_samples(pieces, 20 * MS)
    assert (samples.low_ns[samples.low_ns != samples.high_ns] == 0).all()
    assert samples.unknown == pytest.approx(pieces.doubtful_ns / (20 * MS), abs=5)


def test_reports_of_the_transmitter_that_are_missing_leave_the_age_in_doubt_too():
    pieces = aged(Scenario(drop=drop_every(TX, 25, wire.Sent)))
    assert pieces.high_ns[~pieces.doubtful].max() < 23 * MS
    assert pieces.doubtful_ns > 0


def test_only_the_steps_looked_at_count():
    scenario = Scenario()
    scenario.mark(RUN_NS, "step", path="steps[0]", kind="hold", name="go", title="")
    scenario.mark(RUN_NS + S, "step end", path="steps[0]")
    scenario.mark(RUN_NS + S, "step", path="steps[1]", kind="hold", name="rest", title="")
    scenario.mark(RUN_NS + 4 * S, "step end", path="steps[1]")
    assert aged(scenario, ("go",)).total_ns == S


def test_without_any_applied_packet_the_age_counts_from_the_first_one_sent():
    pieces = aged(Scenario(lost=lambda _: True))
    assert (len(pieces), pieces.total_ns, pieces.doubtful_ns) == (1, 4 * S, 0)
    assert pieces.high_ns.max() == pytest.approx(4.5 * S, abs=2 * pieces.bound_ns)


def test_a_port_that_speaks_late_leaves_the_time_before_in_doubt():
    """The receiver's first second of the run is missing: packets may have been applied all along."""
    late = RUN_NS + S

    def drop(role, place, message):
        return role == RX and place < 90

    pieces = aged(Scenario(drop=drop))
    early = pieces.start_ns < late - 500 * MS
    assert pieces.doubtful[early].all()
    assert pieces.doubtful_ns < 1.5 * S


def test_what_a_port_that_fell_silent_did_is_in_doubt_or_left_out():
    pieces = aged(Scenario(drop=lambda role, place, message: role == RX and place > 120))
    assert pieces.doubtful_ns + pieces.untold_ns > 1.5 * S


def test_without_a_sent_packet_there_is_no_age():
    pieces = aged(Scenario(drop=lambda role, place, message: role == TX))
    assert (len(pieces), mean_age_ns(pieces), mean_age_limits_ns(pieces, 20 * MS, 0.95)) == (0, None, None)
    assert age_times(pieces).percentile_ns(0.5) is None
    assert age_times(pieces).above_ns(5) == 0
    assert len(age_samples(pieces, 20 * MS)) == 0


# -- arithmetic ------------------------------------------------------------------------------------

TEETH = st.lists(st.tuples(st.integers(0, 30), st.integers(1, 30)), min_size=1, max_size=12)


def teeth(parts):
    """Pieces of (age at the start, length)."""
    length = ints([part[1] for part in parts])
    end = np.cumsum(length)
    none = length < 0
    return AgePieces(end - length, end, end - length - ints([part[0] for part in parts]), none, none, 0)


@settings(max_examples=80)
@given(TEETH)
def test_integral_and_times_are_those_of_a_sum_over_every_ns(parts):
    pieces = teeth(parts)
    steps = np.concatenate([low + np.arange(2 * length) / 2 + 0.25 for low, length in parts])
    times = age_times(pieces)
    assert times.total_ns == pieces.total_ns == len(steps) / 2
    assert mean_age_ns(pieces) == pytest.approx(steps.mean(), rel=1e-12)
    for limit in range(62):
        assert times.above_ns(limit) == (steps > limit).sum() / 2
    for share in (0.1, 0.5, 0.9, 0.99, 1.0):
        age = times.percentile_ns(share)
        assert (steps <= age).sum() / 2 >= share * pieces.total_ns - 1e-9
        assert (steps <= age - 1).sum() / 2 < share * pieces.total_ns


def test_integral_is_exact_where_products_leave_64_bits():
    """An hour and 3 ns without a packet, beside an ordinary piece."""
    hour = 3600 * S + 3
    pieces = teeth([(7, hour), (2 * MS, 20 * MS)])
    total = hour * (2 * 7 + hour) + 20 * MS * (24 * MS)
    assert mean_age_ns(pieces) == total / (2 * (hour + 20 * MS))


def test_instants_are_one_in_each_slot_and_meet_a_periodic_link_at_every_phase():
    """Slots as long as the saw's teeth: evenly spaced instants would all show one age."""
    pieces = teeth([(2 * MS, 20 * MS)] * 1_000)
    ages = age_samples(pieces, 20 * MS).high_ns
    assert len(ages) == 1_000
    counts = np.histogram(ages, bins=20, range=(2 * MS, 22 * MS))[0]
    assert counts.sum() == 1_000
    assert np.abs(counts - 50).max() <= 3


@pytest.mark.parametrize(
    ("share", "fade", "packets"),
    [
        (0.2, 1, 5_000),
        (0.2, 5, 5_000),
        (0.02, 4, 20_000),
        (0.005, 3, 2_000),
        (0.02, 10, 7_350),
        (0.02, 20, 19_600),
    ],
)
def test_limits_of_the_mean_age_hold_their_confidence(share, fade, packets):
    """200 links with losses singly or in fades, the fourth with three fades only, the last with 15 and 20.

    22 wrong ones or more have a chance of 0.05 % at 5 % (binomial), so 0.6 % for all twelve.
    """
    rng = np.random.default_rng(23)
    wrong = np.zeros(2, dtype=int)
    for _ in range(200):
        pieces = sawtooth_of(losses(rng, share, fade, packets))
        low, high = mean_age_limits_ns(pieces, 20 * MS, 0.95)
        truth = fading_mean_ns(share, fade)
        wrong += low > truth, high < truth
    assert wrong.max() < 22


def losses(rng, share, fade, count):
    """Lost packets of a two-state chain, run by run; fades of one are independent losses."""
    if fade == 1:
        return rng.random(count) < share
    begins, ends = share / (1 - share) / fade, 1 / fade
    lost, place = np.zeros(count, dtype=bool), 0
    while place < count:
        place += rng.geometric(begins)
        length = rng.geometric(ends)
        lost[place : place + length] = True
        place += length
    return lost


def sawtooth_of(lost):
    sampled = np.flatnonzero(~lost) * 20 * MS
    return sawtooth(sampled, sampled + 2 * MS, len(lost) * 20 * MS)


def fading_mean_ns(share, fade):
    """Gaps of K periods: 1, or 1 + a geometric fade; the mean age is L + T E[K**2] / (2 E[K]) (derived)."""
    if fade == 1:
        return formula_ns(20 * MS, 2 * MS, share)
    begins, ends = share / (1 - share) / fade, 1 / fade
    runs = np.arange(1, 500)
    chance = begins * ends * (1 - ends) ** (runs - 1)
    first = (1 - begins) + (chance * (1 + runs)).sum()
    second = (1 - begins) + (chance * (1 + runs) ** 2).sum()
    return 2 * MS + 20 * MS * second / (2 * first)


def test_pieces_know_their_bound():
    pieces = aged(Scenario())
    wider = replace(pieces, bound_ns=pieces.bound_ns + MS)
    tight, wide = (mean_age_limits_ns(one, 20 * MS, 0.95) for one in (pieces, wider))
    assert wide[0] == pytest.approx(tight[0] - MS)
    assert wide[1] == pytest.approx(tight[1] + MS)

"""Spans at another packet rate are known from the commands, and left out where they would deceive."""

import numpy as np
from scenario import RUN_NS, TX, Reset, S, Scenario

from harness.clock import MS
from harness.codec import messages as wire
from harness.measure.evidence import gather
from harness.measure.pacing import control_gaps, packet_rate
from harness.measure.rates import TAKES_NS, other_rate_spans


def setting(rate_mhz):
    return wire.Setting(wire.SettingId.PACKET_RATE_MHZ, rate_mhz)


def evidence(*turns, **fields):
    scenario = Scenario(**fields)
    for at_ns, rate_mhz in turns:
        scenario.tell(TX, setting(rate_mhz), RUN_NS + at_ns)
    return gather(scenario.plan, scenario.recording())


def test_a_span_lasts_from_the_other_rate_to_the_links_own():
    found = other_rate_spans(evidence((S, 25_000), (2 * S, 50_000)))
    assert found.tolist() == [[RUN_NS + S, RUN_NS + 2 * S + TAKES_NS + 40 * MS]]


def test_setting_the_links_own_rate_is_no_span():
    assert len(other_rate_spans(evidence((S, 50_000)))) == 0


def test_a_rate_that_is_never_set_back_lasts_to_the_end():
    there = evidence((S, 25_000))
    assert other_rate_spans(there)[0, 1] >= there.data_end_ns


def test_a_start_of_the_transmitter_ends_it():
    there = evidence((S, 25_000), resets=[Reset(TX, RUN_NS + 2 * S, down_ns=100 * MS)])
    end = int(other_rate_spans(there)[0, 1]) - RUN_NS
    assert 2 * S < end < 3 * S


def test_only_slower_ones_are_asked_for():
    there = evidence((S, 100_000), (2 * S, 50_000))
    assert len(other_rate_spans(there)) == 1
    assert len(other_rate_spans(there, slower=True)) == 0


def test_rates_set_back_and_away_at_one_instant_keep_their_order():
    found = other_rate_spans(evidence((S, 25_000), (2 * S, 50_000), (2 * S, 25_000), (3 * S, 50_000)))
    assert found[:, 0].tolist() == [RUN_NS + S, RUN_NS + 2 * S]


def slow(packet):
    """Every other packet falls out between 1 and 2 s: half the rate, as it were."""
    return 75 < packet.index < 125 and packet.index % 2 == 1


def test_packet_rate_and_control_gap_leave_such_spans_out():
    there = evidence((S, 25_000), (2 * S, 50_000), lost=slow)
    assert control_gaps(there).gap_ns.max() < 21 * MS
    assert packet_rate(there).packets < packet_rate(evidence()).packets - 50
    assert np.isclose(packet_rate(there).hz, 50, atol=0.1)
    assert control_gaps(evidence(lost=slow)).gap_ns.max() > 39 * MS

"""Spans at another packet rate are known from the commands, and left out where they would deceive."""

import numpy as np
import pytest
from scenario import RUN_NS, TX, ReplyTo, Reset, S, Scenario

from harness.clock import MS
from harness.codec import messages as wire
from harness.measure.evidence import gather
from harness.measure.pacing import control_gaps, packet_rate
from harness.measure.rates import REPLIES_NS, other_rate_spans


def setting(rate_mhz):
    return wire.Setting(wire.SettingId.PACKET_RATE_MHZ, rate_mhz)


REPLY_NS = 5 * MS


def evidence(*turns, **fields):
    """Commands by time, rate and, if it is not DONE, the reply: None for a command that got lost."""
    scenario = Scenario(**fields)
    for at_ns, rate_mhz, *more in turns:
        result = more[0] if more else wire.Result.DONE
        event = scenario.tell(TX, setting(rate_mhz), RUN_NS + at_ns)
        if result is not None:
            taken_ns = RUN_NS + at_ns + REPLY_NS
            scenario.say(TX, ReplyTo(event, result, scenario.stamp(TX, taken_ns)), taken_ns)
    return gather(scenario.plan, scenario.recording())


def spans_ms(found):
    """From the run's begin, in ms; less than 2 ms are for the line."""
    return [[(at - RUN_NS) // MS for at in span] for span in found.tolist()]


def test_a_span_lasts_from_the_other_rate_to_the_reply_to_the_links_own():
    (span,) = spans_ms(other_rate_spans(evidence((S, 25_000), (2 * S, 50_000))))
    assert span[0] == 1000
    assert 2000 + 5 + 40 <= span[1] <= 2000 + 5 + 40 + 3


def test_a_lost_command_to_set_the_rate_back_leaves_the_span_open_until_one_is_confirmed():
    (span,) = spans_ms(other_rate_spans(evidence((S, 25_000), (2 * S, 50_000, None), (3 * S, 50_000))))
    assert span[0] == 1000
    assert 3045 <= span[1] <= 3048
    never = evidence((S, 25_000), (2 * S, 50_000, None))
    assert other_rate_spans(never)[0, 1] >= never.data_end_ns


@pytest.mark.parametrize("result", [None, wire.Result.OUT_OF_RANGE, wire.Result.BUSY])
def test_a_command_that_was_lost_or_refused_set_nothing(result):
    assert len(other_rate_spans(evidence((S, 25_000, result), (2 * S, 50_000)))) == 0


def test_a_refused_command_to_set_the_rate_back_leaves_the_span_open():
    there = evidence((S, 25_000), (2 * S, 50_000, wire.Result.BUSY))
    assert other_rate_spans(there)[0, 1] >= there.data_end_ns


@pytest.mark.parametrize(("after_ns", "number"), [(REPLIES_NS // 2, 1), (2 * REPLIES_NS, 0)])
def test_a_command_whose_reply_may_have_been_lost_may_have_set_the_rate(after_ns, number):
    """One message of the transmitter is missing soon after the command, or too late to be the reply."""
    lost = []

    def drop(role, place, message):
        found = role is TX and isinstance(message, wire.Sent) and message.at_us > when_us and not lost
        lost.extend([message] * found)
        return found

    when_us = Scenario().stamp(TX, RUN_NS + S + after_ns)
    assert len(other_rate_spans(evidence((S, 25_000, None), drop=drop))) == number


def test_one_lost_bit_leaves_packet_rate_and_control_gap_as_they_were():
    """The rate was set back late: the packets until then are nobody's fault."""
    there = evidence((S, 25_000), (1100 * MS, 50_000, None), (2 * S, 50_000), lost=slow)
    assert control_gaps(there).gap_ns.max() < 21 * MS


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
    turns = (S, 25_000), (2 * S, 50_000), (2 * S, 25_000), (3 * S, 50_000)
    (span,) = spans_ms(other_rate_spans(evidence(*turns)))
    assert span[0] == 1000
    assert 3045 <= span[1] <= 3048


def slow(packet):
    """Every other packet falls out between 1 and 2 s: half the rate, as it were."""
    return 75 < packet.index < 125 and packet.index % 2 == 1


def test_packet_rate_and_control_gap_leave_such_spans_out():
    there = evidence((S, 25_000), (2 * S, 50_000), lost=slow)
    assert control_gaps(there).gap_ns.max() < 21 * MS
    assert packet_rate(there).packets < packet_rate(evidence()).packets - 50
    assert np.isclose(packet_rate(there).hz, 50, atol=0.1)
    assert control_gaps(evidence(lost=slow)).gap_ns.max() > 39 * MS

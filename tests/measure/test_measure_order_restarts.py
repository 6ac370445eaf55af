"""A transmitter that restarts with a packet under way never reports it, and that leaves nothing open."""

from dataclasses import replace

import pytest
from scenario import RUN_NS, RX, TX, Reset, Scenario

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.ordering import read_ordering

RESET_NS = RUN_NS + S + 4 * MS


def ordering_with_a_report_missing(role, before_ns):
    """Judge a run in which one device restarts and the packet sent so long before that is never reported."""
    whole = Scenario(resets=[Reset(role, RESET_NS)])
    stamp_us = whole.stamp(TX, RESET_NS - before_ns)

    def drop(whose, _place, message):
        return whose is TX and isinstance(message, wire.Sent) and abs(message.at_us - stamp_us) < 10_000

    scenario = replace(whole, drop=drop)
    return read_ordering(gather(scenario.plan, scenario.recording()))


@pytest.mark.parametrize(("role", "maybe"), [(TX, 0), (RX, 1)])
def test_a_report_missing_at_the_transmitters_own_restart_leaves_nothing_open(role, maybe):
    found = ordering_with_a_report_missing(role, 24 * MS)
    assert (len(found.reordered), len(found.never_sent), found.maybe) == (0, 0, maybe)


def test_a_report_missing_elsewhere_stays_open():
    assert ordering_with_a_report_missing(TX, 404 * MS).maybe == 1

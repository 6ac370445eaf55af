"""The series of fates, its runs, and its rhythm, on runs whose losses are known."""

import numpy as np
import pytest
from scenario import RUN_NS, RX, TX, Reset, S, Scenario, Silence, plan_for

from harness.clock import MS
from harness.codec import messages as wire
from harness.measure.evidence import gather
from harness.measure.losses import NONE, loss_period, loss_runs, loss_series
from harness.plan import model as p

FIRST = 26
"""The first packet wholly in the run: packets begin half a second before it, and one falls on its edge."""


def evidence(**fields):
    scenario = Scenario(**fields)
    return gather(plan_for(p.LossPattern(), link=scenario.plan.link), scenario.recording())


def lose(*places):
    return lambda packet: packet.index - FIRST in places


def series_of(**fields):
    return loss_series(evidence(**fields))


def test_runs_are_where_packets_were_lost():
    found = loss_runs(series_of(lost=lose(10, 40, 41, 42, 90)))
    assert found.start.tolist() == [10, 40, 90]
    assert found.length.tolist() == [1, 3, 1]
    assert found.longest_possible == 3


def test_gap_over_a_run_is_from_applied_packet_to_applied_packet():
    """Three lost packets every 20 ms leave 80 ms between the applied ones around them."""
    found = loss_runs(series_of(lost=lose(40, 41, 42)))
    assert found.gap_ns.tolist() == [pytest.approx(80 * MS, abs=MS / 10)]


def test_packets_in_a_cut_are_excused_and_no_run_goes_across_it():
    """Silence from 1.005 s to 1.705 s; lost are packets up to 0.98 s and from 1.74 s on, none between."""
    cut = Silence(RUN_NS + S, 700 * MS)
    found = series_of(lost=lose(*range(40, 50), 86, 87), silences=[cut])
    runs = loss_runs(found)
    assert runs.length[1] == 2
    assert runs.length[0] in (9, 10)
    assert runs.gap_ns[0] == NONE
    assert int(found.breaks.sum()) == 2


def test_packets_in_a_restart_are_excused():
    found = series_of(resets=[Reset(RX, RUN_NS + S)])
    assert not found.lost.any()
    assert int(found.breaks.sum()) == 2


def test_missing_reports_make_unknown_packets_and_no_losses():
    def drop(role, place, message):
        return role == RX and isinstance(message, wire.Applied) and message.packet in (75, 76, 77)

    found = series_of(drop=drop)
    assert (int(found.unknown.sum()), int(found.lost.sum())) == (3, 0)
    assert loss_runs(found).longest_possible == 3


def test_packets_that_nobody_reported_stand_among_the_others_as_unknown():
    def drop(role, place, message):
        told = (TX, wire.Sent), (RX, wire.Applied)
        return any(role == who and isinstance(message, what) for who, what in told) and message.packet in (
            80,
            81,
        )

    found = series_of(drop=drop)
    assert np.flatnonzero(found.unknown).tolist() == [54, 55]
    assert (found.row[found.unknown] == NONE).all()
    assert len(found) == 200 == len(series_of())


def test_known_packets_are_joined_unless_something_lies_between():
    found = series_of(lost=lose(10), silences=[Silence(RUN_NS + S, 700 * MS)])
    assert int((~found.joined).sum()) == 1


def test_a_run_without_losses_has_no_runs():
    found = loss_runs(series_of())
    assert (len(found.length), found.longest_possible) == (0, 0)


@pytest.mark.parametrize("cuts", [0, 9])
def test_losses_in_step_are_found_in_time(cuts):
    silences = [Silence(RUN_NS + place * 6 * S + 500 * MS, 700 * MS) for place in range(cuts)]
    there = evidence(seconds=60.0, lost=lambda packet: packet.index % 50 == 7, silences=silences)
    found = loss_period(there, loss_series(there))
    assert found.found.p_value < 1e-6
    assert found.of == "time"
    assert found.period_ns == pytest.approx(S, rel=1e-3)
    assert found.period_packets == pytest.approx(50, rel=1e-3)
    assert found.phase == pytest.approx((7 - 25) % 50 * 20 * MS, abs=25 * MS)


def test_losses_in_step_with_packets_are_found_across_pauses():
    """Every 37th packet sent, with pauses of uneven length between: no rhythm in time."""
    silences = [
        Silence(RUN_NS + place * 3 * S, (300 + 611 * place % 900) * MS, delay_ns=5 * MS)
        for place in range(18)
    ]
    sent: list[int] = []

    def lost(packet):
        sent.append(packet.index)
        return len(sent) % 37 == 0

    there = evidence(seconds=60.0, lost=lost, silences=silences)
    found = loss_period(there, loss_series(there))
    assert found.found.p_value < 1e-6
    assert found.of == "packets"
    assert found.period_packets == pytest.approx(37, rel=0.01)


def test_bursts_that_the_plan_ordered_are_no_rhythm():
    found = series_of()
    assert not found.ordered.any()

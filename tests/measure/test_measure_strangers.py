"""What a receiver took of packets that were sent to disturb it is told apart from own packets."""

import pytest
from scenario import RUN_NS, TX, Meddling, Scenario, every

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.strangers import stranger_outputs


def applied(kind, stranger="applied", **fields):
    place = [Meddling(RUN_NS + S, 700 * MS, kind=kind)]
    scenario = Scenario(disturbs=place, stranger=lambda kind, place: stranger, **fields)
    return gather(scenario.plan, scenario.recording()).applied


def test_a_foreign_packet_asks_for_closed_throttles_and_the_high_end_elsewhere():
    """The third channel is reversed: its high stick is the shorter pulse."""
    assert stranger_outputs(Scenario().plan.link).tolist() == [1000, 2000, 1000, 2000]


@pytest.mark.parametrize("kind", [1, 2, 3, 4])
def test_nothing_is_strange_with_a_receiver_that_ignores_them(kind):
    found = applied(kind, "ignored")
    assert not found.strange.any()
    assert (found.sent_row >= 0).all()


@pytest.mark.parametrize("kind", [1, 2, 4])
def test_strange_packets_lose_their_match_and_are_no_repeats(kind):
    found = applied(kind, foreign_number=20)
    assert found.strange.sum() == 35
    assert (found.sent_row[found.strange] == -1).all()
    assert not found.repeat.any()


def test_repeats_keep_their_match():
    found = applied(3)
    assert found.strange.sum() == 35
    assert found.repeat[found.strange].all()
    assert len(set(found.sent_row[found.strange].tolist())) == 1


@pytest.mark.parametrize("kind", [1, 2, 4])
def test_late_own_packets_with_their_own_sticks_stay_own(kind):
    """80 ms late, in the lost_after of 100 ms: while foreign packets are about they are still the link's."""
    found = applied(kind, "ignored", latency_ns=lambda packet: (80 if packet.index % 7 == 0 else 2) * MS)
    assert not found.strange.any()


def test_outside_a_disturbance_nothing_is_strange_whatever_its_number():
    scenario = Scenario(copies=lambda packet: 2 if packet.index == 90 else 1)
    found = gather(scenario.plan, scenario.recording()).applied
    assert not found.strange.any()
    assert found.repeat.sum() == 1


def test_where_reports_of_the_transmitter_are_missing_nothing_is_marked_for_certain():
    def drop(role, place, message):
        return role == TX and isinstance(message, wire.Sent) and message.packet % 10 == 0

    found = applied(4, foreign_number=40_000, drop=drop)
    assert found.strange.sum() < 35
    assert (found.doubtful | found.strange)[found.sent_row < 0].all()


def test_packets_with_own_sticks_are_known_by_time():
    """Of packets with the transmitter's own inputs nobody knows the sticks: a late match is strange."""
    found = applied(2, own=every(0, 1), foreign_number=10)
    assert found.strange.sum() == 35

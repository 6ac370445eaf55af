"""Verdicts on order: packets out of turn and packets that nobody sent fail; a lost report does not."""

import pytest
from imaginary import RUN_NS, RX, TX, Meddling, Scenario, drop_every, judged

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
ORDER = p.Order()


def late(*places):
    """Packets that take effect 25 ms late: just after the one sent 20 ms after them."""
    return lambda packet: 25 * MS if packet.index in places else 2 * MS


def test_packets_applied_in_turn_pass():
    found = judged(ORDER)
    assert (found.verdict, found.value, found.samples) == (PASS, 0.0, 200)


@pytest.mark.parametrize(("latency", "verdict"), [(21, PASS), (23, FAIL)])
def test_a_packet_applied_after_a_later_one_is_out_of_order(latency, verdict):
    """Packets come every 20 ms and are applied 2 ms later: 22 ms is where two change places (RFC 4737)."""
    found = judged(ORDER, latency_ns=lambda packet: latency * MS if packet.index == 90 else 2 * MS)
    assert (found.verdict, found.counts["reordered"]) == (verdict, int(verdict is FAIL))


def test_a_late_packet_is_counted_once_as_rfc_4737_does():
    """Packet 90 comes after 91, 92 and 93: it alone is reordered, for NextExp stands at 94."""
    found = judged(ORDER, latency_ns=lambda packet: 70 * MS if packet.index == 90 else 2 * MS)
    assert found.counts["reordered"] == 1
    assert "applied after a later one" in found.reason
    assert len(found.examples) == 1


@pytest.mark.parametrize(("allowed", "verdict"), [(1, FAIL), (2, PASS)])
def test_as_many_as_allowed_may_be_out_of_order(allowed, verdict):
    assert judged(p.Order(at_most=allowed), latency_ns=late(90, 120)).verdict is verdict


def test_a_packet_applied_twice_in_a_row_is_no_matter_of_order():
    assert judged(ORDER, copies=lambda packet: 2 if packet.index == 90 else 1).verdict is PASS


@pytest.mark.parametrize(("after_ms", "verdict"), [(19, PASS), (21, FAIL)])
def test_a_copy_counts_once_a_later_packet_has_been_applied(after_ms, verdict):
    """Packet 91 is applied 20 ms after packet 90."""
    scenario = Scenario()
    first_ns = RUN_NS - 500 * MS + 90 * 20 * MS + 2 * MS
    at_ns = first_ns + after_ms * MS
    sticks = scenario.sticks(90)
    outputs = (sticks[0], sticks[1], 3000 - sticks[2], sticks[3])
    scenario.say(RX, wire.Applied(90, scenario.stamp(RX, at_ns), -60, outputs), at_ns)
    found = judged(ORDER, scenario)
    assert (found.verdict, found.counts["reordered"]) == (verdict, int(verdict is FAIL))


def test_numbers_that_wrap_keep_the_order():
    assert judged(ORDER, first_number=65_450).verdict is PASS


def test_a_packet_that_nobody_sent_fails():
    scenario = Scenario()
    at_ns = RUN_NS + 1011 * MS
    scenario.say(RX, wire.Applied(40_000, scenario.stamp(RX, at_ns), -60, (1000, 1500, 1500, 1500)), at_ns)
    found = judged(ORDER, scenario)
    assert (found.verdict, found.counts["never sent"]) == (FAIL, 1)
    assert "1 packet of 201 applied that nobody sent" in found.reason


@pytest.mark.parametrize(
    ("kind", "way"),
    [(1, "corrupted"), (2, "foreign"), (4, "foreign")],
    ids=["corrupted", "foreign", "beside"],
)
def test_strange_packets_that_are_applied_fail_and_name_the_way(kind, way):
    fields = {"disturbs": [Meddling(RUN_NS + S, 700 * MS, kind=kind)], "foreign_number": 60}
    found = judged(ORDER, stranger=lambda kind, place: "applied" if place == 30 else "ignored", **fields)
    assert found.verdict is FAIL
    assert f"1 while {way} packets were about" in found.reason
    assert "identity" in found.advice[0]
    assert judged(ORDER, **fields).verdict is PASS


def test_a_foreign_packet_with_an_own_number_is_known_by_its_sticks():
    """Between own packets, one with the number that the own packet had 10 ms before."""
    found = judged(
        ORDER,
        disturbs=[Meddling(RUN_NS + S, 700 * MS, kind=4)], foreign_number=76,
        stranger=lambda kind, place: "applied" if place == 0 else "ignored",
    )  # fmt: skip
    assert found.counts["never sent"] == 1


def test_a_lost_report_of_the_transmitter_only_leaves_it_open():
    found = judged(ORDER, drop=drop_every(TX, 40, wire.Sent))
    assert found.verdict is OPEN
    assert "could explain" in found.reason


def test_a_lost_report_of_the_receiver_hides_what_it_could_have_shown():
    assert judged(ORDER, drop=drop_every(RX, 60)).verdict is OPEN
    assert judged(ORDER, seconds=0.5).needed == 59 - judged(ORDER, seconds=0.5).samples
    assert judged(ORDER, drop=lambda role, *_: role == TX).verdict is OPEN


def test_what_is_in_doubt_is_counted_so_that_rounds_can_add_it_up():
    found = judged(p.Order(at_most=1000), drop=drop_every(TX, 40, wire.Sent))
    assert found.counts["possible"] > 0
    assert "possible" not in judged(ORDER).counts

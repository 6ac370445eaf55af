"""Packets sent, applied, lost, unknown: whole numbers that always add up."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenario import RUN_NS, RX, TX, Reset, Scenario, Silence, drop_every, every

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.delivery import count_delivery, packet_fates
from harness.measure.tables import BUFFERED


def counted(scenario, during=()):
    evidence = gather(scenario.plan, scenario.recording())
    return count_delivery(evidence, packet_fates(evidence, during), during)


def test_loss_ratio_is_the_rfc_7680_example():
    """RFC 7680 section 4.1 (read): losses 0 0 1 0 0 give a ratio of 0.2. Here forty times over."""
    counts = counted(Scenario(lost=every(2, 5)))
    assert counts.lost / counts.sent == pytest.approx(0.2, abs=0.003)
    assert counts.sent == counts.applied + counts.lost == 200


def test_no_burst_goes_across_a_cut():
    cut = Silence(RUN_NS + 2 * S, 500 * MS)

    def lost(packet):
        before, after = cut.at_ns - packet.at_ns, packet.at_ns - cut.at_ns - 500 * MS
        return -40 * MS < before < 85 * MS or 0 <= after < 105 * MS

    counts = counted(Scenario(seconds=8.0, silences=[cut], lost=lost))
    assert (counts.bursts, counts.lost) == (2, 2 * counts.longest_burst)


@pytest.mark.parametrize(("late_ms", "lost"), [(99, 0), (101, 1)])
def test_a_packet_is_lost_when_it_is_later_than_the_threshold(late_ms, lost):
    """RFC 7680 sections 2.4, 2.5 (read): loss is 1 exactly if it does not arrive within Tmax; here 100 ms."""
    scenario = Scenario(latency_ns=lambda packet: late_ms * MS if packet.index == 100 else 2 * MS)
    counts = counted(scenario)
    assert (counts.lost, counts.late, counts.unknown) == (lost, lost, 0)


def test_a_packet_at_the_threshold_is_unknown_within_the_clocks_bound():
    scenario = Scenario(latency_ns=lambda packet: 100 * MS if packet.index == 100 else 2 * MS)
    assert (counted(scenario).unknown, counted(Scenario()).unknown) == (1, 0)


def test_several_good_copies_are_one_delivery():
    """RFC 7680 section 2.5 (read): several good copies count as received once."""
    counts = counted(Scenario(copies=lambda packet: 3 if packet.index == 99 else 1))
    assert (counts.sent, counts.applied, counts.repeated) == (200, 200, 2)


def test_lost_serial_messages_make_packets_unknown_not_lost():
    counts = counted(Scenario(drop=drop_every(RX, 40, wire.Applied)))
    assert counts.lost == 0
    assert counts.unknown > 0
    assert counts.sent == counts.applied + counts.unknown


def test_a_gap_hides_no_more_packets_than_it_lost_messages():
    """One report lost on the line beside three packets lost on the air: one is unknown, three are lost."""

    def drop(role, place, message):
        return role == RX and isinstance(message, wire.Applied) and message.packet == 101

    counts = counted(Scenario(lost=lambda packet: 98 <= packet.index <= 100, drop=drop))
    assert (counts.lost, counts.unknown) == (3, 1)


def test_packets_without_any_report_are_unknown():
    """Both the `Sent` and the `Applied` report of a packet got lost."""

    def drop(role, place, message):
        return isinstance(message, wire.Sent | wire.Applied) and message.packet == 100

    counts = counted(Scenario(drop=drop))
    assert (counts.sent, counts.applied, counts.unknown, counts.lost) == (200, 199, 1, 0)


def test_a_packet_seen_only_by_the_receiver_is_left_out():
    def drop(role, place, message):
        return isinstance(message, wire.Sent) and message.packet == 100

    counts = counted(Scenario(drop=drop))
    assert (counts.sent, counts.applied, counts.unknown) == (199, 199, 0)


@pytest.mark.parametrize("role", [TX, RX])
def test_packets_in_a_commanded_restart_are_not_judged(role):
    counts = counted(Scenario(resets=[Reset(role, RUN_NS + S + 7 * MS)]))
    assert (counts.lost, counts.unknown) == (0, 0)
    assert (counts.not_judged > 10) == (role == RX)


def test_packets_lost_in_a_restart_of_the_receivers_own_are_lost():
    """All but the few whose reports may have been waiting for the line when it restarted."""
    counts = counted(Scenario(resets=[Reset(RX, RUN_NS + S + 7 * MS, commanded=False)]))
    assert counts.lost > 10
    assert counts.unknown == BUFFERED


def test_a_lossy_line_may_have_lost_any_number_of_messages_before_a_restart():
    reset = Reset(RX, RUN_NS + S + 7 * MS, commanded=False)
    counts = counted(Scenario(resets=[reset], drop=lambda role, place, _: role == RX and place == 60))
    assert counts.lost == 0
    assert counts.unknown > 10


def test_packets_too_near_the_end_of_the_data_are_not_judged():
    scenario = Scenario(seconds=2.0)
    recording = scenario.recording()
    scenario.marks[:] = []
    ports = {role: cut(port, RUN_NS + S) for role, port in recording.ports.items()}
    short = type(recording)(recording.header, ports, recording.marks[:2], False, ())
    evidence = gather(scenario.plan, short)
    counts = count_delivery(evidence, packet_fates(evidence))
    assert counts.lost == counts.unknown == 0
    assert counts.not_judged > 5


def cut(port, at_ns):
    count = sum(time <= at_ns for time in port.at_ns)
    return type(port)(port.at_ns[:count], port.direction[:count], port.data[:count])


def test_packets_applied_out_of_order_are_counted():
    """RFC 4737 section 3.3: packet 100 takes effect after 101 and 102 had: one reordered."""
    counts = counted(Scenario(latency_ns=lambda packet: 50 * MS if packet.index == 100 else 2 * MS))
    assert (counts.reordered, counts.lost) == (1, 0)


def test_what_the_transmitter_believed_wrongly_is_counted():
    scenario = Scenario(lost=every(100, 1000))
    scenario.lost = lambda packet: False
    scenario.latency_ns = lambda packet: 10 * S if packet.index == 100 else 2 * MS
    assert counted(scenario).acked_not_applied == 1


def test_only_the_steps_looked_at_count():
    scenario = Scenario()
    scenario.mark(RUN_NS, "step", path="steps[0]", kind="hold", name="go", title="")
    scenario.mark(RUN_NS + S, "step end", path="steps[0]")
    scenario.mark(RUN_NS + S, "step", path="steps[1]", kind="hold", name="rest", title="")
    scenario.mark(RUN_NS + 4 * S, "step end", path="steps[1]")
    assert counted(scenario, ("go",)).sent in (50, 51)


@settings(max_examples=25)
@given(
    lost=st.sets(st.integers(20, 230)),
    dropped=st.sets(st.tuples(st.sampled_from([TX, RX]), st.integers(30, 320)), max_size=40),
    late=st.sets(st.integers(20, 230), max_size=10),
)
def test_sent_is_applied_plus_lost_plus_unknown(lost, dropped, late):
    scenario = Scenario(
        lost=lambda packet: packet.index in lost,
        drop=lambda role, place, message: (role, place) in dropped,
        latency_ns=lambda packet: 105 * MS if packet.index in late else 3 * MS,
    )
    counts = counted(scenario)
    assert counts.sent == counts.applied + counts.lost + counts.unknown
    assert counts.late <= counts.lost
    assert counts.applied + counts.lost + counts.unknown + counts.not_judged <= 205
    true_losses = sum(25 <= index <= 225 for index in lost | late)
    assert counts.lost <= true_losses

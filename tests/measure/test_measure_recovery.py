"""Return of control after a cut: in time, and without stale outputs."""

import pytest
from scenario import LINK, RUN_NS, RX, TX, Scenario, Silence, drop_every, plan_for

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.recovery import failsafe_exits
from harness.plan import model as p

LIMIT = LINK.failsafe.recover_within_ns
CUT = [Silence(RUN_NS + S, 700 * MS)]
FIRST_AFTER = 111
"""Tick of the first packet after the cut: 1.72 s after the first step."""


def exit_of(**fields):
    fields.setdefault("silences", CUT)
    scenario = Scenario(**fields)
    return failsafe_exits(gather(scenario.plan, scenario.recording()), LIMIT)[0]


def test_exit_is_from_the_first_packet_sent_to_the_first_applied():
    found = exit_of(lost=lambda packet: FIRST_AFTER <= packet.index < FIRST_AFTER + 3)
    assert found.exit_ns == pytest.approx(62 * MS, abs=found.bound_ns)
    assert found.stale == ()


def test_a_link_that_stays_dead_has_no_exit():
    found = exit_of(lost=lambda packet: packet.index >= FIRST_AFTER)
    assert found.exit_ns is None
    assert found.waited_ns > S


def test_a_recording_that_ends_soon_after_the_cut_is_judged_as_far_as_it_goes():
    """Control is back in 2 ms; that the 200 ms after it are not all recorded hides nothing that was lost."""
    scenario = Scenario(silences=[Silence(RUN_NS + S, 700 * MS)], seconds=1.4, end_why=None, pings=False)
    found = failsafe_exits(gather(scenario.plan, scenario.recording()), LIMIT)[0]
    assert found.exit_ns is not None
    assert (found.blind, found.may_be_shorter, found.may_be_longer) == (False, False, False)


def test_a_lost_packet_that_was_the_only_packet_before_the_next_cut_is_no_late_return():
    """As in a fade: one packet between two silences, and that one got lost."""
    apart = Silence(RUN_NS + 1_730 * MS, 300 * MS)
    found = exit_of(silences=[*CUT, apart], lost=lambda packet: packet.index == FIRST_AFTER)
    assert found.exit_ns is None
    assert found.waited_ns < LIMIT


def test_a_cut_at_the_very_end_has_no_exit():
    scenario = Scenario(silences=[Silence(RUN_NS + 3900 * MS, 20 * S)])
    assert failsafe_exits(gather(scenario.plan, scenario.recording()), LIMIT) == ()


def test_a_packet_from_before_the_cut_is_stale():
    """The receiver's FIFO still held packet 74; it is applied when the link comes back."""
    found = exit_of(latency_ns=lambda packet: 745 * MS if packet.index == 74 else 2 * MS)
    assert [(bad.packet, bad.old) for bad in found.stale] == [(74, True)]


def test_the_old_throttle_in_a_new_packet_is_stale():
    before = Scenario().sticks(75)[0]

    def shown(packet, outputs):
        return (before, *outputs[1:]) if packet.index == FIRST_AFTER else outputs

    found = exit_of(shown=shown)
    assert [(bad.packet, bad.channel, bad.shown_us, bad.old) for bad in found.stale] == [
        (76, 0, before, True)
    ]


def test_an_output_that_nobody_sent_since_is_stale_but_not_old():
    found = exit_of(
        shown=lambda packet, outputs: (2222, *outputs[1:]) if packet.index == FIRST_AFTER else outputs
    )
    assert [(bad.shown_us, bad.old) for bad in found.stale] == [(2222, False)]


def test_an_output_change_with_an_old_value_is_stale():
    scenario = Scenario(silences=CUT)
    scenario.change(wire.OutputReason.OTHER, (1999, 1500, 1500, 1500), RUN_NS + S + 725 * MS)
    found = failsafe_exits(gather(scenario.plan, scenario.recording()), LIMIT)[0]
    assert {bad.channel for bad in found.stale} >= {0}


def test_failsafe_values_and_any_packet_since_are_allowed():
    """The first packet after the cut still shows failsafe; the third shows the second's sticks."""

    def shown(packet, outputs):
        if packet.index == FIRST_AFTER:
            return (1000, 1500, 1500, outputs[3])
        second = Scenario().sticks(FIRST_AFTER + 1)
        late = (second[0], second[1], 3000 - second[2], second[3])
        return late if packet.index == FIRST_AFTER + 2 else outputs

    assert exit_of(shown=shown).stale == ()


@pytest.mark.parametrize(("off", "stale"), [(1, 0), (2, 1)])
def test_an_output_is_stale_beyond_the_resolution(off, stale):
    def shown(packet, outputs):
        return (outputs[0] + off, *outputs[1:]) if packet.index == FIRST_AFTER else outputs

    assert len(exit_of(shown=shown).stale) == stale


def test_what_other_checks_tolerate_is_not_stale():
    def shown(packet, outputs):
        return (outputs[0] + 5, *outputs[1:])

    assert exit_of(shown=shown, plan=plan_for(p.Fidelity(tolerance_us=5))).stale == ()


def test_packets_with_sticks_that_nobody_commanded_say_nothing():
    scenario = Scenario(silences=CUT, lost=lambda packet: packet.index == FIRST_AFTER)
    at_ns = RUN_NS + S + 721 * MS
    scenario.say(TX, wire.Sent(9_000, wire.NO_SET, scenario.stamp(TX, at_ns), 9, 1, 1), at_ns + 3 * MS)
    scenario.say(RX, wire.Applied(9_000, scenario.stamp(RX, at_ns + MS), 0, (1234, 1, 2, 3)), at_ns + MS)
    assert failsafe_exits(gather(scenario.plan, scenario.recording()), LIMIT)[0].stale == ()


def test_missing_messages_are_told():
    assert exit_of(drop=drop_every(RX, 3)).blind
    assert exit_of(
        drop=lambda role, place, message: isinstance(message, wire.Sent) and message.packet == 76
    ).may_be_longer
    found = exit_of(
        drop=lambda role, place, message: isinstance(message, wire.Applied) and message.packet == 76
    )
    assert found.may_be_shorter

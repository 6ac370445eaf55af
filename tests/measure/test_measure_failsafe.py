"""Entry into failsafe, outputs in it, and entries that nothing called for."""

import pytest
from scenario import (
    LINK,
    RUN_NS,
    RX,
    TX,
    DeviceClock,
    Reset,
    Scenario,
    Silence,
)

from harness.clock import MS, US, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.failsafe import Entry, failsafe_entries, failsafe_outputs, false_failsafes

LIMIT = LINK.failsafe.within_ns
CUT = [Silence(RUN_NS + S, 700 * MS)]


def evidence(scenario):
    return gather(scenario.plan, scenario.recording())


def entry(**fields):
    fields.setdefault("silences", CUT)
    return failsafe_entries(evidence(Scenario(**fields)), LIMIT)[0]


@pytest.mark.parametrize("ppm", [0.0, 5000.0, -5000.0])
def test_entry_is_from_the_last_applied_packet_on_the_receivers_clock(ppm):
    found = entry(clocks={TX: DeviceClock(), RX: DeviceClock(0, ppm)}, failsafe_ns=lambda _: 437 * MS)
    assert found.entry is Entry.ENGAGED
    assert abs(found.entry_ns - 437 * MS) <= found.bound_ns < 40 * US


def test_entry_is_told_after_the_cut_too():
    """The last packet before the cut is sampled at 1.000 s and applied 2 ms later; silence from 1.005 s."""
    found = entry(failsafe_ns=lambda _: 400 * MS)
    assert found.after_cut_ns == pytest.approx((1002 + 400 - 1005) * MS, abs=0.2 * MS)


def test_a_cut_without_a_change_never_engaged():
    assert entry(failsafe_ns=lambda _: None).entry is Entry.NEVER


def test_a_cut_barely_longer_than_the_limit_and_a_period_needs_failsafe():
    assert entry(failsafe_ns=lambda _: None, silences=[Silence(RUN_NS + S, 520 * MS)]).entry is Entry.NEVER
    assert (
        entry(failsafe_ns=lambda _: None, silences=[Silence(RUN_NS + S, 519 * MS)]).entry is Entry.NOT_NEEDED
    )


def test_a_short_cut_says_nothing_even_if_it_engaged():
    assert (
        entry(failsafe_ns=lambda _: 200 * MS, silences=[Silence(RUN_NS + S, 300 * MS)]).entry
        is Entry.NOT_NEEDED
    )


def test_a_cut_that_did_not_happen_says_nothing():
    assert entry(silent=False).entry is Entry.NOT_HELD


def test_a_cut_of_a_link_that_was_not_up_says_nothing():
    """All packets before it were lost: the receiver was in failsafe when it began."""
    lost = Scenario(silences=CUT, lost=lambda packet: RUN_NS + 200 * MS < packet.at_ns <= RUN_NS + S)
    assert failsafe_entries(evidence(lost), LIMIT)[0].entry is Entry.NOT_LINKED


@pytest.mark.parametrize(
    ("reason", "expected"),
    [(wire.OutputReason.OTHER, Entry.NEVER), (wire.OutputReason.FAILSAFE, Entry.NOT_LINKED)],
)
def test_only_failsafe_before_a_cut_says_that_the_link_was_not_up(reason, expected):
    """Outputs that settle after the last packet, 1 ms before the cut, do not hide a missing failsafe."""
    scenario = Scenario(silences=CUT, failsafe_ns=lambda _: None)
    scenario.change(reason, (1000, 1500, 1500, 1500), CUT[0].start_ns - MS)
    assert failsafe_entries(evidence(scenario), LIMIT)[0].entry is expected


def test_a_lost_report_of_the_change_leaves_the_cut_open():
    found = entry(drop=lambda role, place, message: isinstance(message, wire.OutputChange))
    assert found.entry is Entry.UNKNOWN


def test_a_lost_packet_report_may_have_made_the_entry_seem_longer():
    """The last packet before the cut has number 75; without its report the entry seems 20 ms longer."""
    found = entry(
        drop=lambda role, place, message: isinstance(message, wire.Applied) and message.packet == 75
    )
    assert found.may_be_shorter
    assert found.entry_ns == pytest.approx(420 * MS, abs=50 * US)
    assert not entry().may_be_shorter


def test_writing_failsafe_again_does_not_move_the_entry():
    scenario = Scenario(silences=CUT)
    scenario.change(wire.OutputReason.FAILSAFE, (1000, 1500, 1500, 1000), RUN_NS + S + 600 * MS)
    assert failsafe_entries(evidence(scenario), LIMIT)[0].entry_ns == pytest.approx(400 * MS, abs=50 * US)


def test_outputs_are_those_of_the_change_with_held_channels_from_the_last_packet():
    found = failsafe_outputs(evidence(Scenario(silences=CUT)))
    assert [(one.channel, one.wanted_us == one.shown_us, one.held) for one in found] == [
        (0, True, False), (1, True, False), (2, True, False), (3, True, True),
    ]  # fmt: skip


def test_outputs_that_change_within_failsafe_are_looked_at_too():
    scenario = Scenario(silences=CUT)
    scenario.change(wire.OutputReason.OTHER, (1100, 1500, 1500, 1000), RUN_NS + S + 600 * MS)
    found = failsafe_outputs(evidence(scenario))
    assert len(found) == 8
    assert [one.shown_us for one in found if one.channel == 0] == [1000, 1100]


def test_an_output_that_is_not_reported_is_none():
    found = failsafe_outputs(evidence(Scenario(silences=CUT, failsafe_outputs=lambda _: (1000, 1500))))
    assert [one.shown_us for one in found] == [1000, 1500, None, None]


def test_a_held_channel_is_left_out_when_its_last_packet_got_lost_on_the_line():
    def drop(role, place, message):
        return isinstance(message, wire.Applied) and message.packet == 75

    found = failsafe_outputs(evidence(Scenario(silences=CUT, drop=drop)))
    assert [one.channel for one in found] == [0, 1, 2]


def test_failsafe_in_a_cut_is_not_false():
    assert false_failsafes(evidence(Scenario(silences=CUT))) == ()


def test_failsafe_without_a_cut_is_false():
    scenario = Scenario()
    scenario.change(wire.OutputReason.FAILSAFE, (1000, 1500, 1500, 1500), RUN_NS + 2 * S + 9 * MS)
    found = false_failsafes(evidence(scenario))
    assert [(one.since_ns // MS, one.restarted, one.in_cut) for one in found] == [(7, False, False)]


@pytest.mark.parametrize(("after_ms", "count"), [(99, 1), (101, 0)])
def test_failsafe_after_a_gap_that_nobody_made_is_false_only_if_too_soon(after_ms, count):
    lost = range(75, 90)
    scenario = Scenario(lost=lambda packet: packet.number in lost)
    last = evidence(scenario).applied
    at_ns = int(last.at_ns[last.number == 74][0])
    scenario.change(wire.OutputReason.FAILSAFE, (1000, 1500, 1500, 1500), at_ns + after_ms * MS)
    assert len(false_failsafes(evidence(scenario))) == count


@pytest.mark.parametrize(("after_ms", "count"), [(99, 1), (101, 0)])
def test_failsafe_in_a_cut_may_not_come_sooner_than_declared(after_ms, count):
    found = false_failsafes(evidence(Scenario(silences=CUT, failsafe_ns=lambda _: after_ms * MS)))
    assert [one.in_cut for one in found] == [True] * count


@pytest.mark.parametrize("commanded", [True, False])
def test_a_receiver_that_restarts_by_itself_is_false(commanded):
    scenario = Scenario(resets=[Reset(RX, RUN_NS + S, commanded=commanded)])
    assert [one.restarted for one in false_failsafes(evidence(scenario))] == [] if commanded else [True]


def test_failsafe_while_the_transmitter_restarts_is_not_false():
    assert false_failsafes(evidence(Scenario(resets=[Reset(TX, RUN_NS + S, down_ns=900 * MS)]))) == ()

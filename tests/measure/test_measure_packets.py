"""Who belongs to whom: packet numbers that wrap and restart, repeats, and reports that say nothing new."""

from collections.abc import Callable

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scenario import RUN_NS, TX, Reset, Scenario, Silence, drop_every, plan_for

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.arrays import inside, ints, meeting
from harness.measure.packets import match


def evidence(scenario):
    return gather(scenario.plan, scenario.recording())


def test_match_takes_the_latest_equal_number_that_is_not_later():
    row = match(ints([5, 5, 6]), ints([100, 200, 200]), ints([5, 6, 5]), ints([50, 60, 150]), 0)
    assert row.tolist() == [0, 2, 1]


def test_match_allows_for_the_clocks():
    assert match(ints([5]), ints([100]), ints([5]), ints([103]), 2).tolist() == [-1]
    assert match(ints([5]), ints([100]), ints([5]), ints([103]), 3).tolist() == [0]


def test_match_is_none_for_an_unknown_number_or_nothing_to_match():
    assert match(ints([9]), ints([100]), ints([5]), ints([50]), 0).tolist() == [-1]
    assert match(ints([9]), ints([100]), ints([]), ints([]), 0).tolist() == [-1]
    assert match(ints([]), ints([]), ints([5]), ints([50]), 0).tolist() == []


def test_match_forgets_numbers_from_more_than_half_the_circle_ago():
    """RFC 1982 section 3.2: beyond half the circle a 16-bit number is not comparable."""
    numbers, times = ints(range(40_000)), ints(range(0, 40_000 * 20, 20))
    late = int(times[-1]) + 1
    assert match(ints([39_999]), ints([late]), numbers, times, 0).tolist() == [39_999]
    assert match(ints([40_000 - 32_768]), ints([late]), numbers, times, 0).tolist() == [40_000 - 32_768]
    assert match(ints([40_000 - 32_769]), ints([late]), numbers, times, 0).tolist() == [-1]


@given(st.integers(0, 65535), st.integers(1, 300), st.data())
def test_match_finds_every_packet_of_a_wrapping_sequence(first, count, data):
    """Packets 20 ms apart, each applied 0 to 19 ms later or not at all: the place is the row."""
    keep = np.flatnonzero(data.draw(st.lists(st.booleans(), min_size=count, max_size=count)))
    delay = ints([data.draw(st.integers(0, 19)) for _ in keep])
    numbers, times = (first + np.arange(count)) % 65536, ints(np.arange(count) * 20)
    assert match(numbers[keep], times[keep] + delay, numbers, times, 0).tolist() == keep.tolist()


def test_meeting_and_inside_are_what_they_say():
    spans = ints([[10, 20], [0, 40], [100, 110]])
    assert inside(ints([5, 41, 110]), spans).tolist() == [True, False, True]
    assert meeting(ints([41, 41, 111, -5]), ints([99, 100, 120, -1]), spans).tolist() == [
        False,
        True,
        False,
        False,
    ]
    assert meeting(ints([1]), ints([2]), spans[:0]).tolist() == [False]


@given(
    st.lists(st.tuples(st.integers(0, 50), st.integers(0, 20)), max_size=8),
    st.integers(-5, 60),
    st.integers(0, 9),
)
def test_meeting_agrees_with_looking_at_each_span(pairs, start, length):
    spans = ints([(low, low + size) for low, size in pairs]).reshape(-1, 2)
    plainly = any(low <= start + length and start <= high for low, high in spans.tolist())
    assert meeting(ints([start]), ints([start + length]), spans).tolist() == [plainly]


def test_every_applied_packet_is_matched_across_the_wrap_of_numbers():
    found = evidence(Scenario(first_number=65_500))
    latency = found.applied.at_ns - found.sent.at_ns[found.applied.sent_row]
    assert (found.applied.sent_row == np.arange(len(found.applied))).all()
    assert np.abs(latency - 2 * MS).max() < found.slack_ns


def test_numbers_begin_again_after_a_restart_of_the_transmitter():
    found = evidence(Scenario(resets=[Reset(TX, RUN_NS + S)]))
    latency = found.applied.at_ns - found.sent.at_ns[found.applied.sent_row]
    assert (found.applied.sent_row >= 0).all()
    assert np.abs(latency - 2 * MS).max() < found.slack_ns


def test_a_packet_applied_again_is_a_repeat():
    found = evidence(Scenario(copies=lambda packet: 2 if packet.index == 90 else 1))
    assert found.applied.repeat.sum() == 1
    assert found.applied.number[found.applied.repeat].tolist() == [90]


def test_a_match_that_a_lost_report_could_overturn_is_none():
    """After a restart the report of packet 30 gets lost: it is not taken for the old packet 30."""

    def lost(role, _, message):
        return (
            role == TX and isinstance(message, wire.Sent) and message.packet == 30 and state.pop()
            if state
            else False
        )

    state = [True, False]
    found = evidence(Scenario(resets=[Reset(TX, RUN_NS + S)], drop=lost))
    orphans = np.flatnonzero(found.applied.sent_row < 0)
    assert found.applied.number[orphans].tolist() == [30]
    assert found.applied.doubtful[orphans].all()
    assert not found.applied.repeat.any()


def test_reports_lost_at_random_never_make_a_false_match():
    """Rows either match the packet that was really applied, or nothing."""
    drop: Callable = drop_every(TX, 3)
    found = evidence(Scenario(drop=drop, resets=[Reset(TX, RUN_NS + S)]))
    matched = found.applied.sent_row >= 0
    latency = (found.applied.at_ns - found.sent.at_ns[found.applied.sent_row])[matched]
    assert 0.5 < matched.mean() < 0.8
    assert np.abs(latency - 2 * MS).max() < found.slack_ns


def test_sticks_are_found_by_the_number_of_their_set():
    found = evidence(Scenario(plan=plan_for()))
    first = found.sticks.outputs_us[found.sent.sticks_row[0]]
    assert first.tolist() == [1000, 1000, 2000, 1000]  # the third channel is reversed


def test_a_packet_with_the_transmitters_own_sticks_has_no_command():
    scenario = Scenario()
    scenario.say(
        TX, wire.Sent(60_000, wire.NO_SET, scenario.stamp(TX, RUN_NS + 5 * MS), 10, 1, 1), RUN_NS + 9 * MS
    )
    found = evidence(scenario)
    assert found.sent.sticks_row[found.sent.number == 60_000].tolist() == [-1]


def test_writing_failsafe_again_is_idle_and_so_are_unchanged_outputs():
    scenario = Scenario(silences=[Silence(RUN_NS + S, 900 * MS)])
    at_ns = RUN_NS + S + 5 * MS
    scenario.change(wire.OutputReason.FAILSAFE, (1000, 1500, 1500, 1200), at_ns + 600 * MS)
    scenario.change(wire.OutputReason.OTHER, (1000, 1500, 1500, 1200), at_ns + 700 * MS)
    scenario.change(wire.OutputReason.OTHER, (1000, 1500, 1500, 1201), at_ns + 800 * MS)
    found = evidence(scenario)
    assert found.changes.idle.tolist() == [False, True, True, False]


def test_failsafe_after_a_packet_is_never_idle():
    """Sticks at rest look just like failsafe: it is the packet between that counts."""
    rest = (1000, 1500, 1500, 1500)
    silences = [Silence(RUN_NS + S, 700 * MS), Silence(RUN_NS + 3 * S, 700 * MS)]
    found = evidence(Scenario(silences=silences, sticks=lambda _: rest, failsafe_outputs=lambda _: rest))
    assert found.changes.idle.tolist() == [False, False]


def test_a_change_and_a_packet_at_one_instant_go_by_the_order_of_reports():
    """The receiver writes failsafe once more and then applies: the packet is not before the change."""
    scenario = Scenario(silences=[Silence(RUN_NS + S, 700 * MS)])
    first_tick_ns = RUN_NS + S + 720 * MS
    scenario.change(wire.OutputReason.FAILSAFE, (1000, 1500, 1500, 1500), first_tick_ns + 2 * MS)
    found = evidence(scenario)
    back = found.cuts[0].first_applied
    assert found.applied.dev_us[back] == found.changes.dev_us[-1]
    assert found.changes.applied_row[-1] == back - 1
    assert found.changes.idle.tolist() == [False, True]

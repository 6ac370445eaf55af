"""The harness cuts, fades, mutes, disturbs and restarts as a plan says, with the sticks moved meanwhile."""

from dataclasses import replace
from fractions import Fraction
from itertools import combinations, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_timeline import LINK, plan_of, sticks

from harness.bench.protocol import Role
from harness.clock import MS, US, S
from harness.codec import messages as m
from harness.plan import model as p
from harness.plan.extent import count_steps, total_ns
from harness.timeline import build_timeline

PERIOD_NS = LINK.packet_period_ns
TX, RX = Role.TRANSMITTER, Role.RECEIVER


def commands(timeline, index=0):
    """Everything but sticks that a segment sends, as (time, role, message)."""
    dues = timeline.segments[index].due(0)
    return [(due.at_ns, due.role, due.message) for due in dues if not isinstance(due.message, m.Sticks)]


def command(action, index=0):
    (only,) = commands(build_timeline(plan_of(action), 7), index)
    return only


def around(timeline, index):
    """Where the sticks stand just before a segment's cut, and at its end."""
    dues = list(timeline.segments[index].due(0))
    cut_ns = next(due.at_ns for due in dues if due.mark == "cut")
    placed = [(due.at_ns, due.message.pulses_us) for due in dues if isinstance(due.message, m.Sticks)]
    return [pulses for at, pulses in placed if at <= cut_ns][-1], placed[-1][1]


# -- ways to cut -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("by", "role", "message"),
    [
        ("silence", TX, m.Silence(5_000, 700_000)),
        ("corrupted", TX, m.Disturb(m.Disturbance.CORRUPTED, 5_000, 700_000)),
        ("foreign", TX, m.Disturb(m.Disturbance.FOREIGN, 5_000, 700_000)),
        ("repeated", TX, m.Disturb(m.Disturbance.REPEATED, 5_000, 700_000)),
        ("deaf", RX, m.Deafen(5_000, 700_000)),
    ],
)
def test_each_way_of_cutting_is_one_command_at_the_same_time(by, role, message):
    cut = p.Cut(duration_ns=700 * MS, phase=5 * MS, by=by)
    assert command(cut) == (500 * MS, role, message)


def test_the_way_of_cutting_changes_neither_phases_nor_sticks():
    def drawn(by):
        timeline = build_timeline(plan_of(p.Cut(duration_ns=S, times=5, by=by)), 3)
        return [(commands(timeline, n)[0][2].delay_us, sticks(timeline, n)) for n in range(5)]

    assert all(drawn(by) == drawn("silence") for by in p.CUT_WAYS)


def test_a_burst_is_asked_for_right_behind_the_cut_that_the_device_times_into_it():
    cut = p.Cut(duration_ns=700 * MS, burst=8, phase=3 * MS)
    (cut_ns, _, silence), (burst_ns, role, burst) = commands(build_timeline(plan_of(cut), 7))
    assert cut_ns == burst_ns == 503 * MS
    assert (role, burst) == (TX, m.Burst(8, 0))
    assert silence.duration_us == 700_000
    assert 8 * 100 < silence.delay_us < 8 * 400  # 14 bytes of command at 115 200 baud are 1.2 ms of it


def test_a_cut_at_another_packet_rate_still_sets_it_first_and_the_links_own_last():
    cut = p.Cut(duration_ns=700 * MS, packet_rate_mhz=25_000, by="corrupted")
    kinds = [type(message) for _, _, message in commands(build_timeline(plan_of(cut), 7))]
    assert kinds == [m.Setting, m.Disturb, m.Setting]


@pytest.mark.parametrize(
    ("action", "packets"),
    [
        (p.Cut(duration_ns=S, phase=0), 50),
        (p.Cut(duration_ns=S, phase=0, by="corrupted"), 50),
        (p.Cut(duration_ns=S, phase=0, by="deaf"), 100),
        (p.Restart(device=RX, silent_ns=S, after_ns=S, before_ns=S), 100),
        (p.Fade(over_ns=100 * MS, duration_ns=S), 54),
        (p.Mute(for_ns=S, pause_ns=980 * MS), 100),
        (p.Interfere(for_ns=S, pause_ns=980 * MS), 100),
    ],
    ids=lambda value: getattr(value, "WORD", ""),
)
def test_packets_that_stay_on_the_way_are_not_expected(action, packets):
    assert build_timeline(plan_of(action), 7).packets == packets


# -- sticks at their ends ----------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [Fraction(1), Fraction(1, 4)])
def test_over_some_cuts_every_two_sticks_meet_at_their_ends_in_all_four_ways(share):
    timeline = build_timeline(plan_of(p.Cut(duration_ns=S, times=4, sticks="ends")), 7, throttle_share=share)
    before = [around(timeline, n)[0] for n in range(4)]
    highs = 2000, 1000 + 1000 * share, 1900
    for one, other in combinations(range(3), 2):
        met = {(row[one] == highs[one], row[other] == highs[other]) for row in before}
        assert met == {(a, b) for a in (False, True) for b in (False, True)}
    assert {pulses[0] for pulses in before} == {1000, 2000}


def test_cuts_inside_a_repeat_go_on_with_the_next_ends():
    step = p.PlanStep(p.Cut(duration_ns=S, sticks="ends"), "cut", "steps[0].repeat.steps[0]")
    timeline = build_timeline(plan_of(p.Repeat(times=4, steps=(step,))), 7)
    assert len({around(timeline, n)[0] for n in range(4)}) == 4


def test_a_cut_with_every_stick_high_begins_there_and_ends_clearly_lower():
    timeline = build_timeline(plan_of(p.Cut(duration_ns=S, times=9, sticks="high")), 7)
    for n in range(9):
        before, after = around(timeline, n)
        assert before == (2000, 2000, 1900)
        assert all(high - low >= 200 for high, low in zip(before, after, strict=True))


@given(st.integers(0, 2**32 - 1), st.sampled_from(["drawn", "ends", "high"]))
def test_sticks_after_a_cut_are_far_from_those_before_it_and_from_failsafe(seed, where):
    timeline = build_timeline(plan_of(p.Cut(duration_ns=S, times=4, sticks=where)), seed)
    for n in range(4):
        before, after = around(timeline, n)
        for channel, old, new in zip(LINK.channels, before, after, strict=True):
            travel = channel.range.high_us - channel.range.low_us
            assert abs(old - new) >= travel // 5
            assert channel.output_us(new) != channel.failsafe_us


def test_a_high_throttle_is_capped_like_any_other():
    timeline = build_timeline(plan_of(p.Cut(duration_ns=S, sticks="high")), 7, throttle_share=Fraction(1, 4))
    assert around(timeline, 0)[0] == (2000, 1250, 1900)


# -- fades -------------------------------------------------------------------------------------------------


def silences(timeline, index=0):
    """Start and end in ns of each silence as the transmitter keeps it, were the line without delay."""
    spans = [(at + message.delay_us * US, message.duration_us * US) for at, _, message in
             commands(timeline, index)]  # fmt: skip
    return [(start, start + length) for start, length in spans]


def test_a_fade_has_longer_and_longer_silences_with_room_for_one_packet_between_them():
    timeline = build_timeline(plan_of(p.Fade(over_ns=2 * S, duration_ns=3 * S)), 7)
    spans = silences(timeline)
    lengths = [(end - start) / PERIOD_NS for start, end in spans]
    assert lengths == [*range(1, 13), 150, *range(12, 0, -1)]  # 12 * 15 / 2 = 90 periods are 1.8 s
    assert {later[0] - earlier[1] for earlier, later in pairwise(spans)} == {PERIOD_NS}


def test_no_silence_of_a_fade_is_asked_for_before_the_one_before_is_over():
    timeline = build_timeline(plan_of(p.Fade(over_ns=2 * S, duration_ns=3 * S, before_ns=0)), 7)
    asked = [at for at, _, _ in commands(timeline)]
    ends = [end for _, end in silences(timeline)]
    assert all(at - end == PERIOD_NS // 2 for end, at in zip(ends, asked[1:], strict=False))
    assert asked[0] >= 0


def test_each_fade_moves_the_sticks_while_nothing_comes_and_has_a_phase_of_its_own():
    timeline = build_timeline(plan_of(p.Fade(over_ns=S, duration_ns=S, times=5)), 7)
    assert timeline.cuts == len(timeline.segments) == 5
    starts = set()
    for n in range(5):
        spans = silences(timeline, n)
        starts.add(spans[0][0] % PERIOD_NS)
        gone = max(spans, key=lambda span: span[1] - span[0])
        moved = [at for (at, one), (_, other) in pairwise(sticks(timeline, n)) if one != other]
        assert len(moved) == 1
        assert gone[0] < moved[0] + 200 * MS < gone[1] + 200 * MS
    assert len(starts) == 5


# -- mutes and strangers -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("action", "role", "kind"),
    [
        (p.Mute(for_ns=800 * MS, times=40, pause_ns=100 * MS), RX, m.MuteAcks),
        (p.Interfere(for_ns=800 * MS, times=40, pause_ns=100 * MS), TX, m.Disturb),
    ],
    ids=["mute", "interfere"],
)
def test_a_mute_or_a_stranger_begins_at_any_phase_and_leaves_its_pause(action, role, kind):
    timeline = build_timeline(plan_of(action), 7)
    told = commands(timeline)
    assert len(told) == 40
    assert {(who, type(message), message.duration_us) for _, who, message in told} == {(role, kind, 800_000)}
    phases = [message.delay_us for _, _, message in told]
    assert all(0 <= phase < PERIOD_NS // US for phase in phases)
    assert len({phase * US * 4 // PERIOD_NS for phase in phases}) == 4
    begins = [at + message.delay_us * US for at, _, message in told]
    pauses = [later - begin - 800 * MS for begin, later in pairwise(begins)]
    assert min(pauses) >= 100 * MS
    assert timeline.cuts == 0


def test_a_stranger_between_the_links_own_packets_is_a_disturbance_beside():
    assert command(p.Interfere(for_ns=S))[2].kind == m.Disturbance.BESIDE


@pytest.mark.parametrize("action", [p.Mute(for_ns=S), p.Interfere(for_ns=S)], ids=["mute", "interfere"])
def test_sticks_wander_meanwhile_so_that_each_packet_carries_something_new(action):
    timeline = build_timeline(plan_of(action, p.Settle()), 7)
    placed = [pulses for _, pulses in sticks(timeline)]
    assert len(set(placed)) > len(placed) * 9 // 10
    assert all(abs(a - b) <= 40 for one, other in pairwise(placed) for a, b in zip(one, other, strict=True))
    assert sticks(timeline, 1)[0][1] == LINK.rest_us


# -- restarts ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("restart", "message"),
    [
        (p.Restart(device=TX), m.Restart()),
        (p.Restart(device=TX, packets_wrap_in=20), m.RestartAt(0, 65_516)),
        (p.Restart(device=TX, packets_wrap_in=65_535), m.RestartAt(0, 1)),
        (p.Restart(device=RX, clock_wraps_in_ns=1 * US), m.RestartAt(2**32 - 1, 0)),
        (
            p.Restart(device=TX, clock_wraps_in_ns=2 * S, packets_wrap_in=1),
            m.RestartAt(4_292_967_296, 65_535),
        ),
        (p.Restart(device=RX, clock_wraps_in_ns=4_294 * S), m.RestartAt(967_296, 0)),
    ],
)
def test_a_restart_near_a_wrap_says_where_the_counters_begin(restart, message):
    assert command(restart) == (500 * MS, restart.device, message)


def test_failsafe_is_in_before_a_silent_restart_and_no_packet_comes_for_so_long_after_it():
    action = p.Restart(device=RX, silent_ns=S, times=2, before_ns=S, after_ns=2 * S)
    timeline = build_timeline(plan_of(action), 7)
    told = commands(timeline)
    for (begin_ns, who, silence), (restart_ns, role, message) in (told[:2], told[2:]):
        assert (who, role, message) == (TX, RX, m.Restart())
        assert silence.delay_us == 0
        assert restart_ns - begin_ns > LINK.failsafe.within_ns + 2 * PERIOD_NS
        assert begin_ns + silence.duration_us * US - restart_ns == S
    assert timeline.cuts == 2
    assert timeline.length_ns == told[-1][0] + S + 2 * S


def test_a_usual_restart_cuts_nothing():
    assert build_timeline(plan_of(p.Restart(device=RX, times=3)), 7).cuts == 0


# -- words -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("action", "words"),
    [
        (p.Cut(duration_ns=S, by="corrupted"), "link cut for 1000 ms, only corrupted packets come"),
        (p.Cut(duration_ns=S, by="foreign"), "only another transmitter's packets come"),
        (p.Cut(duration_ns=S, by="repeated"), "only the last packet comes again"),
        (p.Cut(duration_ns=S, by="deaf"), "packets are acknowledged and thrown away"),
        (p.Cut(duration_ns=S, burst=8, sticks="high"), "ms, in a burst of 8, every stick high before it"),
        (p.Cut(duration_ns=S, sticks="ends"), "every stick at an end before it"),
        (p.Fade(over_ns=2 * S, duration_ns=S),
         "link fades over 1.8 s, is gone for 1 s and comes back: single packets between silences of 1 to 12 "
         "packet periods"),
        (p.Mute(for_ns=S, times=2), "nothing is acknowledged for 1 s, 2 times"),
        (p.Interfere(for_ns=S), "another transmitter's packets between for 1 s, once"),
        (p.Restart(device=RX, silent_ns=S),
         "the receiver restarts once, in failsafe, and no packet comes for 1 s"),
        (p.Restart(device=TX, clock_wraps_in_ns=2 * S, packets_wrap_in=20),
         "restarts once, its clock 2 s before it wraps, its packet numbers 20 before they wrap"),
    ],
)  # fmt: skip
def test_titles_tell_what_happens_to_the_link(action, words):
    assert words in build_timeline(plan_of(action), 7).segments[0].title


# -- any legal plan ----------------------------------------------------------------------------------------

TIMES = st.integers(0, 2_000).map(lambda ms: ms * MS)
LONG = st.integers(1, 2_000).map(lambda ms: ms * MS)
TURNS = st.integers(1, 3)
CUTS = st.builds(
    p.Cut,
    duration_ns=LONG,
    times=TURNS,
    by=st.sampled_from(p.CUT_WAYS),
    sticks=st.sampled_from(["drawn", "ends", "high"]),
    burst=st.integers(0, 40),
    phase=st.just("random") | st.integers(0, 1000).map(lambda ms: ms * MS),
    before_ns=TIMES,
    after_ns=TIMES,
    packet_rate_mhz=st.none() | st.integers(4_000, 500_000),
)
FADES = st.builds(
    p.Fade, over_ns=st.integers(2_500, 9_000).map(lambda ms: ms * MS), duration_ns=LONG, times=TURNS,
    before_ns=TIMES, after_ns=TIMES,
)  # fmt: skip
OTHERS = st.builds(p.Mute, for_ns=LONG, times=TURNS, pause_ns=TIMES) | st.builds(
    p.Interfere, for_ns=LONG, times=TURNS, pause_ns=TIMES
)
RESTARTS = st.builds(
    p.Restart,
    device=st.sampled_from([TX, RX]),
    times=TURNS,
    before_ns=TIMES,
    after_ns=TIMES,
    silent_ns=TIMES,
    clock_wraps_in_ns=st.none() | LONG,
    packets_wrap_in=st.none() | st.integers(1, 65_535),
)
SWEEPS = st.builds(
    p.Sweep,
    channels=st.sampled_from([(), ("roll",), ("tilt", "throttle"), ("throttle", "roll")]),
    shape=st.sampled_from(["triangle", "sine", "staircase"]),
    from_us=st.none() | st.integers(1100, 1400),
    to_us=st.none() | st.integers(1500, 1900),
    period_ns=st.integers(10, 3_000).map(lambda ms: ms * MS),
    cycles=TURNS,
    dwell_ns=st.none() | st.integers(1, 50).map(lambda ms: ms * MS),
    together=st.booleans(),
)
ACTIONS = CUTS | FADES | OTHERS | RESTARTS | SWEEPS


@given(
    st.lists(ACTIONS, min_size=1, max_size=3),
    st.integers(0, 2**32 - 1),
    st.fractions(0, 1, max_denominator=16),
    st.sampled_from([2_000, 50_000, 333_333]),
)
def test_any_plan_is_in_order_in_time_and_under_the_cap(actions, seed, share, rate_mhz):
    link = replace(LINK, packet_rate_mhz=rate_mhz)
    plan = replace(plan_of(*actions), link=link)
    timeline = build_timeline(plan, seed, throttle_share=share)
    for segment in timeline.segments:
        at_ns = 0
        for due in segment.due(0):
            assert at_ns <= due.at_ns <= segment.length_ns
            at_ns = due.at_ns
            m.encode(due.message, 1)
            if isinstance(due.message, m.Sticks):
                assert due.message.pulses_us[1] <= 1000 + 1000 * share
                for channel, pulse in zip(link.channels, due.message.pulses_us, strict=True):
                    assert channel.range.low_us <= pulse <= channel.range.high_us
    assert count_steps(plan.steps, link) == len(timeline.segments)
    assert timeline.length_ns <= total_ns(plan.steps, link)

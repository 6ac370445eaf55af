"""The harness turns a plan and a seed into due messages."""

from fractions import Fraction
from itertools import combinations, islice

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.protocol import Role
from harness.chance import stream
from harness.clock import MS, S
from harness.codec import messages as m
from harness.injected import injected
from harness.plan import model as p
from harness.timeline import REFRESH_NS, build_timeline, pairwise_ends

LINK = p.Link(
    packet_rate_mhz=50_000,
    channels=(
        p.Channel("roll", failsafe="centre"),
        p.Channel("throttle", role="throttle", failsafe="low"),
        p.Channel("tilt", range=p.Range(1100, 1900), resolution_us=10, failsafe="hold"),
    ),
    failsafe=p.Failsafe(within_ns=500 * MS),
    telemetry=(
        p.TelemetryField("packets", type="u16", source="device"),
        p.TelemetryField("supply", type="u16"),
        p.TelemetryField("current", type="f32"),
    ),
)


def plan_of(*actions, **more):
    steps = tuple(p.PlanStep(action, action.WORD, f"steps[{n}]") for n, action in enumerate(actions))
    return p.Plan("x", "", format=1, title="x", link=LINK, steps=steps, checks=(), **more)


def sticks(timeline, index=0):
    due = timeline.segments[index].due(0)
    return [(d.at_ns, d.message.pulses_us) for d in due if isinstance(d.message, m.Sticks)]


EVERY_STEP = (
    p.Settle(),
    p.Hold(for_ns=S, sticks=(("roll", 1700),)),
    p.Step(channel="roll"),
    p.Ramp(channel="roll", over_ns=S),
    p.Sweep(period_ns=S),
    p.Sweep(shape="sine", period_ns=S),
    p.Sweep(channels=("tilt",), shape="staircase"),
    p.Corners(),
    p.Wander(for_ns=S),
    p.Burst(count=5, spacing_ns=0),
    p.Cut(duration_ns=700 * MS, times=3),
    p.Wait(until="linked"),
    p.Restart(device=Role.RECEIVER),
    p.Inject(times=5),
    p.Margin(by="power", from_x10=0, to_x10=-100),
    p.OwnSticks(for_ns=S),
    p.FindThroughput(to_mhz=100_000),
    p.FindBackToBack(repeats=2),
    p.Overload(rate_mhz=100_000),
    *(p.Cut(duration_ns=700 * MS, by=by) for by in p.CUT_WAYS),
    p.Cut(duration_ns=700 * MS, sticks="ends", times=8),
    p.Cut(duration_ns=700 * MS, sticks="high", burst=8),
    p.Fade(over_ns=2 * S, duration_ns=S, times=2),
    p.Mute(for_ns=S, times=2),
    p.Interfere(for_ns=S, times=2),
    p.Restart(device=Role.RECEIVER, silent_ns=S, clock_wraps_in_ns=S),
    p.Restart(device=Role.TRANSMITTER, packets_wrap_in=20),
    *(p.Sweep(shape=shape, period_ns=S, together=True) for shape in ("triangle", "sine", "staircase")),
)


def test_every_step_word_has_segments_with_messages_in_time_order_and_inside_the_segment():
    timeline = build_timeline(plan_of(*EVERY_STEP), 7)
    assert {type(segment.step.action) for segment in timeline.segments} == set(p.STEP_KINDS) - {p.Repeat}
    for segment in timeline.segments:
        times = [due.at_ns for due in segment.due(0)]
        assert times == sorted(times)
        assert times
        assert times[0] >= 0
        assert times[-1] < max(segment.length_ns, 1)


@given(st.integers(0, 2**32 - 1))
def test_equal_seeds_give_equal_messages(seed):
    def everything():
        timeline = build_timeline(plan_of(*EVERY_STEP), seed)
        return [list(segment.due(0)) for segment in timeline.segments]

    assert everything() == everything()


def test_other_seeds_move_the_cuts_and_the_random_walk():
    def moved(seed):
        timeline = build_timeline(plan_of(p.Cut(duration_ns=S), p.Wander(for_ns=S)), seed)
        return [list(segment.due(0)) for segment in timeline.segments]

    one, other = moved(1), moved(2)
    assert one[0] != other[0]
    assert one[1] != other[1]


def test_a_new_step_at_the_end_leaves_the_earlier_ones_alone():
    short = build_timeline(plan_of(p.Wander(for_ns=S), p.Cut(duration_ns=S)), 3)
    long = build_timeline(plan_of(p.Wander(for_ns=S), p.Cut(duration_ns=S), p.Wander(for_ns=S)), 3)
    for before, after in zip(short.segments, long.segments, strict=False):
        assert list(before.due(0)) == list(after.due(0))


def test_every_pulse_stays_in_its_channels_range():
    timeline = build_timeline(plan_of(*EVERY_STEP), 11)
    for segment in timeline.segments:
        for due in segment.due(0):
            if isinstance(due.message, m.Sticks):
                for channel, pulse in zip(LINK.channels, due.message.pulses_us, strict=True):
                    assert channel.range.low_us <= pulse <= channel.range.high_us


@pytest.mark.parametrize("share", [Fraction(0), Fraction(1, 4), Fraction(1, 2)])
def test_a_throttle_cap_holds_in_every_step(share):
    timeline = build_timeline(plan_of(*EVERY_STEP), 11, throttle_share=share)
    for segment in timeline.segments:
        for due in segment.due(0):
            if isinstance(due.message, m.Sticks):
                assert due.message.pulses_us[1] <= 1000 + 1000 * share


def test_a_triangle_goes_from_end_to_end_and_back():
    sweep = build_timeline(plan_of(p.Sweep(channels=("roll",), period_ns=2 * S)), 0)
    pulses = [pulses[0] for _, pulses in sticks(sweep)]
    assert pulses[0] == 1000
    assert max(pulses) == 2000
    assert pulses[1:] == pulses[1:][::-1]


def test_a_staircase_shows_every_value_of_the_resolution_once():
    stairs = build_timeline(plan_of(p.Sweep(channels=("tilt",), shape="staircase")), 0)
    assert [pulses[2] for _, pulses in sticks(stairs)] == list(range(1100, 1901, 10))
    assert stairs.length_ns == 81 * 2 * LINK.packet_period_ns


def test_a_held_position_is_sent_again_so_that_a_lost_frame_does_no_lasting_harm():
    held = sticks(build_timeline(plan_of(p.Hold(for_ns=S, sticks=(("roll", 1700),))), 0))
    assert [at for at, _ in held] == list(range(0, S, REFRESH_NS))
    assert {pulses for _, pulses in held} == {(1700, 1000, 1500)}


def test_stick_sets_are_numbered_from_one_and_skip_zero_at_the_wrap():
    timeline = build_timeline(plan_of(p.Settle(for_ns=S)), 0)
    numbers = [due.message.set_number for due in timeline.segments[0].due(0xFFFD)]
    assert numbers == [0xFFFE, 0xFFFF, 1, 2, 3]


def test_a_cut_moves_every_throttle_so_that_an_old_value_shows():
    timeline = build_timeline(plan_of(p.Cut(duration_ns=S, times=20)), 5)
    assert timeline.cuts == 20
    for index, segment in enumerate(timeline.segments):
        cut = next(due for due in segment.due(0) if due.mark == "cut")
        positions = sticks(timeline, index)
        before = [pulses for at, pulses in positions if at <= cut.at_ns]
        after = [pulses for at, pulses in positions if at > cut.at_ns + S]
        assert before[-1][1] >= 1600
        assert after[-1][1] < 1400


def test_random_phase_spreads_the_cuts_over_a_packet_period():
    timeline = build_timeline(plan_of(p.Cut(duration_ns=S, times=200)), 5)
    delays = [due.message.delay_us for s in timeline.segments for due in s.due(0) if due.mark == "cut"]
    period_us = LINK.packet_period_ns // 1000
    assert all(0 <= delay < period_us for delay in delays)
    quarters = [sum(n * period_us / 4 <= d < (n + 1) * period_us / 4 for d in delays) for n in range(4)]
    assert min(quarters) > 25  # 50 expected, 25 is four standard deviations away


def test_repeat_carries_its_steps_out_in_order():
    inner = tuple(p.PlanStep(action, "x", "p") for action in (p.Settle(), p.Corners()))
    timeline = build_timeline(plan_of(p.Repeat(times=3, steps=inner)), 0)
    assert [segment.step.action.WORD for segment in timeline.segments] == ["settle", "corners"] * 3


@pytest.mark.parametrize(("channels", "rows"), [(3, 4), (4, 5), (10, 6), (15, 7)], ids=str)
def test_corners_take_the_fewest_rows_known(channels, rows):
    """Optimal binary covering arrays of strength 2: Katona 1973; Kleitman and Spencer 1973 (from memory)."""
    assert len(pairwise_ends(channels)) == rows


@given(st.integers(1, 16))
def test_corners_let_every_pair_of_channels_meet_in_all_four_ways(channels):
    rows = pairwise_ends(channels)
    for one, other in combinations(range(channels), 2):
        assert {(row[one], row[other]) for row in rows} == {(a, b) for a in (0, 1) for b in (0, 1)}


@pytest.mark.parametrize("kind", p.FIELD_BYTES)
def test_injected_values_differ_from_the_ones_just_before(kind):
    values = list(islice(injected(kind, stream(1, kind)), 60))
    for at in range(3, len(values)):
        assert len(set(values[at - 3 : at + 1])) == 4


@pytest.mark.parametrize(
    ("kind", "ends"),
    [
        ("u8", (0, 255)),
        ("i8", (-128, 127)),
        ("u16", (0, 65535)),
        ("i16", (-32768, 32767)),
        ("i32", (-(2**31), 2**31 - 1)),
    ],
)
def test_injected_values_reach_both_ends_of_their_type(kind, ends):
    values = list(islice(injected(kind, stream(1, kind)), 60))
    assert (min(values), max(values)) == ends


def test_fields_of_the_device_are_not_injected():
    timeline = build_timeline(plan_of(p.Inject(times=3)), 0)
    injections = [due.message for due in timeline.segments[0].due(0) if due.mark == "inject"]
    assert [[number for number, _ in message.values] for message in injections] == [[1, 2]] * 3


@pytest.mark.parametrize(
    ("action", "words"),
    [
        (p.Restart(device=Role.RECEIVER), "the receiver restarts once"),
        (p.Restart(device=Role.RECEIVER, times=2), "the receiver restarts 2 times"),
        (p.Step(channel="roll"), "roll jumps between 1000 us and 2000 us, once"),
        (p.Overload(rate_mhz=100_000), "then half of it for 3 s, once (practical)"),
        (p.FindBackToBack(repeats=1), "up to 64 packets, once (practical)"),
        (p.Burst(count=2, spacing_ns=0), "1 burst of 2 packets"),
        (p.Burst(count=1, spacing_ns=0, times=2), "2 bursts of 1 packet "),
        (p.Inject(times=1), "1 set of telemetry values"),
        (p.Wait(until="packets"), "wait for 1 packet"),
    ],
)
def test_titles_count_in_plain_words(action, words):
    title = build_timeline(plan_of(action), 0).segments[0].title
    assert words in title

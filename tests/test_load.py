"""The harness works out how busy each serial line gets, and refuses what does not fit."""

import re
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from test_timeline import LINK, plan_of

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS, S
from harness.codec import messages as m
from harness.load import (
    BUSY_AT,
    BUSY_IN_OVERLOAD,
    frame_size,
    highest_rate_mhz,
    line_loads,
    load_problems,
    longest_burst,
)
from harness.plan import model as p
from harness.timeline import build_timeline

SLOW = {Role.TRANSMITTER: 9_600, Role.RECEIVER: 9_600}
USUAL = {Role.TRANSMITTER: 115_200, Role.RECEIVER: 115_200}


def loads(timeline, baud):
    return {(load.role, load.to_device): load for load in line_loads(timeline, baud)}


@pytest.mark.parametrize(
    "message",
    [
        m.Applied(1, 2, -50, (1500,) * 6),
        m.Sticks(1, (1500,) * 6),
        m.Telemetry(1, 2, bytes(range(10))),
        m.Sent(1, 1, 1, 1, 1, 1),
        m.KeepAlive(),
    ],
    ids=lambda message: type(message).__name__,
)
def test_a_frames_size_is_what_the_codec_really_sends(message):
    assert frame_size(len(message.pack())) == len(m.encode(message, 258))


@pytest.mark.parametrize(
    ("baud", "bytes_per_s"),
    [(9600, 960), (57600, 5760), (115200, 11520), (230400, 23040), (1000000, 100000)],
)
def test_8n1_carries_a_tenth_of_the_baud_rate_in_bytes(baud, bytes_per_s):
    """Arithmetic of asynchronous framing: 1 start + 8 data + 1 stop bit (derived, no printed table)."""
    timeline = build_timeline(plan_of(p.Settle()), 0)
    load = loads(timeline, dict.fromkeys(DEVICES, baud))[Role.RECEIVER, False]
    assert load.capacity == bytes_per_s


def test_the_receivers_line_carries_one_applied_report_a_packet():
    load = loads(build_timeline(plan_of(p.Settle()), 0), USUAL)[Role.RECEIVER, False]
    applied = len(m.encode(m.Applied(1, 1, 0, (1500,) * len(LINK.channels)), 1))
    assert load.parts[0] == ("applied reports", applied, Fraction(50))
    assert f"{applied} B x 50/s applied reports" in load.arithmetic()


def test_the_busiest_step_counts():
    calm = build_timeline(plan_of(p.Settle()), 0)
    busy = build_timeline(plan_of(p.Settle(), p.Wander(for_ns=1000 * MS)), 0)
    line = (Role.TRANSMITTER, True)
    assert loads(busy, USUAL)[line].share > loads(calm, USUAL)[line].share
    assert loads(busy, USUAL)[line].step == "steps[1]"


def test_a_usual_bench_carries_a_usual_plan():
    assert load_problems(build_timeline(plan_of(p.Settle(), p.Wander(for_ns=1000 * MS)), 0), USUAL) == ()


def test_an_overloaded_line_is_refused_with_the_arithmetic_and_what_would_fit():
    problems = load_problems(build_timeline(plan_of(p.Settle()), 0), SLOW)
    lines = [found for path, found, allowed in problems]
    assert any("transmitter to PC is" in found and "960 B/s" in found for found in lines)
    path, _, allowed = problems[0]
    assert path == "link.packet_rate"
    assert "baud fits" in allowed
    assert "Hz fits at 9600 baud" in allowed


def test_what_is_said_to_fit_does_fit_and_one_more_does_not():
    timeline = build_timeline(plan_of(p.Settle()), 0)
    _, _, allowed = load_problems(timeline, SLOW)[0]
    most = int(allowed.split("at most ")[1].split(" Hz")[0])
    for rate, fits in ((most, True), (most + 1, False)):
        link = p.Link(
            packet_rate_mhz=rate * 1000,
            channels=LINK.channels,
            failsafe=LINK.failsafe,
            telemetry=LINK.telemetry,
        )
        plan = p.Plan("x", "", format=1, title="x", link=link, steps=timeline.plan.steps, checks=())
        loads_now = loads(build_timeline(plan, 0), SLOW)
        assert (loads_now[Role.TRANSMITTER, False].share <= Fraction(80, 100)) is fits


@pytest.mark.parametrize(("count", "spacing_ms", "fits"), [(12, 0, True), (60, 0, False), (60, 5, True)])
def test_a_burst_may_run_ahead_of_a_line_only_by_what_a_device_holds(count, spacing_ms, fits):
    timeline = build_timeline(plan_of(p.Burst(count=count, spacing_ns=spacing_ms * MS)), 0)
    problems = load_problems(timeline, USUAL)
    assert (problems == ()) is fits
    if not fits:
        path, _, allowed = problems[0]
        assert path == "steps[0].burst.count"
        assert "a spacing of at least" in allowed


@pytest.mark.parametrize(
    ("burst", "fits"),
    [
        (p.Burst(count=10_000, spacing_ns=4 * MS), False),
        (p.Burst(count=12, spacing_ns=4 * MS, times=2, pause_ns=500 * MS), True),
        (p.Burst(count=10, spacing_ns=2 * MS, times=1000, pause_ns=0), False),
        (p.Burst(count=10, spacing_ns=2 * MS, times=1000, pause_ns=500 * MS), True),
    ],
    ids=["long", "short", "many without rest", "many with rest"],
)
def test_bursts_count_together_with_the_usual_packets_and_with_each_other(burst, fits):
    assert (load_problems(build_timeline(plan_of(burst), 0), USUAL) == ()) is fits


def test_the_burst_that_is_said_to_fit_does_and_one_packet_more_does_not():
    burst = p.Burst(count=500, spacing_ns=2 * MS)
    ((_, _, allowed),) = (
        problem
        for problem in load_problems(build_timeline(plan_of(burst), 0), USUAL)
        if "receiver" not in problem[1]
    )
    most = int(allowed.split("at most ")[1].split(" packets")[0])
    for count, fits in ((most, True), (most + 1, False)):
        found = load_problems(build_timeline(plan_of(p.Burst(count=count, spacing_ns=2 * MS)), 0), USUAL)
        assert any("transmitter's line" in what for _, what, _ in found) is not fits


def test_a_witness_takes_a_line_of_its_own_and_reports_every_servo_frame():
    timeline = build_timeline(plan_of(p.Settle()), 0)
    found = loads(timeline, {**USUAL, Role.WITNESS: 115_200})
    assert {role for role, _ in loads(timeline, USUAL)} == set(DEVICES)
    said = found[Role.WITNESS, False]
    frame = len(m.encode(m.Pulses(1, ((1, 1),) * len(LINK.channels)), 1))
    assert said.parts[0] == ("pulse sets", frame, Fraction(50))
    assert frame == 12 + 4 * len(LINK.channels)
    assert f"{frame} B x 50/s pulse sets" in said.arithmetic()
    assert {part[0] for part in found[Role.WITNESS, True].parts} == {"keep-alives", "pings"}


def test_a_witness_on_a_slow_line_is_refused():
    problems = load_problems(build_timeline(plan_of(p.Settle()), 0), {**USUAL, Role.WITNESS: 9_600})
    ((_, found, allowed),) = problems
    assert "witness to PC is" in found
    assert "a rig with" in allowed


@pytest.mark.parametrize("baud", [57_600, 115_200, 460_800])
@pytest.mark.parametrize("share", [BUSY_AT, BUSY_IN_OVERLOAD])
def test_the_highest_rate_makes_the_first_of_the_devices_lines_just_that_busy(baud, share):
    speeds = dict.fromkeys(DEVICES, baud)
    rate = highest_rate_mhz(LINK, speeds, share)

    def busiest(rate_mhz):
        link = replace(LINK, packet_rate_mhz=rate_mhz)
        timeline = build_timeline(replace(plan_of(p.Settle()), link=link), 0)
        return max(load.share for load in line_loads(timeline, speeds) if not load.to_device)

    assert busiest(rate) <= share < busiest(rate + 100)


def test_the_longest_burst_is_the_one_that_a_plan_may_ask_for():
    for baud in (57_600, 115_200):
        speeds = dict.fromkeys(DEVICES, baud)
        most = longest_burst(LINK, speeds)
        for count, fits in ((most, True), (most + 1, False)):
            plan = plan_of(p.Burst(count=count, spacing_ns=0, pause_ns=10 * S))
            assert (load_problems(build_timeline(plan, 0), speeds) == ()) is fits


@pytest.mark.parametrize(("burst", "fits"), [(8, True), (16, True), (17, False)])
def test_a_burst_at_the_beginning_of_a_cut_must_fit_too(burst, fits):
    cut = p.Cut(duration_ns=700 * MS, burst=burst, times=20)
    problems = load_problems(build_timeline(plan_of(cut), 0), USUAL)
    assert (problems == ()) is fits
    if not fits:
        path, found, allowed = problems[0]
        assert path == "steps[0].cut.burst"
        assert "20 bursts of 17 packets" in found
        assert re.fullmatch(
            r"at most 16 packets with \d+ ms from one cut to the next, or a faster line", allowed
        )


@pytest.mark.parametrize("by", ["silence", "corrupted", "foreign", "repeated", "deaf"])
def test_no_way_of_cutting_loads_a_line_beyond_its_packets(by):
    usual = loads(build_timeline(plan_of(p.Cut(duration_ns=S)), 0), USUAL)
    assert loads(build_timeline(plan_of(p.Cut(duration_ns=S, by=by)), 0), USUAL) == usual


@pytest.mark.parametrize("action", [p.Mute(for_ns=S), p.Interfere(for_ns=S)], ids=["mute", "interfere"])
def test_strangers_and_missing_acknowledgements_load_no_line(action):
    usual = loads(build_timeline(plan_of(p.Wander(for_ns=S)), 0), USUAL)
    assert loads(build_timeline(plan_of(action), 0), USUAL) == usual


def test_the_commands_of_a_fade_are_counted():
    fade = p.Fade(over_ns=5 * S, duration_ns=S)
    parts = loads(build_timeline(plan_of(fade), 0), USUAL)[Role.TRANSMITTER, True].parts
    assert ("silences", len(m.encode(m.Silence(1, 2), 1)), Fraction(25)) in parts
    timeline = build_timeline(plan_of(fade), 0)
    asked = [due.at_ns for due in timeline.segments[0].due(0) if due.mark == "cut"]
    assert min(after - before for before, after in pairwise(asked)) >= S // 25


def test_a_line_faster_than_any_burst_ends_no_search():
    assert longest_burst(LINK, dict.fromkeys(DEVICES, 1_000_000)) >= 10_000


def test_a_search_loads_the_lines_as_far_as_it_may():
    found = loads(build_timeline(plan_of(p.FindThroughput(to_mhz=900_000)), 0), USUAL)
    assert Fraction(79, 100) < found[Role.TRANSMITTER, False].share <= BUSY_AT
    found = loads(build_timeline(plan_of(p.FindThroughput(to_mhz=100_000)), 0), USUAL)
    assert found[Role.TRANSMITTER, False].parts[0][2] == 100


@pytest.mark.parametrize(
    ("action", "rule", "most"),
    [
        (p.FindThroughput(to_mhz=900_000), p.Throughput(at_least_mhz=220_001), "220 Hz"),
        (p.FindThroughput(to_mhz=900_000), p.Throughput(at_least_mhz=220_000), ""),
        (p.FindBackToBack(up_to=64), p.BackToBack(at_least=17), "16 packets"),
        (p.FindBackToBack(up_to=64), p.BackToBack(at_least=16), ""),
    ],
)
def test_a_limit_beyond_what_the_lines_let_a_search_try_is_refused(action, rule, most):
    plan = replace(plan_of(action), checks=(p.PlanCheck(rule, rule.WORD, "checks[0]"),))
    problems = load_problems(build_timeline(plan, 0), USUAL)
    if not most:
        assert problems == ()
        return
    ((where, found, _),) = problems
    assert where == f"checks[0].{rule.WORD}.at_least"
    assert found == f"the serial lines let the search try no more than {most}"
    assert load_problems(build_timeline(plan, 0), dict.fromkeys(DEVICES, 460_800)) == ()


@pytest.mark.parametrize(
    ("action", "path"),
    [
        (p.FindThroughput(from_mhz=300_000, to_mhz=400_000), "steps[0].throughput.from"),
        (p.Overload(rate_mhz=400_000), "steps[0].overload.rate"),
    ],
    ids=["throughput", "overload"],
)
def test_a_search_or_an_overload_that_no_line_can_report_is_refused(action, path):
    problems = load_problems(build_timeline(plan_of(action), 0), USUAL)
    ((where, found, allowed),) = problems
    assert where == path
    assert "more packets a second than the serial lines can report" in found
    assert "Hz fits, or a faster line" in allowed
    assert load_problems(build_timeline(plan_of(action), 0), dict.fromkeys(DEVICES, 460_800)) == ()
